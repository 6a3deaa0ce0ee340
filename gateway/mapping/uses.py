"""Which columns of an export a mapping uses, and whether two uses of one column can both be right."""

from __future__ import annotations

from collections import defaultdict
from typing import TYPE_CHECKING, NamedTuple

from gateway import vocabulary
from gateway.mapping.places import Path
from gateway.mapping.problems import Problems, quoted
from gateway.mapping.tables.parties import parties
from gateway.mapping.tables.vitals import Method, Site
from gateway.mapping.texts import trimmed

if TYPE_CHECKING:
    from gateway.mapping.model import Mapping


class Use(NamedTuple):
    """One use of a column: its name, the key that names it, what for, and what kind of use that is."""

    column: str
    path: Path
    what: str
    kind: str


def uses(mapping: Mapping) -> list[Use]:
    """Every use the mapping makes of a column of the export, in the order of the model."""
    found: list[Use] = []

    def add(column: str | None, path: Path, what: str, kind: str) -> None:
        if column is not None:
            found.append(Use(column, path, what, kind))

    if mapping.delimited is not None:
        for kind in ("label", "value", "unit", "status"):
            name = f"{kind}_column"
            add(getattr(mapping.delimited, name), ("delimited", name), f"the {kind}", kind)
    for at, column in enumerate(mapping.time.columns):
        add(column, ("time", "columns", at), "the time", "time")
    if mapping.time.age is not None:
        add(mapping.time.age.column, ("time", "age", "column"), "the age", "time")
    if mapping.time.clock is not None:
        for name, what in (("columns", "the monitor's own time"), ("reference_columns", "the true time")):
            for at, column in enumerate(getattr(mapping.time.clock, name)):
                add(column, ("time", "clock", name, at), what, "time")
    add(mapping.patient.column, ("patient", "column"), "the patient", "patient")
    if mapping.patient.crosswalk is not None:
        for at, column in enumerate(mapping.patient.crosswalk.columns):
            add(column, ("patient", "crosswalk", "columns", at), "what is said of the patient", "patient")
    if mapping.patient.systems is not None:
        add(mapping.patient.systems.column, ("patient", "systems", "column"), "the patient's system", "party")
    for name, party in parties(mapping):
        add(party.column, (name, "column"), f"the {name}", "party")
    if isinstance(mapping.sequence, list):
        for at, column in enumerate(mapping.sequence):
            add(column, ("sequence", at), "a part of the record number", "sequence")
    else:
        add(mapping.sequence, ("sequence",), "the record number", "sequence")
    add(mapping.category.column, ("category", "column"), "the patient category", "category")
    for name in ("born", "age"):
        stated = getattr(mapping.category, name)
        if stated is not None:
            add(stated.column, ("category", name, "column"), "the patient's age", "category")
    for name in vocabulary.qualifiers():
        add(getattr(mapping, name).column, (name, "column"), f"the {name}", "qualifier")
    for key, source in mapping.vitals.items():
        add(source.column, ("vitals", key, "column"), key, "value")
        add(source.unit_column, ("vitals", key, "unit_column"), f"the unit of {key}", "unit")
        if isinstance(source.site, Site):
            add(source.site.column, ("vitals", key, "site", "column"), f"the site of {key}", "site")
        if isinstance(source.method, Method):
            add(source.method.column, ("vitals", key, "method", "column"), f"the method of {key}", "site")
        if source.quality is not None:
            add(source.quality.column, ("vitals", key, "quality", "column"), f"the quality of {key}", "quality")
    for at, column in enumerate(mapping.notes):
        add(column, ("notes", at), "a note", "note")
    return found


def columns(mapping: Mapping) -> tuple[str, ...]:
    """Names of every column the mapping uses, each once, in the order of the model."""
    return tuple(dict.fromkeys(use.column for use in uses(mapping)))


def check(mapping: Mapping, problems: Problems) -> None:
    """Note names with blanks around them, and columns that are used for two things."""
    found = uses(mapping)
    for use in found:
        trimmed(use.column, use.path, problems)
    by_column: dict[str, list[Use]] = defaultdict(list)
    for use in found:
        for earlier in by_column[use.column]:
            clash = _clash(mapping, earlier, use)
            if clash:
                line = problems.places.line_of(earlier.path)
                problems.add(
                    use.path, f"the column {quoted(use.column)} is already {earlier.what} (line {line})", clash
                )
                break
        by_column[use.column].append(use)


def _clash(mapping: Mapping, first: Use, second: Use) -> str:
    """What to do when two uses of one column cannot both be right; "" when they can."""
    kinds = {first.kind, second.kind}
    if kinds in ({"note"}, {"sequence"}):
        return "Take it out"
    if kinds == {"patient", "note"}:
        return "Take it out of the notes: a note would carry the patient's identifier as free text"
    keys = [str(use.path[1]) for use in (first, second) if use.path[0] == "vitals"]
    if kinds == {"value"} and len(keys) == 2:
        if all(mapping.vitals[key].pattern for key in keys):
            return ""
        return (
            f"Give {keys[1]} its own column; a cell such as 120/80 needs a pattern in both, "
            f"with the groups (?P<{keys[0]}>...) and (?P<{keys[1]}>...)"
        )
    # A label such as "T-ear" may tell the site as well as the vital.
    shareable = ({"value", "note"}, {"label", "site"}, {"unit"})
    if kinds in shareable or kinds.isdisjoint({"patient", "time", "label", "value", "unit", "status"}):
        return ""
    return "Name the column that holds it"
