"""Framed captures: what a serial port received, frame by frame, with records of declared kinds inside the frames.

Every byte is accounted for: in an entry, a header, an event, a record of no interest, the framing (starts, ends, frame
numbers, checksums, control bytes, line ends, frames sent again), or as unreadable.
"""

from __future__ import annotations

import codecs
import re
from bisect import bisect_right
from collections import Counter
from collections.abc import Collection, Iterator
from contextlib import closing
from operator import attrgetter
from typing import BinaryIO, ClassVar, Literal

from gateway.adapters._capture import open_capture
from gateway.adapters._frames import MANY_FINDINGS, Frames, RawRecord
from gateway.adapters._records import RecordKinds, RecordReader
from gateway.errors import InputError, MappingError
from gateway.mapping.model import Mapping
from gateway.model import Block, Effect, Finding, LineKind, Parsed, Severity

_WITHIN = 1 << 20
"""Bytes; when no record in so many is of a declared kind, the export is not what the mapping describes."""

_GAP = "-"
_ESCAPE = re.compile(r"\\(.)")
_NOT_FOR_RECORDS = {
    "hz", "idna", "punycode", "raw-unicode-escape", "undefined", "unicode-escape", "utf-7", "utf-16", "utf-32",
}  # fmt: skip


class Framed:
    r"""Adapter for framed captures.

    A block's text has one line for each record: its byte offset, its size in bytes and its text, with a blank between
    them and "\" and LF escaped; a line "-" stands for a gap, over which no entry goes on. Entries have the number of
    their first record in the capture as line; findings have the byte offset as well.

    Args:
        mapping: how the capture is framed.
        needed: names of all columns the mapping uses.

    Attributes:
        piece: bytes to read at a time; changes nothing but memory and speed.
        block: bytes of records in a block, at least; the block ends where the next entry begins, or at a gap.
        entry_limit: bytes by which a block may grow in search of the next entry; then it is cut anyway.

    Raises:
        MappingError: the encoding or the framing cannot be used, or no record gives a column the mapping uses.
    """

    form: ClassVar[str] = "framed"
    counts: ClassVar[Literal["lines", "bytes"]] = "bytes"

    def __init__(self, mapping: Mapping, needed: Collection[str]) -> None:
        layout = mapping.framed
        if layout is None:
            raise MappingError("the table [framed] is missing", where="key framed", todo="Add it")
        self.piece = 1 << 20
        self.block = 1 << 19
        self.entry_limit = 4 << 20
        self._layout = layout
        self._codec = _codec_name(layout.encoding)
        start = bytes.fromhex(layout.start)
        if any(start in bytes.fromhex(mark) for mark in (*layout.end, *layout.continues, *layout.control)):
            raise MappingError(
                f"the start {layout.start} stands in an end or a control byte as well",
                where="key framed.start",
                todo="Name the bytes that begin a frame and nothing else",
            )
        self._kinds = RecordKinds(layout.records)
        self._kinds.must_give(needed, "record of the capture", "framed")

    # -- cutting into blocks

    def blocks(self, stream: BinaryIO, export: int) -> Iterator[Block]:
        """Cut a capture into blocks; see `gateway.adapters.base.Adapter.blocks`.

        The last block of a capture without any record has the finding `export-empty`; that of a capture without an
        entry has `export-header-only`.

        Raises:
            InputError: reading fails, or no record among the first is of a declared kind.
        """
        payload, chunks = open_capture(stream)
        with closing(payload):
            yield from self._blocks(payload, chunks, export)

    def _blocks(self, payload: BinaryIO, chunks: list[tuple[int, str]], export: int) -> Iterator[Block]:
        starts = [offset for offset, _ in chunks]
        frames = Frames(self._layout, payload, export, self.piece)
        # Follows the headers, so that each block knows those in force where it begins.
        headers = RecordReader(self._kinds, export)
        draft = _Draft(Block(export, 1, self._kinds.fields, "", 1))
        number = 0
        known, without = False, True
        for record in frames.records():
            text = self._text(record)
            known = known or (text is not None and not isinstance(self._kinds.fit(text), str))
            if not known and frames.offset > _WITHIN:
                raise self._not_this(frames, number + (record is not None))
            enough = draft.size >= self.block or len(draft.block.findings) + len(frames.findings) >= MANY_FINDINGS
            if enough and (
                record is None
                or (text is not None and self._kinds.begins_entry(text))
                or draft.size >= self.block + self.entry_limit
            ):
                yield draft.whole(frames)
                block = draft.block
                draft = _Draft(
                    Block(export, block.number + 1, block.fields, "", number + 1, context=dict(headers.context))
                )
            if record is None:
                draft.gap()
                headers.unreadable(0)
                continue
            number += 1
            chunk = bisect_right(starts, record.offset) - 1
            captured = chunks[chunk][1] if chunk >= 0 else ""
            draft.add(number, record, text, captured)
            if text is None:
                draft.block.findings.append(self._undecoded(record, number, export))
                headers.unreadable(len(record.data))
            else:
                headers.add(text, number, size=len(record.data), captured=captured)
            without = without and not headers.entries
            headers.entries.clear()
            headers.findings.clear()
        headers.finish()
        without = without and not headers.entries
        block = draft.whole(frames)
        if not known and (number or block.lines[LineKind.UNREADABLE]):
            raise self._not_this(frames, number)
        if not number:
            block.findings.append(_without_entries(export, "export-empty", "The capture holds no record"))
        elif without and not headers.lost:
            block.findings.append(_without_entries(export, "export-header-only", "The capture holds no entry"))
        yield block

    def _text(self, record: RawRecord | None) -> str | None:
        """The text of a record; None when it cannot be decoded or holds NUL, and for a gap."""
        if record is None:
            return None
        try:
            text = record.data.decode(self._codec)
        except UnicodeDecodeError:
            return None
        return text if "\0" not in text else None

    def _undecoded(self, record: RawRecord, number: int, export: int) -> Finding:
        try:
            text = record.data.decode(self._codec)
        except UnicodeDecodeError as error:
            at = record.offset + error.start
            rule, message = "line-undecodable", f"Bytes at offset {at} are not {self._codec}"
        else:
            at = record.offset + len(text[: text.index("\0")].encode(self._codec))
            rule, message = "line-has-nul", "A NUL byte stands inside the record"
        return Finding(rule, Severity.ERROR, Effect.HOLD, message, export=export, line=number, offset=at)

    def _not_this(self, frames: Frames, records: int) -> InputError:
        """The error for an export of which nothing was read."""
        layout = self._layout
        if records:
            what = "no record of the capture is" if records > 1 else "the only record of the capture is not"
            return InputError(
                f"{what} of a kind that this mapping declares",
                todo="Give the mapping made for this kind of export, or correct the records in [framed]",
            )
        if not frames.starts:
            what, key = f"no frame begins in it: there is no {layout.start} (hexadecimal)", "start"
        elif frames.wrong:
            what, key = f"none of its {frames.wrong} frames has the right checksum ({layout.checksum})", "checksum"
        else:
            what, key = "no frame in it is whole and holds a record", "end"
        return InputError(
            f"this is no capture as the mapping describes: {what}",
            todo=f"Give the mapping made for this kind of export, or correct framed.{key}; or capture the list again",
        )

    # -- entries

    def columns_now(self, block: Block) -> tuple[str, ...] | None:
        """See `gateway.adapters.base.Adapter.columns_now`."""
        return self._kinds.fields

    def parse(self, block: Block) -> Parsed:
        """Read a block into entries; see `gateway.adapters.base.Adapter.parse`."""
        reader = RecordReader(self._kinds, block.export, block.context)
        marks = [number for number, _ in block.captured]
        number = block.first_line
        for line in block.text.split("\n")[:-1]:
            if line == _GAP:
                reader.unreadable(0)
                continue
            offset, size, text = line.split(" ", 2)
            if number in block.damaged:
                reader.unreadable(int(size))
            else:
                at = bisect_right(marks, number) - 1
                captured = block.captured[at][1] if at >= 0 else ""
                reader.add(_unescaped(text), number, size=int(size), offset=int(offset), captured=captured)
            number += 1
        reader.finish()
        return Parsed(reader.entries, +reader.lines, reader.findings, reader.lost)

    @staticmethod
    def example() -> tuple[dict[str, object], bytes]:
        """A small invented export and its mapping; see `gateway.adapters.base.Adapter.example`."""
        mapping: dict[str, object] = {
            "title": "Example",
            "version": "1",
            "form": "framed",
            "namespace": "https://example.org/spot-checks",
            "framed": {
                "continues": ["17"],
                "checksum": "sum-mod-256",
                "after": "0D0A",
                "frame_numbers": True,
                "control": ["05", "04", "06", "15"],
                "records": [
                    {"use": "header", "match": "H", "fields": ["", "monitor", "sent"]},
                    {"use": "entry", "match": "R", "fields": ["", "patient", "taken", "pulse"]},
                    {"use": "part", "match": "T", "fields": ["", "temp"]},
                    {"use": "event", "match": "M", "fields": ["", ""], "meaning": "battery low"},
                    {"use": "ignore", "pattern": "L"},
                ],
            },
            "time": {"columns": ["taken"], "formats": ["%Y-%m-%d %H:%M"], "zone": "Europe/Oslo", "past_days": "any"},
            "patient": {"column": "patient", "pattern": "any", "system": "https://example.org/patients"},
            "vitals": {
                "heart_rate": {"column": "pulse", "unit": "/min"},
                "temperature": {"column": "temp", "unit": "Cel"},
            },
        }
        texts = (
            b"1H|MON-3|2026-03-14 10:02\r\x03",
            b"2R|0017|2026-03-14 09:30|72\rT|3\x17",
            b"36.9\r\x03",
            b"4R|0018|2026-03-14 09:41|80\r\x03",
            b"5M|2\rL\r\x03",
        )
        frames = [b"\x02%b%02X\r\n" % (text, sum(text) % 256) for text in texts]
        return mapping, b"\x05" + b"\x06".join(frames) + b"\x04"


ADAPTER = Framed


class _Draft:
    """A block in the making.

    Args:
        block: with its place and context.
    """

    def __init__(self, block: Block) -> None:
        self.block = block
        self.size = 0
        self._texts: list[str] = []
        self._damaged: list[int] = []
        self._captured: list[tuple[int, str]] = []

    def add(self, number: int, record: RawRecord, text: str | None, captured: str) -> None:
        """Add a record; `text` is None when it must not be read."""
        if text is None:
            self._damaged.append(number)
        if captured and (not self._captured or self._captured[-1][1] != captured):
            self._captured.append((number, captured))
        self.size += len(record.data)
        self._texts.append(f"{record.offset} {len(record.data)} {_escaped(text or '')}\n")

    def gap(self) -> None:
        """Add a gap."""
        self._texts.append(f"{_GAP}\n")

    def whole(self, frames: Frames) -> Block:
        """The block, with what the frames have been accounted for since the one before."""
        block = self.block
        block.text = "".join(self._texts)
        block.damaged = frozenset(self._damaged)
        block.captured = tuple(self._captured)
        block.lines = +frames.lines
        block.findings = sorted([*frames.findings, *block.findings], key=attrgetter("offset"))
        frames.lines = Counter()
        frames.findings = []
        return block


def _escaped(text: str) -> str:
    return text.replace("\\", r"\\").replace("\n", r"\n") if "\\" in text or "\n" in text else text


def _unescaped(text: str) -> str:
    return _ESCAPE.sub(lambda match: "\n" if match[1] == "n" else "\\", text) if "\\" in text else text


def _codec_name(encoding: str) -> str:
    try:
        name = codecs.lookup(encoding).name.replace("_", "-")
        "0".encode(name)
    except (LookupError, UnicodeError, ValueError):
        name = ""
    if not name or name in _NOT_FOR_RECORDS or name.startswith("iso2022"):
        raise MappingError(
            f"records in '{encoding}' cannot be decoded one by one" if name else f"'{encoding}' is not a text encoding",
            where="key framed.encoding",
            todo="Name the encoding of the records, such as 'latin-1', 'ascii' or 'utf-8'",
        )
    return name


def _without_entries(export: int, rule: str, message: str) -> Finding:
    return Finding(rule, Severity.WARNING, Effect.NOTE, message, export=export)
