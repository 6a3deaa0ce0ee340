"""Capture files: the bytes of a serial line with the host's time of each chunk, written so that a crash spares them.

JSON Lines in UTF-8. The first line says what the file is, which port was read and how it was set; then one line for
each chunk: when its first byte came, and its bytes in base64; at the end when and why the capture ended. A line is
forced to the disk before the next one begins, so a crash costs no more than the chunk that was being gathered.
"""

from __future__ import annotations

import binascii
import json
import os
import tempfile
from base64 import b64decode, b64encode
from collections.abc import Mapping
from contextlib import suppress
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Any, BinaryIO, Literal, cast

from gateway import files
from gateway.adapters._peeked import put_back
from gateway.errors import InputError, OutputError

KIND = "spot-check serial capture"
FORMAT = f"{KIND} 1"
Why = Literal["stopped", "port lost", "size", "time", "quiet"]

_FIRST = 1 << 16
"""The longest first line, in bytes; what is longer is no capture file."""

_LINE = 1 << 22
"""The longest line of a chunk, in bytes; what is longer is damaged."""

_IN_MEMORY = 1 << 23
"""Payload of this many bytes stays in memory; more goes to a temporary file."""


def open_capture(stream: BinaryIO) -> tuple[BinaryIO, list[tuple[int, str]]]:
    """The bytes that came over the line, and when.

    A last line without its end, as a crash leaves it, is left out. Any other line that cannot be understood stands in
    the payload as it is: there it is found as noise, at its place, and what is around it is not joined across a gap.

    Args:
        stream: anything whose `read(n)` returns at most n bytes, and none at the end; it need not be seekable.

    Returns:
        The payload from its first byte, and (byte offset in the payload, host time in ISO 8601 with offset) for each
        chunk, in order. A stream that is no capture file comes back with all its bytes and an empty list.

    Raises:
        InputError: the file is a capture of a later format.
    """
    begun = b""
    while len(begun) < _FIRST and b"\n" not in begun and begun[:1] in (b"", b"{"):
        data = stream.read(_FIRST - len(begun))
        if not data:
            break
        begun += data
    whole = put_back(begun, stream)
    head = _object(begun.partition(b"\n")[0]) if begun[:1] == b"{" else None
    kind = head.get("capture") if head is not None else None
    if not isinstance(kind, str) or not kind.startswith(KIND):
        return whole, []
    if kind != FORMAT:
        raise InputError(
            "this capture has a format that is not known",
            where="line 1",
            todo=f"Use the version of the gateway that wrote it; this one reads '{FORMAT}'",
        )
    chunks: list[tuple[int, str]] = []
    # Not closed here: it is what the caller reads.
    payload = tempfile.SpooledTemporaryFile(_IN_MEMORY)  # noqa: SIM115
    while line := whole.readline(_LINE):
        at, data = _chunk(line)
        if at:
            chunks.append((payload.tell(), at))
        payload.write(data)
    payload.seek(0)
    return cast(BinaryIO, payload), chunks


class CaptureWriter:
    """Writes a capture file as the bytes come; every line is on the disk before the call returns.

    A file is never overwritten. When the disk is full, what was written before stays readable.

    Args:
        path: the file; it must not exist.
        port: name of the port, for the record.
        settings: how the line was set, for the record.
        started: when listening began, with a zone.

    Raises:
        OutputError: the file exists or cannot be written.
    """

    def __init__(self, path: str | os.PathLike[str], port: str, settings: Mapping[str, object], started: datetime):
        self.path = Path(path)
        self.size = 0
        """Bytes of whole lines in the file."""
        refuse_existing(self.path)
        try:
            self._file = self.path.open("xb", buffering=0)
        except OSError as error:
            raise self._failed(error) from error
        try:
            self._line({"capture": FORMAT, "port": port, "started": _iso(started), "settings": dict(settings)})
            with suppress(OSError):  # the name may not be on the disk yet; its lines are
                files.sync(self.path.parent)
        except OutputError:
            self.abandon()
            self.path.unlink(missing_ok=True)
            raise

    def chunk(self, at: datetime, data: bytes) -> None:
        """Add bytes that came together.

        Args:
            at: when the first of them came, with a zone.
            data: the bytes; no bytes, no line.

        Raises:
            OutputError: the file cannot be written; the lines before are whole.
        """
        if data:
            self._line({"at": _iso(at), "bytes": b64encode(data).decode("ascii")})

    def close(self, at: datetime, why: Why) -> None:
        """Write when and why the capture ended, and close the file.

        Raises:
            OutputError: the file cannot be written; the lines before are whole.
        """
        if not self._file.closed:
            self._line({"ended": _iso(at), "why": why})
            self.abandon()

    def abandon(self) -> None:
        """Close the file as it is."""
        with suppress(OSError):  # every line has been forced to the disk already
            self._file.close()

    def __enter__(self) -> CaptureWriter:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.abandon()

    def _line(self, content: Mapping[str, object]) -> None:
        line = json.dumps(content, ensure_ascii=True, separators=(", ", ": ")).encode("ascii") + b"\n"
        number = self._file.fileno()
        try:
            rest = memoryview(line)
            while rest:
                rest = rest[os.write(number, rest) :]
            os.fsync(number)
        except OSError as error:
            with suppress(OSError):  # half a line at the end does no harm
                os.ftruncate(number, self.size)
            self.abandon()
            raise self._failed(error) from error
        self.size += len(line)

    def _failed(self, error: OSError) -> OutputError:
        kept = "What was captured before is in the file; free" if self.size else "Free"
        todo = f"{kept} space or choose another place with --out"
        return files.failed(error, "the capture", where=self.path, todo=todo)


def refuse_existing(path: Path) -> None:
    """Refuse to capture into something that is there already.

    Raises:
        OutputError: there is a file, folder or link of that name.
    """
    if path.exists() or path.is_symlink():
        raise OutputError(
            "there is something of that name already, and a capture overwrites nothing",
            where=str(path),
            todo="Choose another name with --out",
        )


def _object(line: bytes) -> dict[str, Any] | None:
    try:
        found = json.loads(line)
    except (ValueError, RecursionError):
        return None
    return found if isinstance(found, dict) else None


def _chunk(line: bytes) -> tuple[str, bytes]:
    """Host time and bytes of one line; ("", bytes) for a line that is no chunk."""
    found = _object(line)
    match found:
        case {"at": str(at), "bytes": str(text)} if _is_time(at):
            with suppress(binascii.Error, ValueError):
                return at, b64decode(text, validate=True)
        case {"ended": str()} | {"capture": str()}:
            return "", b""
    whole = line.endswith(b"\n") or found is not None or len(line) >= _LINE
    return "", line if whole and line.strip() else b""


def _is_time(text: str) -> bool:
    try:
        return datetime.fromisoformat(text).tzinfo is not None
    except ValueError:
        return False


def _iso(moment: datetime) -> str:
    return moment.isoformat(timespec="microseconds")
