"""What to write for a key that is missing or wrong, and what stands in for it while the rest is checked.

Each table says it of its own keys, `Mapping` of those at the top of the file; here it is put together.
"""

from __future__ import annotations

from typing import Any

from gateway.mapping.forms import tables
from gateway.mapping.model import Mapping
from gateway.mapping.places import Path
from gateway.mapping.problems import lacking
from gateway.mapping.table import FormTable
from gateway.mapping.tables.patient import Patient
from gateway.mapping.tables.time import Time

_TABLES: dict[tuple[str, ...], type[Mapping] | type[FormTable] | type[Time] | type[Patient]] = {
    (): Mapping,
    ("time",): Time,
    ("patient",): Patient,
    **{(form,): table for form, table in tables().items()},
}

STAND_INS: dict[Path, Any] = {
    (*path, *key): value for path, table in _TABLES.items() for key, value in table.stand_ins.items()
}
"""What stands in for a required key that is missing or wrong, so that the rest can still be checked."""

_HINTS: dict[Path, str] = {
    (*path, *key): words for path, table in _TABLES.items() for key, words in table.hints.items()
}
# Keys that several tables have.
_HINTS_BY_NAME: dict[str | int, str] = {
    "reason": 'reason = "error", or another FHIR data-absent-reason code',
    "column": 'column = "...", the name in the header line',
    "use": 'use = "entry", "part", "header", "event" or "ignore"',
    "values": 'values = { "text in the column" = "meaning" }',
}


def missing(path: Path) -> tuple[str, str]:
    """What is wrong and what to do when a key or table that is needed is not there."""
    if len(path) == 1 and isinstance(STAND_INS.get(path), dict):
        return f"the table [{path[0]}] is missing", f"Add {hint(path)}"
    return lacking(path[-1], hint(path))


def hint(path: Path) -> str:
    """What to write at a key."""
    return _HINTS.get(path) or _HINTS_BY_NAME.get(path[-1]) or f"{path[-1]} = ..."
