"""The table of delimited text."""

from __future__ import annotations

from typing import Annotated, ClassVar, Literal

from pydantic import Field, StringConstraints

from gateway.mapping.table import FormTable, Text


class Delimited(FormTable):
    """How a delimited text export is laid out."""

    stand_ins: ClassVar = {(): {"layout": "wide"}, ("layout",): "wide"}
    hints: ClassVar = {
        (): '[delimited] with layout = "wide" or "long"',
        ("layout",): 'layout = "wide" (one row per set) or "long" (one row per reading)',
    }

    layout: Literal["wide", "long"] = Field(description="wide: one row per set; long: one row per reading")
    delimiter: Annotated[str, StringConstraints(min_length=1, max_length=1)] = ","
    quote: Annotated[str, StringConstraints(max_length=1)] = Field(default='"', description="empty for no quoting")
    encoding: str = Field(
        default="utf-8", description="a Python codec name; a UTF-8 or UTF-16 byte order mark is accepted"
    )
    header: bool = Field(default=True, description="the first line that holds every mapped column is the header")
    columns: list[Text] = Field(default=[], description="names by position, when there is no header line")
    header_within: int = Field(default=50, ge=1, le=1000, description="how many lines may stand before the header")
    footer: list[Text] = Field(
        default=[], description="regular expressions for lines after or between entries to leave out"
    )
    label_column: Text | None = Field(default=None, description="long layout: the column that names the vital")
    value_column: Text | None = Field(default=None, description="long layout: the column that holds the value")
    unit_column: Text | None = Field(default=None, description="long layout: the column that holds the unit")


TABLE = Delimited
