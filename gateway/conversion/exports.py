"""The exports of a batch: found, measured, hashed, cut into blocks."""

from __future__ import annotations

import codecs
import glob
import hashlib
import math
import shutil
import sys
from collections.abc import Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from time import monotonic
from typing import TYPE_CHECKING, BinaryIO, cast

from gateway.adapters import Adapter, adapter_for, counts
from gateway.adapters._capture import open_capture
from gateway.adapters._compressed import is_compressed, unpacked
from gateway.adapters._lines import codec_name, without_mark
from gateway.adapters._sheets import OLE, as_text, is_sheet
from gateway.errors import InputError, UsageError
from gateway.mapping import Mapping, columns
from gateway.model import (
    Block,
)

if TYPE_CHECKING:
    from hashlib import _Hash


@dataclass(frozen=True, slots=True)
class Export:
    """One export as it was found.

    Attributes:
        name: as it was given.
        path: where its bytes are.
        sha256: hash of its bytes.
        size: bytes.
        lines: lines (of framed exports: bytes), counted independently of any adapter.
        discarded: first lines of sets that a person has discarded.
        received: when an earlier run received it, in seconds since 1970-01-01T00:00:00Z; None: with this run.
    """

    name: str
    path: Path
    sha256: str
    size: int
    lines: int
    discarded: frozenset[int] = frozenset()
    received: int | None = None


def find_exports(names: Sequence[str | Path], mapping: Mapping, scratch: Path) -> list[Export]:
    """The files meant by the arguments, hashed and with their lines counted independently of any adapter."""
    if not names:
        raise UsageError("No export was named", todo="Name files, folders, patterns such as 'night/*.csv', or -")
    paths: list[tuple[str, Path]] = []
    for name in map(str, names):
        if name == "-":
            if sys.stdin is None:
                raise InputError("There is no standard input", where="-", todo="Name a file, or pipe the export in")
            paths.append(("standard input", _spooled(sys.stdin.buffer, scratch / f"{len(paths)}")))
        elif Path(name).is_dir():
            try:
                entries = sorted(Path(name).iterdir())
            except OSError as error:
                raise _unreadable(name, error) from error
            inside = [path for path in entries if path.is_file() and not path.name.startswith(".")]
            if not inside:
                raise InputError("The folder holds no files", where=name, todo="Name a folder that holds exports")
            paths += [(str(path), path) for path in inside]
        elif Path(name).is_fifo():
            # A pipe gives its bytes once, and an export is gone through twice.
            with Path(name).open("rb") as pipe:
                paths.append((name, _spooled(pipe, scratch / f"{len(paths)}")))
        elif Path(name).is_file():
            paths.append((name, Path(name)))
        elif Path(name).exists():
            raise InputError("This is no file, folder or pipe", where=name, todo="Name the file of the export")
        elif glob.has_magic(name):
            found = sorted(path for path in glob.glob(name, recursive=True) if Path(path).is_file())
            if not found:
                raise InputError("No file fits the pattern", where=name, todo="Check the pattern, and quote it")
            paths += [(path, Path(path)) for path in found]
        else:
            raise InputError("There is no such file or folder", where=name, todo="Check the name of the export")
    return [_measure(name, path, mapping) for name, path in paths]


def _spooled(stream: BinaryIO, path: Path) -> Path:
    """A copy of what comes once, so that it can be read twice."""
    with path.open("wb") as file:
        shutil.copyfileobj(stream, file)
    return path


def _measure(name: str, path: Path, mapping: Mapping) -> Export:
    digest = hashlib.sha256()
    counter = LineCounter(mapping.encoding)
    size = 0
    try:
        with path.open("rb") as file:
            begun = b""
            while data := file.read(1 << 20):
                begun = begun or data[: len(OLE)]
                digest.update(data)
                if not is_compressed(begun) and not is_sheet(begun):
                    counter.feed(data)
                size += len(data)
        units = counter.total()
        if mapping.form != "delimited" or is_compressed(begun) or is_sheet(begun):
            with path.open("rb") as file:
                units = _units_of_payload(_opened(file, mapping), mapping)
    except InputError as error:
        raise _named(error, name) from error
    except OSError as error:
        raise _unreadable(name, error) from error
    except UnicodeError:  # other bytes than those of the encoding are counted all the same
        raise without_mark(codec_name(mapping.encoding, mapping.form), name) from None
    return Export(name, path, digest.hexdigest(), size, units)


def _opened(file: BinaryIO, mapping: Mapping) -> BinaryIO:
    """The bytes that an adapter reads: unpacked, and the rows of a spreadsheet as text."""
    return as_text(unpacked(file), mapping.delimited if mapping.form == "delimited" else None)


def _units_of_payload(file: BinaryIO, mapping: Mapping) -> int:
    """Lines, or bytes where these are counted, of what came over the line, whether captured with its times or not."""
    payload = file if mapping.form == "delimited" else open_capture(file)[0]
    counter = LineCounter(mapping.encoding)
    size = 0
    with closing(payload):
        while data := payload.read(1 << 20):
            counter.feed(data)
            size += len(data)
    return size if counts(mapping.form) == "bytes" else counter.total()


class LineCounter:
    """Counts the lines of an export on its own, so that the reckoning compares two independent counts.

    A line ends with LF, CR LF or CR; text after the last line end is a line too. A byte order mark has the last word
    about the encoding.
    """

    def __init__(self, encoding: str) -> None:
        self._declared = codecs.lookup(encoding).name
        self._decoder: codecs.IncrementalDecoder | None = None
        self._lines = 0
        self._after_cr = False
        self._open = False
        self._first = True

    def feed(self, data: bytes) -> None:
        """Count the line ends in the next bytes."""
        if self._first and data:
            self._first = False
            self._decoder = self._decoder_for(data)
        if self._decoder is not None:
            data = self._decoder.decode(data).encode("utf-8", "replace")
        if not data:
            return
        self._lines += data.count(b"\n") + data.count(b"\r") - data.count(b"\r\n")
        if self._after_cr and data.startswith(b"\n"):
            self._lines -= 1
        self._after_cr = data.endswith(b"\r")
        self._open = not data.endswith((b"\n", b"\r"))

    def total(self) -> int:
        """Lines counted so far, with an open last line."""
        cut = self._decoder is not None and bool(self._decoder.decode(b"", True))
        return self._lines + (self._open or cut)

    def _decoder_for(self, data: bytes) -> codecs.IncrementalDecoder | None:
        """What turns the bytes into text, or None where line ends are the same bytes as in ASCII."""
        name = self._declared
        if data.startswith(codecs.BOM_UTF8):
            return None
        if data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)) and not name.startswith("utf-32"):
            name = "utf-16"
        if "\n".encode(name) == b"\n":
            return None
        return codecs.getincrementaldecoder(name)("replace")


def blocks_of(export: Export, number: int, mapping: Mapping, seconds: float = math.inf) -> Iterator[Block]:
    """The blocks of one export; errors are given the export's name.

    Args:
        export: the export.
        number: its position in the batch, from 1.
        mapping: the mapping.
        seconds: how long it may take to read the export, with what is done with each block.

    Raises:
        InputError: the export cannot be read, is not what the mapping describes, or takes too long.
    """
    begun = monotonic()
    adapter: Adapter = adapter_for(mapping, columns(mapping))
    digest = hashlib.sha256()
    try:
        with export.path.open("rb") as file:
            for block in adapter.blocks(_opened(cast(BinaryIO, _Hashing(file, digest)), mapping), number):
                block.discarded, block.received = export.discarded, export.received
                yield block
                if monotonic() - begun > seconds:
                    raise InputError(
                        f"It took longer than {seconds:,g} seconds",
                        todo="Look at what is in it; where it is only large, divide it, or allow more with "
                        "--export-seconds or the feed's export_seconds",
                    )
            while data := file.read(1 << 20):
                digest.update(data)
    except InputError as error:
        raise _named(error, export.name) from error
    except OSError as error:
        raise _unreadable(export.name, error) from error
    if digest.hexdigest() != export.sha256:
        raise InputError(
            "The export changed while it was read", where=export.name, todo="Wait until it is complete, and run again"
        )


def _named(error: InputError, name: str) -> InputError:
    """The same with the export's name."""
    return InputError(error.what, where=f"{name}, {error.where}" if error.where else name, todo=error.todo)


class _Hashing:
    """A stream that hashes what is read from it."""

    def __init__(self, file: BinaryIO, digest: _Hash) -> None:
        self._file = file
        self._digest = digest

    def read(self, size: int = -1) -> bytes:
        data = self._file.read(size)
        self._digest.update(data)
        return data


def _unreadable(name: str, error: OSError) -> InputError:
    reason = (error.strerror or str(error)).rstrip(".")
    return InputError(f"The export cannot be read: {reason}", where=name, todo="Check the file and its permissions")
