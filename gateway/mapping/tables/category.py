"""The table [category]: adult, child, infant or neonate."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, ClassVar, Literal

from pydantic import Field

from gateway.mapping.problems import Problems, quoted
from gateway.mapping.table import Table, Text
from gateway.mapping.texts import tokens

if TYPE_CHECKING:
    from gateway.mapping.model import Mapping

Category = Literal["neonate", "infant", "child", "adult", "unknown"]


class Born(Table):
    """A column with the birth date, for exports that state it."""

    hints: ClassVar = {("column",): 'column = "Born"', ("formats",): 'formats = ["%Y-%m-%d"]'}

    column: Text = Field(description="the column with the birth date")
    formats: list[Text] = Field(min_length=1, description="how it is written, as strptime directives of a day")


class Years(Table):
    """A column with the age, for exports that state it."""

    hints: ClassVar = {("column",): 'column = "Age"', ("unit",): 'unit = "years", or "months" or "days"'}

    column: Text = Field(description="the column with the age, a whole number")
    unit: Literal["years", "months", "days"] = Field(description="what it counts")


class PatientCategory(Table):
    """Adult, child, infant or neonate: it chooses the plausibility band."""

    column: Text | None = None
    values: dict[str, Category] = Field(default={}, description="text in the column = category")
    fixed: Category | None = None
    born: Born | None = Field(default=None, description="where the export states the birth date")
    age: Years | None = Field(default=None, description="where the export states the age")


def check(mapping: Mapping, problems: Problems) -> None:
    """Note what is wrong with the table."""
    category = mapping.category
    said = [name for name in ("column", "fixed", "born", "age") if getattr(category, name) is not None]
    if "born" in said or "age" in said:
        for name in said[:-1]:
            problems.add(
                ("category", name),
                f"the category is told by {said[-1]} as well",
                "Keep one: a birth date or an age tells more than a mode",
            )
    if category.born is not None:
        for at, text in enumerate(category.born.formats):
            path = ("category", "born", "formats", at)
            if not problems.known(path):
                continue
            if re.sub(r"%[YmdbBy]|[^%A-Za-z]", "", text) or not any(mark in text for mark in ("%Y", "%y")):
                problems.add(
                    path,
                    f"{quoted(text)} is not the format of a day",
                    'Write year, month and day, such as "%Y-%m-%d" or "%d.%m.%Y"',
                )
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
