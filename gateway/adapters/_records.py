"""From records to entries, for exports whose records are of declared kinds: lines of a listing, records of a capture.

A record is of the first kind it fits. What fits none is not guessed at: it is unreadable, and it closes the entry that
was open, since what follows may belong to the entry whose beginning was lost.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from gateway.errors import MappingError
from gateway.mapping.record import CAPTURE_TIME, Record
from gateway.model import Effect, Entry, Finding, LineKind, Severity
from gateway.patterns import Pattern

LONGEST_RECORD = 4_000
"""Characters; no regular expression of a mapping is let loose on a longer record."""

_SHOWN = 40
_DIGITS = re.compile(r"\d{6}")
_BLANK = re.compile(r"\s")
_DECIMAL = re.compile(r"[0-9][.,]|[.,][0-9]", re.ASCII)


class Fit(NamedTuple):
    """What a record is.

    Attributes:
        record: the kind it fits.
        cells: column -> verbatim text; a group that took no part is left out.
    """

    record: Record
    cells: dict[str, str]


class RecordKinds:
    """The kinds of record of a mapping, ready for use.

    Args:
        records: the kinds, in the order in which they are tried.

    Attributes:
        fields: names of the columns an entry can have, in the order of the mapping, and `CAPTURE_TIME`.
    """

    def __init__(self, records: Sequence[Record]) -> None:
        self._kinds = [_Kind(record) for record in records]
        names = [name for kind in self._kinds if kind.record.use not in ("event", "ignore") for name in kind.columns]
        self.fields: tuple[str, ...] = tuple(dict.fromkeys([*names, CAPTURE_TIME]))

    def must_give(self, needed: Collection[str], what: str, table: str) -> None:
        """Make sure that the columns a mapping uses can come from these records.

        Args:
            needed: names of the columns.
            what: what the records are called, for the error.
            table: the table of the mapping in which they stand.

        Raises:
            MappingError: no record gives one of them.
        """
        for name in needed:
            if name not in self.fields:
                raise MappingError(
                    f"no {what} gives the column '{name}'",
                    where=f"key {table}.records",
                    todo="Name it as a group, field or width of a record, or correct the name",
                )

    def fit(self, text: str) -> Fit | str:
        """The kind a record is of and its cells, or what is wrong with it in words without anything of its text.

        Args:
            text: the record without its end; form feeds around it are passed over, and blanks at its end where a
                pattern has no place for them.
        """
        text = text.strip("\f")
        if len(text) > LONGEST_RECORD:
            return f"it has more than {LONGEST_RECORD:,} characters"
        for kind in self._kinds:
            cells = kind.cells(text)
            if cells is not None:
                return cells if isinstance(cells, str) else Fit(kind.record, cells)
        return "no kind of record in the mapping fits it"

    def begins_entry(self, text: str) -> bool:
        """Whether a record begins an entry."""
        fit = self.fit(text)
        return not isinstance(fit, str) and fit.record.use == "entry"


class _Kind:
    """One kind of record: says whether a text is of this kind, and cuts it."""

    def __init__(self, record: Record) -> None:
        self.record = record
        self._pattern = Pattern(record.pattern) if record.pattern else None
        self._match = Pattern(record.match)
        if self._pattern is not None:
            self.columns = self._pattern.names
        else:
            self.columns = tuple(filter(None, record.fields)) or tuple(record.widths)

    def cells(self, text: str) -> dict[str, str] | str | None:
        """The cells of a text of this kind, None when it is of another, or what is wrong with it."""
        if self._pattern is not None:
            whole = self._pattern.cells(text)
            if whole is None and (trimmed := text.rstrip()) != text:
                whole = self._pattern.cells(trimmed)
            return None if whole is None else {name: cell for name, cell in whole.items() if cell is not None}
        end = self._match.begins(text)
        if end < 0:
            return None
        record = self.record
        if not record.fields:
            return self._cut(text, end)
        parts = text.split(record.delimiter)
        if any(map(str.strip, parts[len(record.fields) :])):
            # One separator too many shifts the fields: a pulse would be read as a saturation.
            return f"it has {len(parts)} fields, and the mapping names {len(record.fields)}"
        return {name: part for name, part in zip(record.fields, parts, strict=False) if name}

    def _cut(self, text: str, mark: int) -> dict[str, str] | str:
        """The cells between columns of characters, or where a text runs over an edge: 38 would be read for 38.9.

        Columns may follow each other without a gap. There only a number that goes on at its decimal mark is seen.

        Args:
            text: the record.
            mark: how many characters at its beginning say what kind of record it is, and are no value.
        """
        widths = self.record.widths
        begun = {first for first, _ in widths.values()}
        ended = {last for _, last in widths.values()}
        for name, (first, last) in widths.items():
            for left, gap in ((last, last + 1 not in begun), (first - 1, first - 1 not in ended and first - 1 > mark)):
                around = text[left - 1 : left + 1] if left > 0 else ""
                if len(around) == 2 and not _BLANK.search(around) and (gap or _DECIMAL.fullmatch(around)):
                    return f"a text runs over the edge of '{name}' between its characters {left} and {left + 1}"
        return {name: text[first - 1 : last] for name, (first, last) in widths.items()}


class RecordReader:
    """Gathers records, given one by one in the order of the export, into entries.

    Args:
        kinds: the kinds of record.
        export: position of the export in the batch, for findings.
        context: header columns in force before the first record; empty at the start of an export.

    Attributes:
        entries: the entries so far, without the open one; cells in the order of `kinds.fields`.
        lines: sizes of the records by kind, without those of the open entry.
        findings: what was noticed.
        context: header columns in force.
        lost: how many entries and single records could not be read.
    """

    def __init__(self, kinds: RecordKinds, export: int, context: Mapping[str, str] | None = None) -> None:
        self.entries: list[Entry] = []
        self.lines: Counter[LineKind] = Counter()
        self.findings: list[Finding] = []
        self.context = dict(context or {})
        self.lost = 0
        self._kinds = kinds
        self._export = export
        self._open: _Open | None = None

    def add(self, text: str, place: int, *, size: int = 1, offset: int = -1, captured: str = "") -> None:
        """Take the next record.

        Args:
            text: the record without its end.
            place: number of the line or record in the export, from 1.
            size: what it counts for in `lines`: 1 line, or its bytes.
            offset: where it begins in the export, in bytes from 0; -1 when not known.
            captured: the host's time at which it began to arrive (ISO 8601), where known.
        """
        fit = self._kinds.fit(text)
        if isinstance(fit, str):
            self.unreadable(size)
            self._note("record-not-declared", f"The record cannot be read: {fit}", place, offset)
            return
        use = fit.record.use
        if use == "ignore":
            self.lines[LineKind.FOOTER] += size
        elif use == "event":
            self.lines[LineKind.EVENT] += size
            message = fit.record.meaning or _shown(text)
            self._note("monitor-event", f"The monitor says: {message}", place, offset, Severity.INFORMATION)
        elif use == "header":
            self._close()
            self.lines[LineKind.HEADER] += size
            headed = any(name != CAPTURE_TIME for name in self.context)
            if not headed or not fit.cells.keys().isdisjoint(self.context):
                self.context = {CAPTURE_TIME: captured}
            self.context |= fit.cells
        elif use == "entry":
            self._close()
            self.context = self.context or {CAPTURE_TIME: captured}
            self._open = _Open(place, size)
            self._fill(fit.cells, place, offset)
        elif self._open is None:
            self.unreadable(size)
            self._note("record-out-of-place", "A part of an entry stands here without its beginning", place, offset)
        else:
            self._open.part_size += size
            self._fill(fit.cells, place, offset)

    def unreadable(self, size: int = 1) -> None:
        """Take a record that cannot be read and has its finding already; it closes the open entry.

        Args:
            size: what it counts for in `lines`.
        """
        self._close()
        self.lost += 1
        self.lines[LineKind.UNREADABLE] += size

    def finish(self) -> None:
        """Close the last entry; nothing may be added after that."""
        self._close()

    def _fill(self, cells: Mapping[str, str], place: int, offset: int) -> None:
        entry = self._open
        assert entry is not None
        for name, text in cells.items():
            if not text.strip():
                continue
            if entry.cells.setdefault(name, text) != text and not entry.refused:
                entry.refused = True
                message = "A column is given twice in one entry, with different texts; nothing of the entry is used"
                self._note("field-repeated", message, place, offset, column=name)

    def _close(self) -> None:
        entry, self._open = self._open, None
        if entry is None:
            return
        if entry.refused:
            self.lost += 1
            self.lines[LineKind.UNREADABLE] += entry.size + entry.part_size
            return
        self.lines[LineKind.ENTRY] += entry.size
        if entry.part_size:
            self.lines[LineKind.CONTINUATION] += entry.part_size
        cells = self.context | entry.cells
        self.entries.append((entry.place, [cells.get(name, "") for name in self._kinds.fields]))

    def _note(
        self, rule: str, message: str, place: int, offset: int, severity: Severity = Severity.ERROR, column: str = ""
    ) -> None:
        effect = Effect.HOLD if severity is Severity.ERROR else Effect.NOTE
        self.findings.append(
            Finding(rule, severity, effect, message, export=self._export, line=place, offset=offset, column=column)
        )


@dataclass(slots=True)
class _Open:
    """The entry being gathered: where it begins, the sizes of its records, its cells; `refused` when it is spoilt."""

    place: int
    size: int
    part_size: int = 0
    cells: dict[str, str] = field(default_factory=dict)
    refused: bool = False


def _shown(text: str) -> str:
    """A text of the monitor for a message; not when it could hold an identifier."""
    text = " ".join(text.split())
    if len(text) <= _SHOWN and text.isprintable() and not _DIGITS.search(text):
        return f'"{text}"'
    return f"a text of {len(text)} characters"
