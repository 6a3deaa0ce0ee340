"""Associations from CSV in UTF-8 with the header `device,patient,from,to,established,by`.

`from` and `to` are ISO 8601 with an offset; an interval holds its `from` and not its `to`; an empty `to` is an
association that has not ended. The word in `established` (scan, typed, fixed place) and the person in `by` are kept by
whoever keeps the file. A column `system` may hold the URI of the patient's identifier system.
"""

from __future__ import annotations

import csv
import io

from gateway.errors import InputError
from gateway.identity.associations import Association
from gateway.identity.reading import NOT_AFTER, Issuers, Unusable, by_system, chosen, epoch, refuse

COLUMNS = ("device", "patient", "from", "to", "established", "by")
_SYSTEM = "system"


def read(text: str, where: str, issuers: Issuers) -> list[Association]:
    """Read the associations of a CSV file.

    Args:
        text: the file's content.
        where: its name, for errors.
        issuers: the identifier systems of the mapping.

    Raises:
        InputError: the header or lines are wrong; names numbers and columns, never contents.
    """
    delimiter, positions = _header(text, where)
    faults: list[str] = []
    found: list[Association] = []
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    line = 1
    try:
        next(reader)
        for cells in reader:
            line, before = reader.line_num, line
            if not any(cell.strip() for cell in cells):
                continue
            try:
                found.append(_line(cells, positions, issuers))
            except Unusable as fault:
                faults.append(f"line {before + 1}: {fault}")
    except csv.Error:
        faults.append(f"line {reader.line_num}: a quote is not closed or stands in the wrong place")
    refuse(faults, where, "lines")
    return found


def _header(text: str, where: str) -> tuple[str, dict[str, int]]:
    """The delimiter and the position of each column; spreadsheets of some countries write `;` for `,`."""
    first = io.StringIO(text).readline().rstrip("\r\n")
    for delimiter in ",;\t":
        names = [name.strip().strip('"').strip().casefold() for name in first.split(delimiter)]
        if len(names) > 1:
            break
    missing = [name for name in COLUMNS if name not in names]
    twice = [name for name in (*COLUMNS, _SYSTEM) if names.count(name) > 1]
    if missing or twice:
        what = f"has no column {', '.join(missing)}" if missing else f"names the column {', '.join(twice)} twice"
        raise InputError(
            f"the header of the associations {what}",
            where=f"{where}, line 1",
            todo=f"Write the first line as {','.join(COLUMNS)}",
        )
    return delimiter, {name: names.index(name) for name in (*COLUMNS, _SYSTEM) if name in names}


def _line(cells: list[str], positions: dict[str, int], issuers: Issuers) -> Association:
    if len(cells) <= max(positions.values()):
        raise Unusable(f"it has {len(cells)} cells and needs {max(positions.values()) + 1}")
    device, patient, start, end = (cells[positions[name]].strip() for name in ("device", "patient", "from", "to"))
    for name, cell in (("device", device), ("patient", patient), ("from", start)):
        if not cell:
            raise Unusable(f"{name} is empty")
    system = ""
    if _SYSTEM in positions:
        known = issuers.patients
        system = chosen([by_system(patient, cells[positions[_SYSTEM]].strip(), known)], known, "patient")[1]
    first = epoch(start, "from")
    last = epoch(end, "to") if end else None
    if last is not None and last <= first:
        raise Unusable(f"to {NOT_AFTER.format('from')}")
    return Association(device, patient, first, last, issuers.system(system))
