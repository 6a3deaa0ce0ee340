"""Who was on which device from when to when: associations, read once and asked for every set.

The file is CSV in UTF-8 with the header `device,patient,from,to,established,by`. `from` and `to` are ISO 8601 with an
offset; an interval holds its `from` and not its `to`; an empty `to` is an association that has not ended. The word
in `established` (scan, typed, fixed place) and the person in `by` are kept by whoever keeps the file.
"""

from __future__ import annotations

import csv
import hashlib
import io
import re
from bisect import bisect_right
from collections import defaultdict
from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import NamedTuple

from gateway.errors import InputError

COLUMNS = ("device", "patient", "from", "to", "established", "by")
LISTED = 20
"""Faulty lines that an error names; it counts them all."""

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND = timedelta(microseconds=1)
_SECOND = 1_000_000
_TIME = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}[T ][0-9]{2}:[0-9]{2}(:[0-9]{2}([.,][0-9]{1,6})?)?")
_OFFSET = re.compile(r"Z|[+-][0-9]{2}:[0-9]{2}")


class Association(NamedTuple):
    """One line: `start` and `end` in microseconds since 1970-01-01T00:00:00Z; `end` None while it lasts."""

    device: str
    patient: str
    start: int
    end: int | None


class Found(NamedTuple):
    """The patient of a moment; "" with the slug of the rule that says why there is none, and a message for it."""

    patient: str
    rule: str = ""
    message: str = ""


_NONE = Found("", "association-none", "Nobody is associated with the device at that time")
_SEVERAL = Found("", "association-several", "More than one patient is associated with the device at that time")
_EDGE = Found("", "association-edge", "The device changed hands within the precision of the time")


class Associations:
    """Finds the one patient who was on a device.

    Args:
        intervals: the associations, in any order. Intervals of one patient that overlap or touch are one stay: nobody
            is in doubt there.
        path: where they came from.
        sha256: hash of the file they came from, in lower-case hex digits.
    """

    def __init__(self, intervals: Iterable[Association], *, path: str = "", sha256: str = "") -> None:
        self.path = path
        self.sha256 = sha256
        self.count = 0
        by_device: dict[str, list[Association]] = defaultdict(list)
        for interval in intervals:
            by_device[interval.device].append(interval)
            self.count += 1
        self._devices = {device: _stretches(held) for device, held in by_device.items()}

    def __len__(self) -> int:
        return self.count

    def find(self, device: str, epoch: int, width: int) -> Found:
        """Find who was on a device during a moment.

        Args:
            device: the device's identifier, trimmed.
            epoch: start of the moment, seconds since 1970-01-01T00:00:00Z.
            width: how long the moment may be, by the precision of its text: 1, 60 or 86400 seconds.

        Returns:
            The patient, when one and no other was on the device for the whole of the moment; else the rule:
            `association-none`, `association-several`, or `association-edge` when a change falls inside the moment.
        """
        stretches = self._devices.get(device)
        if stretches is None:
            return _NONE
        edges, answers = stretches
        start = epoch * _SECOND
        at = bisect_right(edges, start)
        if at < len(edges) and edges[at] < start + max(width, 1) * _SECOND:
            return _EDGE
        return answers[at]


def load_associations(path: Path | str) -> Associations:
    """Read a file of associations.

    Args:
        path: the CSV file.

    Returns:
        The associations, ready to be asked.

    Raises:
        InputError: the file cannot be read, or lines of it are wrong; names their numbers and columns, never
            their contents.
    """
    where = str(path)
    try:
        data = Path(path).read_bytes()
    except FileNotFoundError:
        raise InputError("there is no such file of associations", where=where, todo="Check the path") from None
    except IsADirectoryError:
        raise InputError("this is a folder", where=where, todo="Name the file of associations in it") from None
    except PermissionError:
        raise InputError("reading it is not allowed", where=where, todo="Give this account read access") from None
    except (OSError, ValueError):
        raise InputError("the file of associations cannot be read", where=where, todo="Check the path") from None
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise InputError(
            "the file of associations is not in UTF-8", where=f"{where}, line {line}", todo="Save it as UTF-8"
        ) from None
    return Associations(_lines(text, where), path=where, sha256=hashlib.sha256(data).hexdigest())


def _stretches(held: list[Association]) -> tuple[list[int], list[Found]]:
    """Cut a device's time at every change: `answers[i]` holds from `edges[i - 1]` until `edges[i]`."""
    changes: dict[int, list[tuple[str, int]]] = defaultdict(list)
    for interval in held:
        changes[interval.start].append((interval.patient, 1))
        if interval.end is not None:
            changes[interval.end].append((interval.patient, -1))
    edges: list[int] = []
    answers = [_NONE]
    present: dict[str, int] = {}
    for at in sorted(changes):
        for patient, change in changes[at]:
            present[patient] = present.get(patient, 0) + change
            if not present[patient]:
                del present[patient]
        answer = _NONE if not present else _SEVERAL if len(present) > 1 else Found(next(iter(present)))
        if answer != answers[-1]:
            edges.append(at)
            answers.append(answer)
    return edges, answers


def _lines(text: str, where: str) -> list[Association]:
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
            fault, association = _line(cells, positions)
            if association is not None:
                found.append(association)
            else:
                faults.append(f"line {before + 1}: {fault}")
    except csv.Error:
        faults.append(f"line {reader.line_num}: a quote is not closed or stands in the wrong place")
    if faults:
        count = f"{len(faults)} lines" if len(faults) > 1 else "1 line"
        rest = f"; and {len(faults) - LISTED} more" if len(faults) > LISTED else ""
        raise InputError(
            f"{count} of the associations cannot be used: {'; '.join(faults[:LISTED])}{rest}",
            where=where,
            todo="Mend the file; nothing is converted on half of the associations",
        )
    return found


def _header(text: str, where: str) -> tuple[str, dict[str, int]]:
    """The delimiter and the position of each column; spreadsheets of some countries write `;` for `,`."""
    first = io.StringIO(text).readline().rstrip("\r\n")
    for delimiter in ",;\t":
        names = [name.strip().strip('"').strip().casefold() for name in first.split(delimiter)]
        if len(names) > 1:
            break
    missing = [name for name in COLUMNS if name not in names]
    twice = [name for name in COLUMNS if names.count(name) > 1]
    if missing or twice:
        what = f"has no column {', '.join(missing)}" if missing else f"names the column {', '.join(twice)} twice"
        raise InputError(
            f"the header of the associations {what}",
            where=f"{where}, line 1",
            todo=f"Write the first line as {','.join(COLUMNS)}",
        )
    return delimiter, {name: names.index(name) for name in COLUMNS}


def _line(cells: list[str], positions: dict[str, int]) -> tuple[str, Association | None]:
    """Read one line; the text says what is wrong with it and holds nothing of its contents."""
    if len(cells) <= max(positions.values()):
        return f"it has {len(cells)} cells and needs {max(positions.values()) + 1}", None
    device, patient, start, end = (cells[positions[name]].strip() for name in ("device", "patient", "from", "to"))
    for name, cell in (("device", device), ("patient", patient), ("from", start)):
        if not cell:
            return f"{name} is empty", None
    fault, first = _epoch(start)
    if fault:
        return f"from {fault}", None
    if not end:
        return "", Association(device, patient, first, None)
    fault, last = _epoch(end)
    if fault:
        return f"to {fault}", None
    if last <= first:
        return "to is not after from; a single set needs at least its minute, such as 09:30 to 09:31", None
    return "", Association(device, patient, first, last)


def _epoch(text: str) -> tuple[str, int]:
    """Microseconds since 1970-01-01T00:00:00Z, after a text that says what is wrong, if anything."""
    found = _TIME.match(text)
    if found is None:
        return "is not a time such as 2026-03-14T09:30:00-05:00", 0
    offset = text[found.end() :]
    if not offset:
        return "has no offset from UTC, such as -05:00 or Z", 0
    if not _OFFSET.fullmatch(offset):
        return "is not a time such as 2026-03-14T09:30:00-05:00", 0
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        return "is a time that does not exist", 0
    return "", (moment - _EPOCH) // _MICROSECOND
