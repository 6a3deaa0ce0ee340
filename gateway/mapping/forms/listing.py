"""The table of printed and dumped lists."""

from __future__ import annotations

from typing import ClassVar

from pydantic import Field

from gateway.mapping.record import Record
from gateway.mapping.table import FormTable


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


TABLE = Listing
