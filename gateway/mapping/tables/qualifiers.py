"""The tables [mode], [cuff] and [position]: what else there is to know of a blood pressure."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pydantic import Field

from gateway import vocabulary
from gateway.mapping.places import Path
from gateway.mapping.problems import Problems, listed, meant, quoted
from gateway.mapping.table import Table, Text
from gateway.mapping.texts import texts_there

if TYPE_CHECKING:
    from gateway.mapping.model import Mapping


class Qualifier(Table):
    """What else there is to know of a blood pressure: from a column, or the same for the whole export."""

    column: Text | None = Field(default=None, description="the column that tells it")
    values: dict[str, Text] = Field(default={}, description="text in the column = its key, from the table below")
    not_stated: list[Text] = Field(default=[], description="texts that mean what a blank cell means")
    fixed: Text | None = Field(default=None, description="one key for the whole export, instead of a column")


def check(mapping: Mapping, problems: Problems) -> None:
    """Note what is wrong with the tables."""
    for name, known in vocabulary.qualifiers().items():
        source: Qualifier = getattr(mapping, name)
        path: Path = (name,)
        if not problems.known(path) or path not in problems.places:
            continue
        if source.column is not None and source.fixed is not None:
            problems.add((*path, "fixed"), f"there is a column and a fixed {name}", "Keep the one that is right")
        elif source.column is None and source.fixed is None and problems.known((*path, "column"), (*path, "fixed")):
            what = f"the table says nothing about where the {name} stands"
            problems.add(path, what, f'Add column = "...", or fixed = "{next(iter(known.answers))}"')
        elif source.column is None and source.values:
            what = "there is no column whose texts these could be"
            problems.add((*path, "values"), what, 'Take values out, or write column = "..." instead of fixed')
        elif source.column is not None:
            texts_there(source.values, (*path, "values"), f'"..." = "{next(iter(known.answers))}"', problems)
        for place, answer in (
            *(((*path, "values", text), answer) for text, answer in source.values.items()),
            *([((*path, "fixed"), source.fixed)] if source.fixed is not None else []),
        ):
            if answer not in known.answers:
                problems.add(place, f"{quoted(answer)} is not an answer of {name}", meant(answer, known.answers))
        carried = [key for panel in vocabulary.panels().values() if name in panel.qualifiers for key in panel.members]
        if not set(carried) & set(mapping.vitals) and problems.known(("vitals",)):
            what = f"{name} is said of a blood pressure, and the mapping reads none"
            problems.add(path, what, f"Take [{name}] out, or add one of {listed(carried)}")
