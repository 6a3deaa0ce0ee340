"""Associations from CSV in UTF-8 with the header `device,patient,from,to,established,by`.

`from` and `to` are ISO 8601 with an offset; an interval holds its `from` and not its `to`; an empty `to` is an
association that has not ended. The word in `established` (scan, typed, fixed place) and the person in `by` are kept by
whoever keeps the file. A column `system` may hold the URI of the patient's identifier system.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence

from gateway.errors import InputError
from gateway.identity.associations import Association
from gateway.identity.reading import NOT_AFTER, Issuers, Unusable, by_system, chosen, epoch, refuse

COLUMNS = ("device", "patient", "from", "to", "established", "by")
_SYSTEM = "system"


class FORM:
    """CSV."""

    name = "CSV"
    endings = (".csv", ".tsv", ".txt")
    begins = ()
    holds = "lines as above; a tab or `;` may stand between the cells"

    @staticmethod
    def read(text: str, where: str, issuers: Issuers) -> list[Association]:
        """Read the lines below the header."""
        faults: list[str] = []
        found: list[Association] = []
        for line, cells in rows(text, where, COLUMNS, (_SYSTEM,), "associations", faults):
            try:
                found.append(_line(cells, issuers))
            except Unusable as fault:
                faults.append(f"line {line}: {fault}")
        refuse(faults, where, "lines")
        return found

    @staticmethod
    def example() -> str:
        """A header and one line."""
        line = "W2-A,INVENTED-7,2026-03-14T09:30:00-05:00,2026-03-14T10:00:00-05:00,scan,S11"
        return f"{','.join(COLUMNS)}\n{line}\n"


def rows(
    text: str, where: str, columns: Sequence[str], optional: Sequence[str], of: str, faults: list[str]
) -> Iterator[tuple[int, dict[str, str]]]:
    """The lines of a CSV file with a header: number and cells by column, blanks around them taken off.

    Args:
        text: the file's content.
        where: its name, for errors.
        columns: the columns there must be.
        optional: those there may be.
        of: what the file lists, for errors.
        faults: what is wrong with lines is added here.

    Raises:
        InputError: the header is wrong.
    """
    delimiter, positions = _header(text, where, columns, optional, of)
    needed = max(positions.values()) + 1
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    line = 1
    try:
        next(reader)
        for cells in reader:
            line, before = reader.line_num, line
            if not any(cell.strip() for cell in cells):
                continue
            if len(cells) < needed:
                faults.append(f"line {before + 1}: it has {len(cells)} cells and needs {needed}")
                continue
            yield before + 1, {name: cells[position].strip() for name, position in positions.items()}
    except csv.Error:
        faults.append(f"line {reader.line_num}: a quote is not closed or stands in the wrong place")


def _header(
    text: str, where: str, columns: Sequence[str], optional: Sequence[str], of: str
) -> tuple[str, dict[str, int]]:
    """The delimiter and the position of each column; spreadsheets of some countries write `;` for `,`."""
    first = io.StringIO(text).readline().rstrip("\r\n")
    for delimiter in ",;\t":
        names = [name.strip().strip('"').strip().casefold() for name in first.split(delimiter)]
        if len(names) > 1:
            break
    missing = [name for name in columns if name not in names]
    twice = [name for name in (*columns, *optional) if names.count(name) > 1]
    if missing or twice:
        what = f"has no column {', '.join(missing)}" if missing else f"names the column {', '.join(twice)} twice"
        raise InputError(
            f"the header of the {of} {what}",
            where=f"{where}, line 1",
            todo=f"Write the first line as {','.join(columns)}",
        )
    return delimiter, {name: names.index(name) for name in (*columns, *optional) if name in names}


def _line(cells: dict[str, str], issuers: Issuers) -> Association:
    device, patient, start, end = (cells[name] for name in ("device", "patient", "from", "to"))
    for name, cell in (("device", device), ("patient", patient), ("from", start)):
        if not cell:
            raise Unusable(f"{name} is empty")
    system = ""
    if _SYSTEM in cells:
        known = issuers.patients
        system = chosen([by_system(patient, cells[_SYSTEM], known)], known, "patient")[1]
    first = epoch(start, "from")
    last = epoch(end, "to") if end else None
    if last is not None and last <= first:
        raise Unusable(f"to {NOT_AFTER.format('from')}")
    return Association(device, patient, first, last, issuers.system(system))
