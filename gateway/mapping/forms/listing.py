"""The table of printed and dumped lists, and what can be wrong in it."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from pydantic import Field

from gateway.mapping import encodings, record
from gateway.mapping.problems import Problems
from gateway.mapping.record import Record
from gateway.mapping.table import FormTable

if TYPE_CHECKING:
    from gateway.mapping.model import Mapping


class Listing(FormTable):
    """How the text of a printed or dumped list is laid out: lines, each of a declared kind."""

    stand_ins: ClassVar = {
        (): {"records": [{"use": "entry", "pattern": "-"}]},
        ("records",): [{"use": "entry", "pattern": "-"}],
    }
    hints: ClassVar = {
        (): "[[listing.records]], one for each kind of line, with use and pattern",
        ("records",): "[[listing.records]], one for each kind of line, with use and pattern",
    }

    encoding: str = Field(default="utf-8", description="a Python codec name")
    records: list[Record] = Field(min_length=1, description="kinds of line; the first that fits a line is taken")

    @staticmethod
    def check(mapping: Mapping, problems: Problems) -> None:
        """Note what is wrong with the table."""
        listing = mapping.listing
        record.check("listing", None if listing is None else listing.records, mapping, problems)
        if listing is not None and mapping.form == "listing":
            encodings.check(listing.encoding, ("listing", "encoding"), problems)


TABLE = Listing
