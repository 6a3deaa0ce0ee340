"""The table [category]: adult, child, infant or neonate."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from pydantic import Field

from gateway.mapping.problems import Problems
from gateway.mapping.table import Table, Text
from gateway.mapping.texts import tokens

if TYPE_CHECKING:
    from gateway.mapping.model import Mapping

Category = Literal["neonate", "infant", "child", "adult", "unknown"]


class PatientCategory(Table):
    """Adult, child, infant or neonate: it chooses the plausibility band."""

    column: Text | None = None
    values: dict[str, Category] = Field(default={}, description="text in the column = category")
    fixed: Category | None = None


def check(mapping: Mapping, problems: Problems) -> None:
    """Note what is wrong with the table."""
    category = mapping.category
    if category.column is not None and category.fixed is not None:
        problems.add(("category", "fixed"), "there is a column and a fixed category", "Keep the one that is right")
    elif category.column is not None and not category.values and problems.known(("category", "values")):
        problems.add(
            ("category", "values"),
            "nothing says what the texts of the column mean",
            'Add values = { "A" = "adult", "P" = "child" } with the texts of the export',
        )
    elif category.values and category.column is None and problems.known(("category", "column")):
        problems.add(
            ("category", "values"),
            "there is no column whose texts these could be",
            'Add column = "...", or write fixed = "adult" instead',
        )
    tokens(category.values, ("category", "values"), problems, blank=True)
