"""Kinds of record, for the forms whose records are declared one by one."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from gateway.mapping.table import Table

Span = Annotated[tuple[int, int], Field(strict=False)]
"""First and last character, counted from 1. TOML has lists only, so a list is taken for the pair."""


class Record(Table):
    """One kind of line or record in a serial-style export: how it is known, and the columns it gives.

    Exactly one of `pattern`, `fields` and `widths` says how the record is cut.
    """

    use: Literal["entry", "part", "header", "event", "ignore"] = Field(
        description="entry: begins an entry; part: adds to the open entry; header: its columns go with every entry "
        "that follows; event: about the monitor itself; ignore: nothing of interest"
    )
    pattern: str = Field(default="", description="regular expression for the whole record; named groups are columns")
    match: str = Field(default="", description="with fields or widths: regular expression the record begins with")
    delimiter: str = Field(default="|", max_length=1, description="with fields: what stands between them")
    fields: list[str] = Field(default=[], description="names of the fields by position; empty for one not read")
    widths: dict[str, Span] = Field(default={}, description="column = [first, last] character, counted from 1")
    meaning: str = Field(default="", description="event: what it means, in words")
