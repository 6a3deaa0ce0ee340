"""What the tables of a mapping have in common."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Annotated, Any, ClassVar

from pydantic import BaseModel, ConfigDict, StringConstraints

if TYPE_CHECKING:
    from gateway.mapping import model
    from gateway.mapping.problems import Problems

Text = Annotated[str, StringConstraints(min_length=1)]
Words = Annotated[
    str, StringConstraints(pattern=r"^[^\x00-\x1f\x7f-\x9f]*[^\s\x00-\x1f\x7f-\x9f][^\x00-\x1f\x7f-\x9f]*$")
]
"""Text that is written into records and reports: something to read, and no control characters."""


class Table(BaseModel):
    """A table of a mapping."""

    # Strict: `header = "yes"` or `future_minutes = "5"` is a mistake to be told, not a value to be bent.
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, str_strip_whitespace=False)


class FormTable(Table):
    """The table that says how exports of one form are laid out; it is named as the form.

    Attributes:
        stand_ins: keys below the table, () for the table itself -> what stands in for them while they are missing or
            wrong, so that the rest of the mapping can still be checked.
        hints: the same keys -> what to write, for errors.
    """

    stand_ins: ClassVar[Mapping[tuple[str, ...], Any]]
    hints: ClassVar[Mapping[tuple[str, ...], str]]

    if TYPE_CHECKING:
        # Each declares it itself, with its own default.
        encoding: str

        @staticmethod
        def check(mapping: model.Mapping, problems: Problems) -> None:
            """Note what is wrong with the table that its model cannot see; called for mappings of every form."""
