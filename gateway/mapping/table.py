"""What the tables of a mapping have in common."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Annotated, Any, ClassVar

from pydantic import BaseModel, ConfigDict, StringConstraints

Text = Annotated[str, StringConstraints(min_length=1)]


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
