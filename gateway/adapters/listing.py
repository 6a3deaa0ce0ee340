"""Listings: the text of a printed or dumped list, with lines of declared kinds.

A listing has header lines (monitor, time of printing, mode), entries of one line or more, and lines about the monitor
itself. Page breaks are form feeds, which are passed over, or lines that the mapping declares as of no interest.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Collection, Iterator
from contextlib import closing
from operator import itemgetter
from typing import BinaryIO, ClassVar, Literal

from gateway.adapters._capture import open_capture
from gateway.adapters._lines import Lines, codec_name
from gateway.adapters._records import RecordKinds, RecordReader
from gateway.errors import InputError, MappingError
from gateway.mapping.model import Mapping
from gateway.model import Block, Effect, Finding, LineKind, Parsed, Severity

_WITHIN = 1000
"""Lines; when none of so many is of a declared kind, the export is not what the mapping describes."""


class Listing:
    """Adapter for listings.

    Args:
        mapping: how the export is laid out.
        needed: names of all columns the mapping uses.

    Attributes:
        piece: bytes to read at a time; changes nothing but memory and speed.
        block: characters in a block, at most, as long as an entry begins within them.
        entry_limit: characters by which a block may grow in search of the next entry; then it is cut anyway.

    Raises:
        MappingError: the encoding cannot be used, or no kind of line gives a column the mapping uses.
    """

    form: ClassVar[str] = "listing"
    counts: ClassVar[Literal["lines", "bytes"]] = "lines"

    def __init__(self, mapping: Mapping, needed: Collection[str]) -> None:
        layout = mapping.listing
        if layout is None:
            raise MappingError("the table [listing] is missing", where="key listing", todo="Add it")
        self.piece = 1 << 20
        self.block = 1 << 19
        self.entry_limit = 4 << 20
        self._codec = codec_name(layout.encoding, "listing")
        self._kinds = RecordKinds(layout.records)
        self._kinds.must_give(needed, "line of the listing", "listing")

    def blocks(self, stream: BinaryIO, export: int) -> Iterator[Block]:
        """Cut an export into blocks; see `gateway.adapters.base.Adapter.blocks`.

        The last block of an export without any text has the finding `export-empty`; that of an export without an
        entry has `export-header-only`.

        Raises:
            InputError: reading fails, or no line among the first is of a declared kind.
        """
        payload, chunks = open_capture(stream)
        with closing(payload):
            yield from self._blocks(payload, chunks, export)

    def _blocks(self, payload: BinaryIO, chunks: list[tuple[int, str]], export: int) -> Iterator[Block]:
        clock = _Clock(payload, chunks)
        lines = Lines(clock, self._codec, export, self.piece)  # type: ignore[arg-type]
        context: dict[str, str] = {}
        number, blank, without = 1, True, True
        while True:
            block = Block(export, number, self._kinds.fields, "", 1, context=context)
            end = self._cut(lines)
            block.first_line = lines.first_line
            block.text, block.damaged, block.findings = lines.take(end)
            block.captured = clock.marks(block.first_line, lines.first_line)
            if number == 1:
                self._check(block)
            ended = not lines.text and not lines.more()
            if not ended or without:
                reader = self._read(block)
                context = reader.context
                blank = blank and not block.text.strip()
                without = without and not reader.entries and not reader.lines[LineKind.UNREADABLE]
            if ended and without:
                block.findings.append(_without_entries(export, blank))
            yield block
            if ended:
                return
            number += 1

    def _cut(self, lines: Lines) -> int:
        """Where the next block ends in `lines.text`: at its end, or where an entry begins."""
        while len(lines.text) <= self.block and lines.more():
            pass
        text = lines.text
        if len(text) <= self.block:
            return len(text)
        number = lines.first_line + text.count("\n", 0, self.block)
        start = text.rfind("\n", 0, self.block) + 1
        at, line = start, number
        while at:
            if line not in lines.damaged and self._kinds.begins_entry(text[at : text.find("\n", at) % len(text) + 1]):
                return at
            at, line = text.rfind("\n", 0, at - 1) + 1, line - 1
        at, line = start, number
        while at < self.block + self.entry_limit:
            end = lines.text.find("\n", at) + 1
            if not end or (end == len(lines.text) and not lines.more()):
                return len(lines.text)
            at, line = end, line + 1
            following = lines.text[at : lines.text.find("\n", at) % len(lines.text) + 1]
            if line not in lines.damaged and self._kinds.begins_entry(following):
                return at
        return at

    def _check(self, block: Block) -> None:
        """Refuse an export of which no line among the first is of a declared kind."""
        texts = [text for text in _split(block.text)[:_WITHIN] if text.strip()]
        if not texts or not all(isinstance(self._kinds.fit(text), str) for text in texts):
            return
        todo = "Give the mapping made for this kind of export, or correct the records in [listing]"
        if block.damaged:
            todo += f". Line {min(block.damaged)} cannot be decoded or holds NUL bytes: check listing.encoding too"
        lines = "the only line is not" if len(texts) == 1 else f"none of the first {len(texts)} lines is"
        raise InputError(f"{lines} of a kind that this mapping declares", todo=todo)

    def columns_now(self, block: Block) -> tuple[str, ...] | None:
        """See `gateway.adapters.base.Adapter.columns_now`."""
        return self._kinds.fields

    def parse(self, block: Block) -> Parsed:
        """Read a block into entries; see `gateway.adapters.base.Adapter.parse`."""
        reader = self._read(block)
        return Parsed(reader.entries, +reader.lines, reader.findings, reader.lost)

    def _read(self, block: Block) -> RecordReader:
        reader = RecordReader(self._kinds, block.export, block.context)
        marks = [line for line, _ in block.captured]
        blank = 0
        for line, text in enumerate(_split(block.text), block.first_line):
            if line in block.damaged:
                reader.unreadable()
            elif not text.strip():
                blank += 1
            else:
                at = bisect_right(marks, line) - 1
                reader.add(text, line, captured=block.captured[at][1] if at >= 0 else "")
        reader.finish()
        reader.lines[LineKind.BLANK] += blank
        return reader

    @staticmethod
    def example() -> tuple[dict[str, object], bytes]:
        """A small invented export and its mapping; see `gateway.adapters.base.Adapter.example`."""
        mapping: dict[str, object] = {
            "title": "Example",
            "version": "1",
            "form": "listing",
            "namespace": "https://example.org/spot-checks",
            "listing": {
                "records": [
                    {"use": "header", "pattern": r"PRINTED (?P<printed>\d{4}-\d\d-\d\d \d\d:\d\d)"},
                    {"use": "entry", "pattern": r"#\d+ +(?P<patient>\d+) +A(?P<age>\d+)"},
                    {"use": "part", "pattern": r" +PULSE +(?P<pulse>\S+)(?: +TEMP +(?P<temp>\S+))?"},
                    {"use": "event", "pattern": "BATTERY .*", "meaning": "battery"},
                    {"use": "ignore", "pattern": "PAGE [0-9]+"},
                ]
            },
            "time": {
                "columns": ["printed"],
                "formats": ["%Y-%m-%d %H:%M"],
                "age": {"column": "age", "anchor": "columns"},
                "zone": "Europe/Oslo",
                "past_days": "any",
            },
            "patient": {"column": "patient", "pattern": "any", "system": "https://example.org/patients"},
            "vitals": {
                "heart_rate": {"column": "pulse", "unit": "/min"},
                "temperature": {"column": "temp", "unit": "Cel"},
            },
        }
        export = (
            b"PRINTED 2026-03-14 11:05\n"
            b"\n"
            b"#1  0017   A0095\n"
            b"    PULSE  72   TEMP 36.9\n"
            b"\fPAGE 2\n"
            b"#2  0018   A0084\n"
            b"    PULSE  80\n"
            b"BATTERY LOW\n"
        )
        return mapping, export


ADAPTER = Listing


class _Clock:
    """Passes a payload on and notes in which line each chunk of the capture begins.

    Args:
        stream: the payload.
        chunks: where each chunk begins in the payload, in bytes, and the host's time; by place.
    """

    def __init__(self, stream: BinaryIO, chunks: Collection[tuple[int, str]]) -> None:
        self._stream = stream
        self._chunks = iter(chunks)
        self._next = next(self._chunks, None)
        self._at = 0
        self._ends = 0
        self._last = b"\n"
        self._marks: list[tuple[int, str]] = []

    def read(self, size: int) -> bytes:
        """Read at most `size` bytes."""
        # A plain read gathers until it has `size` bytes, and loses them when it fails before that.
        data: bytes = getattr(self._stream, "read1", self._stream.read)(size)
        start = self._at
        while data and self._next is not None and self._next[0] < start + len(data):
            offset, time = self._next
            self._count(data[self._at - start : offset - start])
            # A line that was under way when the chunk came had begun in an earlier one.
            self._marks.append((self._ends + (1 if self._last in (b"\r", b"\n") else 2), time))
            self._next = next(self._chunks, None)
        self._count(data[self._at - start :])
        return data

    def _count(self, data: bytes) -> None:
        if data:
            self._ends += data.count(b"\n") + data.count(b"\r") - data.count(b"\r\n")
            self._ends -= self._last == b"\r" and data[:1] == b"\n"
            self._last = data[-1:]
            self._at += len(data)

    def marks(self, first: int, last: int) -> tuple[tuple[int, str], ...]:
        """The chunks in which the lines from `first` to before `last` begin; called for lines in rising order."""
        del self._marks[: max(bisect_right(self._marks, first, key=itemgetter(0)) - 1, 0)]
        return tuple(mark for mark in self._marks if mark[0] < last)


def _split(text: str) -> list[str]:
    texts = text.split("\n")
    if not texts[-1]:
        texts.pop()
    return texts


def _without_entries(export: int, blank: bool) -> Finding:
    rule, message = (
        ("export-empty", "The export holds no text") if blank else ("export-header-only", "The export holds no entry")
    )
    return Finding(rule, Severity.WARNING, Effect.NOTE, message, export=export)
