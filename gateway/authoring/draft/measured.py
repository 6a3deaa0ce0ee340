"""The vitals of a delimited export: their columns or labels, their units, and what stands for no value."""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Iterable

from gateway.authoring.draft.page import Page, counted, some_of, toml_text
from gateway.authoring.draft.reading import Table
from gateway.authoring.draft.words import (
    ERRORS,
    MARKS,
    NUMBER,
    PAIR,
    PRESSURES,
    SENTINELS,
    SHORT_CODE,
    WITH_UNIT,
    folded,
    has_unit,
    label_of,
)
from gateway.vocabulary import Vital, unit_for, units, vitals


def numbers_in(cells: Iterable[str]) -> str:
    """What numbers stand in cells, in words; longer ones than a vital has are not looked at."""
    texts = Counter(cell for cell in cells if cell)
    found = {cell.replace(",", "."): count for cell, count in texts.items() if NUMBER.fullmatch(cell)}
    if not found:
        return f"0 of {texts.total()} filled cells are numbers"
    kind = "numbers" if any("." in text for text in found) else "whole numbers"
    values = sorted(map(float, found))
    many = sum(count for cell, count in texts.items() if cell.replace(",", ".") in found)
    return f"{many} of {texts.total()} filled cells are {kind} {values[0]:g}..{values[-1]:g}"


def _ask_unit(vital: Vital, out: Page) -> None:
    known = ", ".join(unit.ucum for unit in units().values() if unit.dimension == vital.dimension)
    out.asks("unit", f"in which unit is it exported? Nothing states it, and values are no evidence. Known: {known}")


def _unit(vital: Vital, stated: str, cells: list[str], out: Page) -> None:
    """Tell the unit of a wide column where header or cells state it, else ask."""
    if vital.kind == "coded":
        answers = Counter(cell for cell in cells if re.fullmatch("[ACVPU]", cell))
        seen = ", ".join(f"{text} ({count})" for text, count in sorted(answers.items()))
        out.asks("codes", f"what do the texts mean? Seen: {seen or 'none that may be shown'}; "
                          f"answers: {', '.join(vital.answers)}")  # fmt: skip
        return
    unit = unit_for(stated) if stated else None
    texts = Counter(cells)
    behind: Counter[str] = Counter()
    for cell, count in texts.items():
        if found := WITH_UNIT.fullmatch(cell):
            behind[found["unit"].strip()] += count
    fitting = {text: count for text, count in behind.items()
               if (known := unit_for(text)) is not None and known.dimension == vital.dimension}  # fmt: skip
    bare = any(NUMBER.fullmatch(cell) for cell in texts)
    if unit is not None and unit.dimension == vital.dimension and not fitting:
        if stated.strip() in ("C", "F", "K"):
            out.asks("unit", f"the name of the column ends in '{stated}'; is that the unit?")
            return
        out.says(f"unit: the name of the column states '{stated}'")
        out.has("unit", unit.ucum)
    elif fitting and not bare and unit is None:
        counts = ", ".join(f"'{text}' in {count}" for text, count in fitting.items())
        out.says(f"unit: it stands behind the number, {counts} cells")
        out.has("unit_in_text", True)
        out.has("units", list(fitting))
    else:
        _ask_unit(vital, out)


def propose_wide_vitals(table: Table, values: list[int], taken: set[int], out: Page) -> None:
    """Propose the vitals of a table with a column for each, and ask for their units."""
    by_vital: dict[str, list[int]] = defaultdict(list)
    for at in values:
        for key in label_of(table.names[at])[0]:
            by_vital[key].append(at)
    told: list[int] = []
    used: set[str] = set()
    for at, name in enumerate(table.names):
        if not name or at in taken:
            continue
        cells = [cell for _, cell in table.columns[at]]
        filled = [cell for cell in cells if cell]
        alike = {cell: PAIR.fullmatch(cell) for cell in set(filled)}
        pairs = [found for cell in filled if (found := alike[cell])]
        if pairs and len(pairs) * 2 >= len(filled) and folded(name.split()[0]) in PRESSURES and table.header:
            told.append(at)
            if used or any(by_vital[key] for key in ("systolic", "diastolic", "mean_pressure")):
                out.says("")
                out.asks(
                    "vitals",
                    f"column '{name}' holds pressures such as two numbers with a stroke, but another one does too",
                )
                continue
            used.add(name)
            _pair_vitals(name, len(pairs), len(filled), any(found["mean"] for found in pairs), out)
            continue
        if at not in values:
            continue
        told.append(at)
        meant, stated = label_of(name)
        alone = len(meant) == 1 and by_vital[meant[0]] == [at]
        out.table("vitals", meant[0] if alone else f"? {name}")
        out.says(f"column '{name}': {numbers_in(cells)}; the label is usual for {', '.join(meant)}")
        if not alone:
            out.asks("vital", "which one is it? Write its key into the line above, or take the table out.")
        out.has("column", name)
        if alone or len({vitals()[key].dimension for key in meant}) == 1:
            _unit(vitals()[meant[0]], stated, cells, out)
    rest = [name for at, name in enumerate(table.names) if name and at not in told and at not in taken]
    if not told:
        out.asks("vitals", "no column has a usual label; which ones hold vitals? One table [vitals.KEY] for each.")
    if rest and table.header:
        out.says("")
        out.asks("vitals", f"are there vitals in the other columns? {', '.join(rest)}")


def _pair_vitals(name: str, pairs: int, filled: int, mean: bool, out: Page) -> None:
    pattern = r"(?P<systolic>\d+) ?/ ?(?P<diastolic>\d+)" + (r"(?: ?\( ?(?P<mean_pressure>\d+)\))?" if mean else "")
    for key in ("systolic", "diastolic", *(["mean_pressure"] if mean else [])):
        out.table("vitals", key)
        out.says(f"column '{name}': {pairs} of {filled} filled cells are two numbers with a stroke"
                 + (", some with a third in brackets" if mean else ""))  # fmt: skip
        out.has("column", name)
        out.has("pattern", pattern)
        _ask_unit(vitals()[key], out)


def _spaced_pair(cell: str) -> re.Match[str] | None:
    """Two numbers with a stroke, whatever blanks stand between them."""
    return PAIR.fullmatch(" ".join(cell.replace("/", " / ").split()))


def propose_group_vitals(table: Table, groups: dict[str, tuple[str, str]], out: Page) -> None:
    """Propose the vitals of a listing: groups of its patterns with the label before and the unit behind each.

    Args:
        table: the entries, a column for each group.
        groups: group -> its label, and the unit behind it ("" for none).
        out: takes what is proposed and asked.
    """
    by_vital: Counter[str] = Counter()
    for label, _ in groups.values():
        by_vital.update(label_of(label)[0])
    errors: list[tuple[int, str]] = []
    for group, (label, unit) in groups.items():
        column = table.columns[table.names.index(group)]
        cells = [cell for _, cell in column]
        filled = [cell for cell in cells if cell]
        pairs = [found for cell in filled if (found := _spaced_pair(cell))]
        if folded(label) in PRESSURES and len(pairs) * 2 >= len(filled):
            pattern = r" *(?P<systolic>\d+) */ *(?P<diastolic>\d+)"
            mean = any(found["mean"] for found in pairs)
            pattern += r"(?: *\( *(?P<mean_pressure>\d+) *\))? *" if mean else " *"
            for key in ("systolic", "diastolic", *(["mean_pressure"] if mean else [])):
                out.table("vitals", key)
                out.says(f"group '{group}': {len(pairs)} of {len(filled)} texts are two numbers with a stroke")
                out.has("column", group)
                out.verbatim("pattern", pattern)
                _stated_unit(vitals()[key], unit, out)
        else:
            meant = label_of(label)[0]
            alone = len(meant) == 1 and by_vital[meant[0]] == 1
            out.table("vitals", meant[0] if alone else f"? {group}")
            out.says(f"group '{group}': {numbers_in(cells)}; the label is usual for {', '.join(meant) or 'pressures'}")
            if not alone:
                out.asks("vital", "which one is it? Write its key into the line above, or take the table out.")
            out.has("column", group)
            if meant and len({vitals()[key].dimension for key in meant}) == 1:
                _stated_unit(vitals()[meant[0]], unit, out)
        errors += [pair for pair in column if not _spaced_pair(pair[1])]
    if not groups:
        out.says("")
        out.asks("vitals", "no label is a usual one; which groups hold vitals? One table [vitals.KEY] for each.")
    propose_absent(errors, set(), out)


def _stated_unit(vital: Vital, stated: str, out: Page) -> None:
    unit = unit_for(stated) if stated else None
    if unit is None or unit.dimension != vital.dimension or stated in ("C", "F", "K"):
        _ask_unit(vital, out)
        return
    out.says(f"unit: '{stated}' stands behind it")
    out.has("unit", unit.ucum)


def propose_long_vitals(table: Table, roles: dict[str, list[int]], out: Page) -> None:
    """Propose the vitals of a table with a row for each reading, and ask for their units."""
    if len(roles["label"]) != 1 or len(roles["value"]) != 1 or len(roles["unit"]) > 1:
        out.asks("vitals", "the columns above come first; then one table [vitals.KEY] for each label.")
        return
    at, value = roles["label"][0], roles["value"][0]
    unit_at = roles["unit"][0] if roles["unit"] else None
    rows: dict[str, list[int]] = defaultdict(list)
    for number, (_, label) in enumerate(table.columns[at]):
        rows[label].append(number)
    usual: dict[str, list[str]] = defaultdict(list)
    for label in rows:
        for key in label_of(label)[0]:
            usual[key].append(label)
    found = False
    for label, numbers in rows.items():
        if not label:
            continue
        meant, stated = label_of(label)
        cells = [table.columns[value][number][1] for number in numbers]
        lines = [table.rows[number].line for number in numbers]
        if not meant or not label.isprintable():
            if len(rows) <= 200:
                out.says("")
                seen = f"{numbers_in(cells)}{_unit_words(table, unit_at, numbers)}"
                of = f"line {lines[0]} ({counted(len(lines), 'row')})"
                out.asks("vitals", f"the label of {of} is not a usual one; what is it? {seen}")
            continue
        found = True
        alone = len(meant) == 1 and usual[meant[0]] == [label]
        out.table("vitals", meant[0] if alone else f"? {label}")
        out.says(f"label '{label}', {counted(len(lines), 'row')}: {numbers_in(cells)}; usual for {', '.join(meant)}")
        if not alone:
            out.asks("vital", "which one is it? Write its key into the line above, or join it with another table.")
        out.has("labels", [label])
        vital = vitals()[meant[0]]
        if unit_at is None:
            _unit(vital, stated, cells, out)
            continue
        texts = Counter(table.columns[unit_at][number][1] for number in numbers)
        fitting = [text for text in texts if (unit := unit_for(text)) is not None and unit.dimension == vital.dimension]
        odd = sum(count for text, count in texts.items() if text not in fitting)
        if odd:
            out.asks("units", f"{counted(odd, 'row')} with no unit that is known for it: what do they mean?")
        if fitting:
            out.says("units: " + ", ".join(f"'{text}' in {counted(texts[text], 'row')}" for text in fitting))
            out.has("units", fitting)
        elif not odd:
            _ask_unit(vital, out)
    if not found:
        out.asks("vitals", "no label is a usual one. One table [vitals.KEY] with labels = [...] for each.")


def _unit_words(table: Table, unit_at: int | None, numbers: list[int]) -> str:
    """The units that stand beside a label, in words; only spellings that are known."""
    if unit_at is None:
        return ""
    texts = Counter(table.columns[unit_at][number][1] for number in numbers)
    known = [text for text in texts if unit_for(text) is not None]
    return f", in {', '.join(known)}" if known else ""


def propose_absent(pairs: list[tuple[int, str]], elsewhere: set[str], out: Page) -> None:
    """Ask about the texts that stand where values belong; what stands elsewhere too may be somebody's identifier."""
    tokens: Counter[str] = Counter()
    hidden: list[int] = []
    plain: set[str] = set()
    for line, cell in pairs:
        if cell in plain:
            continue
        if cell in SENTINELS:
            tokens[cell] += 1
        elif not cell or NUMBER.fullmatch(cell) or PAIR.fullmatch(cell) or has_unit(cell):
            plain.add(cell)
        elif len(cell) <= 8 and cell not in elsewhere and (SHORT_CODE.fullmatch(cell) or MARKS.fullmatch(cell) or
                                 all(word.casefold() in ERRORS for word in cell.split())):  # fmt: skip
            tokens[cell] += 1
        elif not re.fullmatch("[ACVPU]", cell):
            hidden.append(line)
    if not tokens and not hidden:
        return
    out.table("absent")
    for text, count in tokens.most_common(30):
        out.asks(
            toml_text(text),
            f"{counted(count, 'cell')} where a value belongs; does it mean that there is none, and why?",
        )
    if hidden:
        where = some_of(sorted(set(hidden)))
        out.asks(
            "texts", f"{counted(len(hidden), 'cell')} with other texts where a value belongs ({where}); what are they?"
        )
