"""The table that says how numbers are written."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from pydantic import Field

from gateway.mapping.problems import Problems, quoted
from gateway.mapping.table import Table

if TYPE_CHECKING:
    from gateway.mapping.model import Mapping


class Numbers(Table):
    """How numbers are written."""

    decimal: Literal[".", ","] = "."
    thousands: Literal["", ".", ",", " ", "'"] = ""
    comparators: bool = Field(default=False, description="accept <, <=, >= and > before a value")


def check(mapping: Mapping, problems: Problems) -> None:
    """Note when one mark means two things."""
    numbers = mapping.numbers
    if numbers.decimal == numbers.thousands:
        problems.add(
            ("numbers", "thousands"),
            f"{quoted(numbers.thousands)} is the decimal mark as well",
            'Write what the export uses; thousands = "" when it writes 1000 without a mark',
        )
