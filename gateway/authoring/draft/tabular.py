"""The draft of a delimited export: its layout, and the columns that are no vitals."""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Iterable

from gateway.authoring.draft.measured import propose_absent, propose_long_vitals, propose_wide_vitals
from gateway.authoring.draft.page import Page, counted, propose_top, some_of
from gateway.authoring.draft.reading import ENCODINGS, Table
from gateway.authoring.draft.times import propose_time
from gateway.authoring.draft.words import folded, label_of
from gateway.authoring.draft.words import roles as usual_names


def say_encoding(encoding: str | None, why: str, out: Page) -> None:
    """Say the encoding, and why."""
    out.says(f"encoding: {why}")
    if encoding is None:
        usable = ", ".join(ENCODINGS)
        out.asks(
            "encoding", f"which one is it? Candidates: {usable}; look at letters with accents and at degree signs."
        )
    out.has("encoding", encoding or "?")


def propose_delimited(table: Table, encoding: str | None, why: str, out: Page) -> None:
    """Propose a mapping for a table."""
    roles: dict[str, list[int]] = defaultdict(list)
    usual = usual_names()
    for at, name in enumerate(table.names):
        if folded(name) in usual:
            roles[usual[folded(name)]].append(at)
    long = bool(roles["label"] and roles["value"])
    values = [] if long else [at for at in range(len(table.names)) if table.header and label_of(table.names[at])[0]]
    values = [at for at in values if not any(at in found for found in roles.values())]
    propose_top("delimited", out)
    _notes(table, roles, out)
    out.table("delimited")
    out.says(
        f"layout: {'columns for a label and for a value' if long else 'no column for labels beside one for values'}"
    )
    out.has("layout", "long" if long else "wide")
    out.says(f"delimiter: {table.why}")
    out.has("delimiter", table.delimiter)
    say_encoding(encoding, why, out)
    if table.header:
        before = f", behind {counted(table.before, 'other line')}" if table.before else ""
        out.says(
            f"header: line {table.header} holds usual names of columns{before}; "
            f"{counted(len(table.rows), 'row')} follow"
        )
        unnamed = [number for number, name in enumerate(table.names, start=1) if not name]
        if unnamed:
            out.says(f"columns without a usable name of their own: {', '.join(map(str, unnamed))}")
    else:
        out.asks("columns", "no line names the columns; what are they? Write the names in place of c1, c2, ...")
        out.has("header", False)
        out.has("columns", table.names)
    if table.odd:
        out.asks(
            "footer",
            f"{counted(len(table.odd), 'row')} of another width ({some_of(table.odd)}): are they to be left out?",
        )
    if long:
        for key, role in (("label_column", "label"), ("value_column", "value"), ("unit_column", "unit")):
            _column(key, roles[role], table, out, needed=role != "unit")
    _decimal([cell for at in (roles["value"] if long else values) for _, cell in table.columns[at]], out)
    propose_time(table, roles["time"], out)
    _parties(table, roles, out)
    if long:
        propose_long_vitals(table, roles, out)
    else:
        propose_wide_vitals(table, values, {at for found in roles.values() for at in found}, out)
    read = set(roles["value"] if long else values)
    elsewhere = {cell for at, cells in enumerate(table.columns) if at not in read for _, cell in cells}
    propose_absent([pair for at in sorted(read) for pair in table.columns[at]], elsewhere, out)


def _column(key: str, found: list[int], table: Table, out: Page, *, needed: bool = True) -> None:
    names = [table.names[at] for at in found if table.names[at]]
    if len(names) == 1:
        out.says(f"{key}: '{names[0]}' is a usual name")
        out.has(key, names[0])
    elif names:
        out.asks(key, f"which one: {', '.join(names)}?")
    elif needed:
        out.asks(key, "no column has a usual name; which one is it?")


def _notes(table: Table, roles: dict[str, list[int]], out: Page) -> None:
    for at, cells in enumerate(table.columns):
        texts = {cell for _, cell in cells}
        if len(cells) > 1 and len(texts) == 1 and table.names[at]:
            what = "is blank" if texts == {""} else "holds the same text"
            out.says(f"column '{table.names[at]}' {what} in all {len(cells)} rows")
    names = [table.names[at] for at in roles["notes"]]
    if names:
        out.asks("notes", f"are the free texts of {', '.join(names)} to be carried as notes?")


def _decimal(cells: Iterable[str], out: Page) -> None:
    marks = Counter[str]()
    grouped = 0
    for cell, count in Counter(cells).items():
        found = re.fullmatch(r"[+-]?[0-9]{1,4}([.,])([0-9]{1,3})(\s*[^0-9\s]\D*)?", cell, re.ASCII)
        if found:
            marks[found[1]] += count
            grouped += count * (len(found[2]) == 3)
    if not marks["."] and not marks[","]:
        return
    if not marks[","] and grouped < marks["."]:
        return
    out.table("numbers")
    out.says(f"decimal: {counted(marks[','], 'cell')} with a comma, {marks['.']} with a point")
    if (marks["."] and marks[","]) or grouped == marks.total():
        out.asks("decimal", "which is the decimal mark, and which one parts thousands?")
        out.has("decimal", "?")
    else:
        out.has("decimal", ",")


def _parties(table: Table, roles: dict[str, list[int]], out: Page) -> None:
    out.table("patient")
    patients = [table.names[at] for at in roles["patient"] if table.names[at]]
    if len(patients) == 1:
        (at,) = (at for at in roles["patient"] if table.names[at])
        filled = sum(bool(cell) for _, cell in table.columns[at])
        out.says(f"column: '{patients[0]}' is a usual name; {filled} of {len(table.rows)} cells are filled")
        out.has("column", patients[0])
    elif patients:
        out.asks("column", f"which one identifies the patient: {', '.join(patients)}?")
    else:
        out.asks(
            "column", "no column has a usual name for a patient; which one is it, or who says who was on which device?"
        )
    out.asks("pattern", "what do the identifiers look like? A regular expression for the whole of each, or any.")
    out.asks("system", "which URI stands for the patients' identifiers? No file states it.")
    for role in ("device", "operator", "location"):
        names = [table.names[at] for at in roles[role] if table.names[at]]
        if len(names) == 1:
            out.table(role)
            out.says(f"column: '{names[0]}' is a usual name")
            out.has("column", names[0])
            out.asks("system", "which URI stands for these identifiers? It may be left out.")
        elif names:
            out.table(role)
            out.asks("column", f"which one is the {role}: {', '.join(names)}?")
