"""Whether the unit of a vital is said, and is a unit of what the vital measures."""

from __future__ import annotations

from typing import TYPE_CHECKING

from gateway import vocabulary
from gateway.mapping.places import Path
from gateway.mapping.problems import Problems, listed, nearest, quoted
from gateway.mapping.texts import tokens
from gateway.vocabulary import Unit, Vital

if TYPE_CHECKING:
    from gateway.mapping.model import Mapping
    from gateway.mapping.tables.vitals import VitalSource


def check(mapping: Mapping, source: VitalSource, vital: Vital, path: Path, problems: Problems) -> None:
    """Note what is wrong with the units of one vital, and when nothing says its unit."""
    if vital.kind == "coded":
        for name in ("unit", "unit_column", "units", "record_unit", "decimals", "comparators"):
            if getattr(source, name) not in (None, [], {}):
                problems.add((*path, name), f"{vital.key} is one of a few answers and has no {name}", "Take it out")
        if source.unit_in_text:
            problems.add((*path, "unit_in_text"), f"{vital.key} is one of a few answers and has no unit", "Take it out")
        return
    names = ("unit", "unit_column", "unit_in_text", "units")
    shared = mapping.delimited is not None and mapping.delimited.unit_column is not None
    given = [name for name in ("unit", "unit_column", "unit_in_text") if getattr(source, name)]
    if not problems.known(*((*path, name) for name in names), ("delimited", "unit_column")):
        pass
    elif not given and not shared:
        column = "unit_column in [delimited]" if mapping.long else "unit_column"
        problems.add(
            path,
            f"nothing says in which unit {vital.key} is exported",
            f'Add unit = "..." ({_spelt(vital)}), or {column}, or unit_in_text = true',
        )
    elif given == ["unit"] and not shared and source.units:
        problems.add(
            (*path, "units"),
            "unit texts are for a unit that stands in a column or behind the number",
            "Take units out, or add unit_column or unit_in_text = true",
        )
    elif "unit" not in given and not source.units:
        where = "in the text" if source.unit_in_text else "in the unit column"
        problems.add(
            path,
            f"nothing says which unit texts may stand {where} for {vital.key}",
            f"Add units = [...] with the texts of the export ({_spelt(vital)}); others are held",
        )
    if source.unit is not None:
        _unit(source.unit, (*path, "unit"), vital, problems)
    if isinstance(source.units, dict):
        tokens(source.units, (*path, "units"), problems)
        for text, unit in source.units.items():
            _unit(unit, (*path, "units", text), vital, problems)
    else:
        for at, text in enumerate(source.units):
            _unit(text, (*path, "units", at), vital, problems, text_of_export=True)
            if text in source.units[:at]:
                problems.add((*path, "units", at), f"{quoted(text)} stands there twice", "Take one out")
    if source.record_unit is not None and source.record_unit not in vital.units:
        problems.add(
            (*path, "record_unit"),
            f"a record of {vital.key} cannot be in {quoted(source.record_unit)}",
            f"Write {' or '.join(vital.units)}, or leave the key out for {vital.units[0]}",
        )


def _unit(text: str, path: Path, vital: Vital, problems: Problems, *, text_of_export: bool = False) -> None:
    unit = vocabulary.unit_for(text)
    if unit is None:
        spellings = {spelling: known for known in _fitting(vital) for spelling in (known.ucum, *known.spellings)}
        close = spellings.get(nearest(text, spellings))
        what = f"{quoted(text)} is not a unit the gateway knows"
        if close is not None and text_of_export:
            problems.add(path, what, f"Say what it means: units = {{ {quoted(text)} = {quoted(close.ucum)} }}")
        elif text_of_export:
            problems.add(path, what, f'Say what it means: units = {{ {quoted(text)} = "..." }}, one of {_spelt(vital)}')
        elif close is not None:
            problems.add(
                path, what, f"Write {quoted(close.ucum)}, if that is what was meant; known here: {_spelt(vital)}"
            )
        else:
            problems.add(path, what, f"Write one of {_spelt(vital)}")
    elif unit.dimension != vital.dimension:
        problems.add(
            path,
            f"{quoted(text)} measures {unit.dimension}, and {vital.key} is a {vital.dimension}",
            f"Write one of {_spelt(vital)}",
        )


def _fitting(vital: Vital) -> list[Unit]:
    return [unit for unit in vocabulary.units().values() if unit.dimension == vital.dimension]


def _spelt(vital: Vital) -> str:
    return listed(unit.ucum for unit in _fitting(vital))
