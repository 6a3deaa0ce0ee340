"""From bytes to whole lines of text, in constant memory and independent of how the bytes arrive.

A line ends with CR LF, LF or CR, whatever the encoding; the bytes of line ends are found before anything is decoded, so
damage in one line never spills into the next. Pieces without trouble are decoded whole; a piece with undecodable bytes,
NUL or an over-long line is gone through line by line.
"""

from __future__ import annotations

import codecs
import re
from typing import BinaryIO

from gateway.errors import InputError, MappingError
from gateway.model import Effect, Finding, Severity

LONGEST_LINE = 100_000
"""Characters; a longer line is not a row of readings."""

_WIDEST = 4
"""Bytes; no character needs more in any encoding accepted here."""

_PLACEHOLDER = "\ufffd"
_WITHOUT_LINES = {"hz", "idna", "punycode", "raw-unicode-escape", "undefined", "unicode-escape", "utf-7"}
_MARKS = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)
_MARKS_32 = ((codecs.BOM_UTF32_LE, "utf-32-le"), (codecs.BOM_UTF32_BE, "utf-32-be"))


def codec_name(encoding: str, table: str = "delimited") -> str:
    """The one name Python has for an encoding.

    Args:
        encoding: the name in the mapping.
        table: the table of the mapping in which it stands.

    Raises:
        MappingError: there is no such encoding, or lines cannot be found in it before it is decoded.
    """
    where = f"key {table}.encoding"
    todo = "Name the encoding of the export, such as 'utf-8', 'cp1252' or 'utf-16'"
    try:
        name = codecs.lookup(encoding).name.replace("_", "-")
        "0\r\n".encode(name)
    except (LookupError, UnicodeError, ValueError):
        raise MappingError(f"'{encoding}' is not a text encoding", where=where, todo=todo) from None
    if name in _WITHOUT_LINES or name.startswith("iso2022"):
        raise MappingError(f"exports in '{encoding}' cannot be read line by line", where=where, todo=todo)
    return "utf-8" if name == "utf-8-sig" else name


def without_mark(codec: str, where: str = "") -> InputError:
    """The error for an export that lacks the byte order mark which its encoding promises."""
    return InputError(
        f"the mapping says {codec}, but the export does not begin with a byte order mark",
        where=where,
        todo=f"Say which bytes come first: encoding = '{codec}-le' or '{codec}-be'",
    )


class Lines:
    """The lines of an export that have been read and not yet taken, as one text in which every line ends with LF.

    Only the last line of the export may lack it, when the export ends without a line end.

    Args:
        stream: the export.
        codec: a name from `codec_name`; a byte order mark in the export has the last word.
        export: position of the export in the batch, for findings.
        piece: bytes to ask for at a time.

    Attributes:
        text: the lines read and not yet taken.
        first_line: number of the first of them, from 1.
        ended: the export has been read to its end.
        damaged: numbers of the lines in `text` that must not be read as entries; each has its finding.
    """

    def __init__(self, stream: BinaryIO, codec: str, export: int, piece: int) -> None:
        self.text = ""
        self.first_line = 1
        self.ended = False
        self.damaged: set[int] = set()
        self._findings: list[Finding] = []
        self._padded: list[int] = []
        self._stream = stream
        self._declared = codec
        self._export = export
        self._piece = max(piece, 4)
        self._carry = b""
        self._offset = 0
        self._next_line = 1
        self._skipping = False
        self._skipped = False
        self._codec = ""

    def more(self) -> bool:
        """Read until there is at least one more line; False when there is none.

        Raises:
            InputError: reading fails, or the export has no byte order mark where the mapping promises one.
        """
        before = len(self.text)
        while not self.ended and len(self.text) == before:
            self._read()
        return len(self.text) > before

    def take(self, end: int) -> tuple[str, frozenset[int], list[Finding]]:
        """Take the lines up to a position in `text`.

        Args:
            end: just after a line end, or the end of the text.

        Returns:
            The lines, the numbers of the damaged ones among them, and the findings about them.
        """
        taken, self.text = self.text[:end], self.text[end:]
        self.first_line += taken.count("\n") + (not taken.endswith("\n") and bool(taken))
        limit = self.first_line
        damaged = frozenset(line for line in self.damaged if line < limit)
        self.damaged -= damaged
        findings = [finding for finding in self._findings if finding.line < limit]
        self._findings = self._findings[len(findings) :]
        padded = [line for line in self._padded if line < limit]
        self._padded = self._padded[len(padded) :]
        if padded:
            many = f"{len(padded)} lines have" if len(padded) > 1 else "A line has"
            message = f"{many} NUL bytes before or after the text; they were left out"
            findings.append(self._finding("nul-padding", message, padded[0], -1, Severity.INFORMATION, Effect.NOTE))
        return taken, damaged, findings

    def _read(self) -> None:
        data = self._carry + self._next_piece()
        if not self._codec:
            data = self._start(data)
        if self._skipping:
            data = self._skip(data)
        if self.ended:
            whole, self._carry = data, b""
        else:
            end = self._last_end(data)
            whole, self._carry = data[:end], data[end:]
        text = self._decode(whole)
        self._offset += len(whole)
        self._next_line += text.count("\n")
        self.text += text
        if not self._skipping and len(self._carry) > _WIDEST * (LONGEST_LINE + 1):
            self._skipping = self._skipped = True
            self._carry = self._forget(self._carry)

    def _next_piece(self) -> bytes:
        parts: list[bytes] = []
        wanted = self._piece
        while wanted:
            try:
                part = self._stream.read(wanted)
            except OSError as error:
                read = self._offset + len(self._carry) + sum(map(len, parts))
                raise InputError(
                    f"reading failed after byte {read} ({error.strerror or error})",
                    todo="Check the file and its disk or connection, and convert it again",
                ) from error
            if not part:
                self.ended = True
                break
            parts.append(part)
            wanted -= len(part)
        return b"".join(parts)

    def _start(self, data: bytes) -> bytes:
        """Settle the encoding by the first bytes; returns the data without the byte order mark."""
        marks = (*_MARKS_32, *_MARKS) if self._declared.startswith("utf-32") else _MARKS
        for mark, codec in marks:
            if data.startswith(mark):
                self._codec = codec
                self._offset = len(mark)
                data = data[len(mark) :]
                break
        else:
            if self._declared in ("utf-16", "utf-32") and data:
                raise without_mark(self._declared)
            self._codec = self._declared if self._declared not in ("utf-16", "utf-32") else "utf-8"
        self._lf = "\n".encode(self._codec)
        self._cr = "\r".encode(self._codec)
        self._width = len(self._lf)
        ends = b"|".join(map(re.escape, (self._cr + self._lf, self._cr, self._lf)))
        body = b"[^%b]*" % re.escape(self._cr + self._lf) if self._width == 1 else b"(?:.{%d})*?" % self._width
        self._line = re.compile(b"(%b)(?:%b)" % (body, ends), re.DOTALL)
        return data

    # -- line ends in bytes; every position is a whole number of units from the start of a line

    def _first_end(self, data: bytes) -> int:
        """Start of the first line end, or -1."""
        found = [at for at in (self._find(data, self._lf), self._find(data, self._cr)) if at >= 0]
        return min(found, default=-1)

    def _find(self, data: bytes, unit: bytes) -> int:
        at = data.find(unit)
        while at > 0 and at % self._width:
            at = data.find(unit, at + 1)
        return at

    def _last_end(self, data: bytes) -> int:
        """Position just after the last line end; 0 when there is none. A CR at the very end may still get its LF."""
        whole = len(data) - len(data) % self._width
        last = 0
        for unit, stop in ((self._lf, whole), (self._cr, len(data) - self._width)):
            at = data.rfind(unit, 0, max(stop, 0))
            while at > 0 and at % self._width:
                at = data.rfind(unit, 0, at + self._width - 1)
            if at >= 0:
                last = max(last, at + self._width)
        return last

    # -- over-long lines

    def _skip(self, data: bytes) -> bytes:
        """Leave out the rest of an over-long line; what is returned begins with its line end."""
        at = self._first_end(data)
        if at < 0 and not self.ended:
            return self._forget(data)
        at = len(data) if at < 0 else at
        self._offset += at
        self._skipping = False
        return data[at:]

    def _forget(self, data: bytes) -> bytes:
        """Drop all but the last unit, which may be the CR of a line end, and a part of the next one."""
        kept = max(len(data) - len(data) % self._width - self._width, 0)
        self._offset += kept
        return data[kept:]

    # -- decoding

    def _decode(self, data: bytes) -> str:
        if not data and not (self._skipped and self.ended):
            return ""
        if not self._skipped:
            try:
                text = data.decode(self._codec)
            except UnicodeDecodeError:
                return self._decode_lines(data)
            if "\r" in text:
                text = text.replace("\r\n", "\n").replace("\r", "\n")
            if "\0" not in text and not _has_long_line(text):
                return text
        return self._decode_lines(data)

    def _decode_lines(self, data: bytes) -> str:
        texts: list[str] = []
        position = 0
        while match := self._line.match(data, position):
            texts.append(self._decode_line(match[1], self._next_line + len(texts), position))
            position = match.end()
        if position < len(data) or not data:
            # An unterminated line must not vanish from the count when nothing of it is left.
            last = self._decode_line(data[position:], self._next_line + len(texts), position) or "\n"
            return "".join(f"{text}\n" for text in texts) + last
        return "".join(f"{text}\n" for text in texts)

    def _decode_line(self, raw: bytes, line: int, position: int) -> str:
        """The text of one line; notes what is wrong with it.

        Args:
            raw: its bytes, without the line end.
            line: its number.
            position: where it begins in the piece, in bytes.
        """
        offset = self._offset + position
        if self._skipped:
            self._skipped = False
            return self._too_long(line)
        wrong: UnicodeDecodeError | None = None
        try:
            text = raw.decode(self._codec)
        except UnicodeDecodeError as error:
            wrong = error
            text = raw.decode(self._codec, "replace")
        if len(text) > LONGEST_LINE:
            return self._too_long(line)
        bare = text.strip("\0")
        if wrong is not None:
            message = f"Bytes at offset {offset + wrong.start} are not {self._codec}"
            self._damage("line-undecodable", message, line, offset + wrong.start)
        elif "\0" in bare:
            at = len(text) - len(text.lstrip("\0")) + bare.index("\0")
            at = len(text[:at].encode(self._codec))
            self._damage("line-has-nul", "A NUL byte stands inside the line", line, offset + at)
        elif bare != text:
            self._padded.append(line)
        return bare

    def _too_long(self, line: int) -> str:
        self._damage("line-too-long", f"The line has more than {LONGEST_LINE:,} characters", line, -1)
        return _PLACEHOLDER

    def _damage(self, rule: str, message: str, line: int, offset: int) -> None:
        self.damaged.add(line)
        self._findings.append(self._finding(rule, message, line, offset, Severity.ERROR, Effect.HOLD))

    def _finding(self, rule: str, message: str, line: int, offset: int, severity: Severity, effect: Effect) -> Finding:
        return Finding(rule, severity, effect, message, export=self._export, line=line, offset=offset)


def _has_long_line(text: str) -> bool:
    position = 0
    while len(text) - position > LONGEST_LINE:
        newline = text.rfind("\n", position, position + LONGEST_LINE + 1)
        if newline < 0:
            return True
        position = newline + 1
    return False
