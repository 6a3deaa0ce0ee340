"""From the bytes of a serial line to whole records, in constant memory and independent of how the bytes arrive.

A frame is: start, text, end, checksum. Its text may begin with its length, or be stuffed: no byte of it looks like a
mark then. Nothing inside a frame is trusted before its checksum is right, and no frame reaches over the start of the
next one (but for one with a length, whose text may hold any byte), so damage never spills into the frame behind it.

Unless the mapping says otherwise, the checksum covers everything after the start up to and including the end, as in
CLSI LIS1 and ASTM E1381 (from memory), and is written in hexadecimal digits, the most significant first, in upper or
lower case.
"""

from __future__ import annotations

import re
from binascii import crc_hqx
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from functools import reduce
from operator import xor
from typing import BinaryIO, NamedTuple, TypeAlias

from gateway.errors import InputError
from gateway.mapping.forms.framed import Framed
from gateway.model import Effect, Finding, LineKind, Severity

LONGEST_FRAME = 1 << 16
"""Bytes; a start without an end within reach begins no frame. Frames of LIS1 have 247 bytes at most (from memory)."""

LONGEST_RECORD = 100_000
"""Bytes, over all its frames."""

MANY_FINDINGS = 5_000
"""After so many a pause is made, so that they can be passed on."""

_ENQ, _EOT, _NAK = b"\x05", b"\x04", b"\x15"
_LINE_ENDS = b"\r\n"


def _modbus_table() -> tuple[int, ...]:
    table = []
    for value in range(256):
        for _ in range(8):
            value = value >> 1 ^ (0xA001 if value & 1 else 0)
        table.append(value)
    return tuple(table)


_MODBUS = _modbus_table()


def _crc_modbus(data: bytes) -> int:
    """CRC-16/MODBUS: polynomial 0x8005 from the low bit, initial value 0xFFFF."""
    value = 0xFFFF
    for byte in data:
        value = value >> 8 ^ _MODBUS[(value ^ byte) & 0xFF]
    return value


class Checksum(NamedTuple):
    """How a checksum is computed, and in how many hexadecimal digits it is written."""

    digits: int
    compute: Callable[[bytes], int]


CHECKSUMS: Mapping[str, Checksum] = {
    "none": Checksum(0, lambda _: 0),
    "sum-mod-256": Checksum(2, lambda data: sum(data) % 256),
    "sum-mod-256-complement": Checksum(2, lambda data: -sum(data) % 256),
    "xor": Checksum(2, lambda data: reduce(xor, data, 0)),
    # The variant with initial value 0xFFFF (CRC-16/CCITT-FALSE, also IBM-3740), not the one of Kermit or XModem.
    "crc-16-ccitt": Checksum(4, lambda data: crc_hqx(data, 0xFFFF)),
    "crc-16-modbus": Checksum(4, _crc_modbus),
}
"""By the name in the mapping; check values are in tests/standards/test_checksums_published.py."""


class RawRecord(NamedTuple):
    """The bytes of one record, without its end, joined over its frames.

    Attributes:
        offset: of its first byte, from 0.
        data: its bytes; never empty, and no line end at either side.
    """

    offset: int
    data: bytes


class Ending(NamedTuple):
    """Where the text of a frame ends: position of the bytes that end it, of what is behind them, and the bytes."""

    first: int
    behind: int
    mark: bytes


Gap: TypeAlias = None
"""Stands between two records when something between them is missing or could not be read."""


class Frames:
    """The frames of a capture, and the records in them.

    Args:
        layout: how the capture is framed.
        stream: the bytes of the line.
        export: position of the export in the batch, for findings.
        piece: bytes to ask for at a time; changes nothing but memory and speed.

    Attributes:
        lines: bytes accounted for here, as FRAMING or UNREADABLE; the bytes of the records are for their reader.
        findings: what was noticed; their offsets count bytes from 0.
        offset: bytes gone through.
        starts: frames begun.
        wrong: frames with a wrong checksum.
    """

    def __init__(self, layout: Framed, stream: BinaryIO, export: int, piece: int) -> None:
        self.lines: Counter[LineKind] = Counter()
        self.findings: list[Finding] = []
        self.offset = 0
        self.starts = 0
        self.wrong = 0
        # One read of what is below at a time, so that a failure has its place.
        self._read: Callable[[int], bytes] = getattr(stream, "read1", stream.read)
        self._export = export
        self._piece = max(piece, 1)
        self._data = b""
        self._at = 0
        self._ended = False
        self._start = bytes.fromhex(layout.start)
        self._continues = {bytes.fromhex(text) for text in layout.continues}
        self._after = bytes.fromhex(layout.after)
        self._record_end = bytes.fromhex(layout.record_end)
        self._numbered = layout.frame_numbers
        self._length_size = layout.length.size if layout.length is not None else 0
        digits, self._compute = CHECKSUMS[layout.checksum]
        self._written = layout.checksum_written
        self._covers = layout.checksum_covers
        self._checksum = digits if self._written == "digits" else digits // 2
        ends = [*map(bytes.fromhex, layout.end), *self._continues]
        control = [bytes.fromhex(text) for text in layout.control]
        self._end = _any_of(ends)
        self._length = layout.length
        self._stuffing = layout.stuffing
        if layout.stuffing is not None:
            escape = bytes.fromhex(layout.stuffing.escape)
            self._escape, self._turned = escape, int(layout.stuffing.xor, 16)
            marks = b"(?P<end>" + self._end.pattern + b")|(?P<start>" + re.escape(self._start) + b")|"
            self._scan = re.compile(marks + re.escape(escape) + b".", re.DOTALL)
            self._pair = re.compile(re.escape(escape) + b"(.)", re.DOTALL)
        self._begin = _any_of([self._start])
        self._quiet = _any_of([*control, b"\r", b"\n"])
        self._between = _any_of([self._start, *control, b"\r", b"\n"])
        self._longest_mark = max(map(len, [self._start, *control]))
        ending = max(map(len, ends), default=0) + self._checksum + len(self._after)
        self._window = LONGEST_FRAME + len(self._start) + 1 + self._length_size + ending
        # A record whose beginning may be missing is passed on only where every kind of record says how it begins.
        self._telling = all(record.pattern or record.match for record in layout.records)
        # The noise or the endless frame that is being gone through: rule, offset, bytes.
        self._stretch: tuple[str, int, int] | None = None
        self._gap = False
        self._forget()

    def _forget(self) -> None:
        """Begin a transfer: nothing is known of a frame before."""
        self._number: int | None = None
        self._last = b""
        self._tail = b""
        self._tail_offset = 0
        self._open = False
        self._spoiled = False
        self._lost = False
        self._lost_open = False
        self._refused = False
        self._bad: tuple[bytes, Finding] | None = None

    # -- bytes

    def _have(self, wanted: int) -> None:
        """Make sure that so many bytes are there, unless the capture ends before."""
        if self._ended or len(self._data) - self._at >= wanted:
            return
        parts = [self._data[self._at :]]
        have = len(parts[0])
        self._at = 0
        while have < wanted:
            try:
                part = self._read(self._piece)
            except OSError as error:
                raise InputError(
                    f"reading failed after byte {self.offset + have} ({error.strerror or error})",
                    todo="Check the file and its disk or connection, and convert it again",
                ) from error
            if not part:
                self._ended = True
                break
            parts.append(part)
            have += len(part)
        self._data = b"".join(parts)

    def _take(self, size: int, kind: LineKind | None) -> None:
        """Go on by so many bytes, and account for them unless somebody else does."""
        self._at += size
        self.offset += size
        if kind is not None and size:
            self.lines[kind] += size

    def _note(self, rule: str, message: str, offset: int, severity: Severity = Severity.ERROR) -> None:
        effect = Effect.HOLD if severity is Severity.ERROR else Effect.NOTE
        self.findings.append(Finding(rule, severity, effect, message, export=self._export, offset=offset))

    # -- between frames

    def records(self) -> Iterator[RawRecord | Gap]:
        """The records of all readable frames, in order, and the gaps between them.

        Raises:
            InputError: reading fails.
        """
        while True:
            self._have(self._window)
            if self._at == len(self._data):
                break
            if self._data.startswith(self._start, self._at):
                self._close_stretch()
                self.starts += 1
                yield from self._frame()
            elif self._stretch is not None and self._stretch[0] == "frame-unended":
                self._skip(self._begin)
            elif match := self._quiet.match(self._data, self._at):
                self._take(len(match[0]), LineKind.FRAMING)
                self._control(match[0])
            else:
                self._skip(self._between)
            if len(self.findings) >= MANY_FINDINGS:
                self._gap = False
                yield None
        self._close_stretch()
        self._break("The capture ends before the frame in which this record goes on")
        if self._gap or self._lost:
            yield None

    def _control(self, mark: bytes) -> None:
        if mark in (_ENQ, _EOT):
            self._close_stretch()
            self._break("The transfer ends before the frame in which this record goes on")
            self._gap = self._gap or self._lost
            self._forget()
        elif mark == _NAK:
            self._refused = True

    def _skip(self, until: re.Pattern[bytes]) -> None:
        """Go over bytes that belong to no frame, up to a mark or as far as can be seen."""
        match = until.search(self._data, self._at + 1)
        if match:
            end = match.start()
        else:
            # A mark may begin in the last bytes seen and end in the next.
            end = len(self._data) if self._ended else max(len(self._data) - self._longest_mark + 1, self._at + 1)
        rule, offset, size = self._stretch or ("frame-noise", self.offset, 0)
        self._stretch = rule, offset, size + end - self._at
        self._take(end - self._at, LineKind.UNREADABLE)

    def _close_stretch(self) -> None:
        """Tell of the noise or the endless frame that was gone through."""
        if self._stretch is None:
            return
        rule, offset, size = self._stretch
        self._stretch = None
        self._lost = True
        self._refused = False
        many = f"{size:,} bytes" if size > 1 else "1 byte"
        if rule == "frame-noise":
            self._note(rule, f"{many} between frames belong to none of them", offset)
        else:
            self._note(rule, f"A frame begins and does not end; {many} were not read", offset)

    # -- frames

    def _frame(self) -> Iterator[RawRecord | Gap]:
        """Read the frame that begins here, or leave out what cannot be a frame."""
        data, begin, origin = self._data, self._at, self.offset
        text_at = begin + len(self._start)
        ending = self._ending(text_at)
        if ending is None:
            # The start itself belongs to what is left out; `_skip` goes on to the next start.
            self._stretch = "frame-unended", origin, 1
            self._take(1, LineKind.UNREADABLE)
            return
        frame_end, problem = self._checked(text_at, ending)
        if problem:
            rule, message = problem
            self.wrong += rule == "frame-checksum"
            self._note(rule, message, origin)
            self._bad = data[text_at : text_at + 1], self.findings[-1]
            # A wrong length says nothing about where the next frame begins.
            self._take(1 if self._length is not None else frame_end - begin, LineKind.UNREADABLE)
            self._lost = True
            self._lost_open |= ending.mark in self._continues
            self._refused = False
            self._trailer(origin)
            return
        frame = data[begin:frame_end]
        if self._repeats(frame):
            number = f" {self._number}" if self._number is not None else ""
            self._note("frame-repeated", f"Frame{number} was sent again and is read once", origin, Severity.INFORMATION)
            self._take(len(frame), LineKind.FRAMING)
            self._trailer(origin)
            return
        self._made_good(data[text_at : text_at + 1])
        self._follow(data[text_at : text_at + 1], origin)
        first = text_at + self._numbered + self._length_size
        text = self._plain(data[first : ending.first])
        text_offset = origin + first - begin
        self._take(len(frame), None)
        self.lines[LineKind.FRAMING] += len(frame) - len(text)
        self._lost = self._lost_open = self._refused = False
        self._trailer(origin)
        self._last = frame
        yield from self._join(text, text_offset, last=ending.mark not in self._continues)

    def _ending(self, text_at: int) -> Ending | None:
        """Where the frame ends whose text begins here; None where it does not, before the next one begins."""
        data = self._data
        if self._length is not None:
            return self._by_length(text_at)
        limit = min(text_at + LONGEST_FRAME, len(data))
        if self._stuffing is not None:
            for found in self._scan.finditer(data, text_at, limit):
                if found["end"] is not None:
                    return Ending(found.start(), found.end(), found[0])
                if found["start"] is not None:
                    return None
            return None
        following = data.find(self._start, text_at - len(self._start) + 1, limit)
        limit = following if following >= 0 else limit
        match = self._end.search(data, text_at, limit) if text_at <= limit else None
        return None if match is None else Ending(match.start(), match.end(), match[0])

    def _by_length(self, text_at: int) -> Ending | None:
        """Where a frame ends by the length that stands at its beginning; None where no frame can be so long."""
        assert self._length is not None
        data, size = self._data, self._length_size
        stated = data[text_at + self._numbered : text_at + self._numbered + size]
        if self._length.written in ("decimal", "hexadecimal"):
            allowed = _DIGITS if self._length.written == "decimal" else _HEXADECIMAL
            if len(stated) < size or not allowed.issuperset(stated):
                return None
            length = int(stated, 10 if self._length.written == "decimal" else 16)
        else:
            length = int.from_bytes(stated, "little" if self._length.written == "bytes-low-first" else "big")
        first = text_at + self._numbered + size + length
        if length > LONGEST_FRAME or first > len(data):
            return None
        if not self._end.pattern:
            return Ending(first, first, b"")
        match = self._end.match(data, first)
        return None if match is None else Ending(first, match.end(), match[0])

    def _plain(self, text: bytes) -> bytes:
        """The text without what was put in so that no byte of it looks like a mark."""
        if self._stuffing is None or self._escape not in text:
            return text
        return self._pair.sub(lambda pair: bytes([pair[1][0] ^ self._turned]), text)

    def _made_good(self, number: bytes) -> None:
        """The frame with a wrong checksum just before is here again, whole: then nothing was lost by it."""
        bad, self._bad = self._bad, None
        if bad is None or not (self._numbered or self._refused) or (self._numbered and bad[0] != number):
            return
        found = bad[1]
        # A finding that went with an earlier block stays as it was told, and so does one behind which more was left
        # out: what only looked like a frame always leaves something behind.
        if self.findings and self.findings[-1] is found:
            message = f"{found.message}; it was sent again and read then"
            self.findings[-1] = replace(found, severity=Severity.WARNING, effect=Effect.NOTE, message=message)

    def _checked(self, text_at: int, ending: Ending) -> tuple[int, tuple[str, str] | None]:
        """Where the frame ends, checksum included, and what is wrong with it: rule and message."""
        frame_end = ending.behind + self._checksum
        written = self._data[ending.behind : frame_end]
        if len(written) < self._checksum or (self._written == "digits" and not _HEXADECIMAL.issuperset(written)):
            # What stands there may be the next frame already.
            return ending.behind, ("frame-checksum", "The frame has no whole checksum behind its end")
        if self._checksum:
            expected = self._compute(self._covered(text_at, ending))
            given = self._given(written)
            if given != expected:
                digits = 2 * self._checksum if self._written != "digits" else self._checksum
                message = f"The checksum of the frame is {given:0{digits}X}, its bytes give {expected:0{digits}X}"
                return frame_end, ("frame-checksum", message)
        if self._numbered and self._data[text_at : text_at + 1] not in _NUMBERS:
            return frame_end, ("frame-noise", "What looks like a frame does not begin with a frame number")
        if self._after and not self._ends_at(frame_end):
            # A damaged byte can look like an end, and two digits behind it like its checksum.
            return frame_end, (
                "frame-unended",
                "Behind what looks like the end of a frame the declared bytes are missing",
            )
        return frame_end, None

    def _covered(self, text_at: int, ending: Ending) -> bytes:
        """What the checksum is of: of stuffed bytes, what they were before."""
        start = self._start if self._covers == "start-to-end" else b""
        end = ending.mark if self._covers != "text" else b""
        return start + self._plain(self._data[text_at : ending.first]) + end

    def _given(self, written: bytes) -> int:
        """The checksum as it is written."""
        if self._written == "digits":
            return int(written, 16)
        return int.from_bytes(written, "little" if self._written == "bytes-low-first" else "big")

    def _ends_at(self, place: int) -> bool:
        """Whether a frame can have ended here: with the declared bytes.

        A frame whose checksum is right may lack them, where nothing else stands there than what begins between frames.
        """
        data = self._data
        if data.startswith(self._after, place):
            return True
        begins = place == len(data) or data.startswith(self._start, place) or self._quiet.match(data, place) is not None
        return begins and bool(self._checksum)

    def _trailer(self, origin: int) -> None:
        """Go over the bytes declared behind a frame that began at `origin`."""
        if not self._after:
            return
        if self._data.startswith(self._after, self._at):
            self._take(len(self._after), LineKind.FRAMING)
        elif not self._lost:
            message = "The bytes declared behind a frame are missing; its checksum is right, and it was read"
            self._note("frame-tail-missing", message, origin, Severity.WARNING)

    def _repeats(self, frame: bytes) -> bool:
        """Whether this is the frame before once more.

        Without numbers equal frames may be equal readings, so only a refusal (NAK) between them tells.
        """
        return frame == self._last and (self._numbered or self._refused)

    def _follow(self, number: bytes, origin: int) -> None:
        """Compare a frame's number with the one before; a record with a hole in it is not passed on."""
        missing = self._lost and not self._refused
        if self._numbered:
            now, before, self._number = int(number), self._number, int(number)
            missing = now > 1 if before is None else now != (before + 1) % 8
            if missing:
                what = (
                    f"The first frame has the number {now}; frames before it are missing"
                    if before is None
                    else f"Frame {now} follows frame {before}; frames between them are missing or could not be read"
                )
                self._note("frame-out-of-order", what, origin, Severity.WARNING)
        if not missing:
            return
        self._gap = True
        if self._open:
            self._break("A frame in the middle of this record is missing or could not be read")
            self._spoiled = True
        elif self._continues and (self._lost_open or not self._telling):
            self._spoiled = True

    # -- records

    def _join(self, text: bytes, offset: int, *, last: bool) -> Iterator[RawRecord | Gap]:
        """Cut the text of a frame, and what is open from the frames before, into records."""
        before, before_offset = self._tail, self._tail_offset
        data = before + text
        end = self._record_end
        parts = data.split(end) if end else [data]
        position = 0
        for at, part in enumerate(parts):
            inside = position < len(before)
            part_offset = before_offset + position if inside else offset + position - len(before)
            position += len(part) + len(end)
            if at == len(parts) - 1 and not last:
                self._tail, self._tail_offset = part, part_offset
                self._open = True
                if len(part) > LONGEST_RECORD:
                    self._break(f"The record has more than {LONGEST_RECORD:,} bytes", "line-too-long")
                    self._open = self._spoiled = True
                return
            if at < len(parts) - 1:
                self.lines[LineKind.FRAMING] += len(end)
            yield from self._record(part, part_offset)
        self._tail = b""
        self._open = self._spoiled = False

    def _record(self, part: bytes, offset: int) -> Iterator[RawRecord | Gap]:
        bare = part.strip(_LINE_ENDS)
        left = len(part) - len(part.lstrip(_LINE_ENDS)) if bare else 0
        if len(part) > len(bare):
            self.lines[LineKind.FRAMING] += len(part) - len(bare)
        spoiled, self._spoiled = self._spoiled, False
        if not bare:
            return
        if spoiled:
            self._note("frame-unended", "The beginning of this record is missing; it was not read", offset + left)
            self.lines[LineKind.UNREADABLE] += len(bare)
            self._gap = True
        elif len(bare) > LONGEST_RECORD:
            self._note("line-too-long", f"The record has more than {LONGEST_RECORD:,} bytes", offset + left)
            self.lines[LineKind.UNREADABLE] += len(bare)
            self._gap = True
        else:
            if self._gap:
                self._gap = False
                yield None
            yield RawRecord(offset + left, bare)

    def _break(self, message: str, rule: str = "frame-unended") -> None:
        """Give up the open record."""
        if self._tail:
            self._note(rule, message, self._tail_offset)
            self.lines[LineKind.UNREADABLE] += len(self._tail)
            self._gap = True
        self._tail = b""
        self._open = False


_DIGITS = frozenset(b"0123456789")
_HEXADECIMAL = frozenset(b"0123456789ABCDEFabcdef")
_NUMBERS = frozenset(str(number).encode() for number in range(8))


def _any_of(marks: list[bytes]) -> re.Pattern[bytes]:
    """Matches any of the marks; the longest first, where one begins with another."""
    return re.compile(b"|".join(map(re.escape, sorted(set(marks), key=len, reverse=True))))
