"""Exports that are compressed, by gzip (RFC 1952) or Zstandard (RFC 8878): told by their first bytes, read as a stream.

What is cut off or damaged on the way is told: no part of an export stands for all of it.
"""

from __future__ import annotations

import io
import zlib
from collections.abc import Callable
from typing import TYPE_CHECKING, BinaryIO, Protocol, cast

import zstandard

from gateway.adapters._peeked import peeked
from gateway.errors import InputError

if TYPE_CHECKING:
    from _typeshed import WriteableBuffer

GZIP, ZSTANDARD = b"\x1f\x8b", b"\x28\xb5\x2f\xfd"
"""Magic numbers. Source: RFC 1952 section 2.3.1; RFC 8878 section 3.1.1."""

_PIECE = 1 << 10
"""Bytes that are unpacked at a time: what a few of them can grow to stays small."""

_WINDOW = 1 << 27
"""The largest window that is unpacked, in bytes: what RFC 8878 recommends (8 MB), and what `zstd --long` makes."""


class _Unpacking(Protocol):
    @property
    def eof(self) -> bool: ...
    @property
    def unused_data(self) -> bytes: ...
    def decompress(self, data: bytes) -> bytes: ...


def is_compressed(begun: bytes) -> bool:
    """Whether an export that begins with these four bytes is compressed."""
    return begun.startswith((GZIP, ZSTANDARD))


def unpacked(stream: BinaryIO) -> BinaryIO:
    """The bytes of an export, whether they are compressed or not.

    Args:
        stream: anything whose `read(n)` returns at most n bytes, and none at the end.

    Returns:
        A stream of the same kind. Its `read` raises InputError where what is compressed is damaged or cut off.
    """
    begun, again = peeked(stream, len(ZSTANDARD))
    if begun.startswith(GZIP):
        return cast(BinaryIO, io.BufferedReader(_Unpacked(again, _gzip, "gzip"), 1 << 16))
    if begun == ZSTANDARD:
        return cast(BinaryIO, io.BufferedReader(_Unpacked(again, _zstandard, "Zstandard"), 1 << 16))
    return again


def _gzip() -> _Unpacking:
    return cast(_Unpacking, zlib.decompressobj(wbits=31))


def _zstandard() -> _Unpacking:
    return cast(_Unpacking, zstandard.ZstdDecompressor(max_window_size=_WINDOW).decompressobj())


class _Unpacked(io.RawIOBase):
    """What is in a compressed stream: one member or frame after the other."""

    def __init__(self, stream: BinaryIO, begin: Callable[[], _Unpacking], name: str) -> None:
        self._stream = stream
        self._begin = begin
        self._name = name
        self._member: _Unpacking | None = begin()
        self._ready = b""
        self._behind = b""

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: WriteableBuffer, /) -> int:
        view = memoryview(buffer).cast("B")
        while not self._ready:
            data, self._behind = self._behind or self._stream.read(_PIECE), b""
            if not data:
                if self._member is not None:
                    raise self._broken("it ends before its end")
                return 0
            if self._member is None:
                # Between members and behind the last one there may be zeros, which fill up a block of a tape.
                data = data.lstrip(b"\0")
                if not data:
                    continue
                self._member = self._begin()
            try:
                self._ready = self._member.decompress(data)
            except (zlib.error, zstandard.ZstdError) as error:
                raise self._broken(str(error)) from None
            if self._member.eof:
                self._behind, self._member = self._member.unused_data, None
        part, self._ready = self._ready[: len(view)], self._ready[len(view) :]
        view[: len(part)] = part
        return len(part)

    def _broken(self, what: str) -> InputError:
        return InputError(
            f"The export is compressed by {self._name} and cannot be unpacked: {what}",
            todo="Fetch it again; what could be unpacked is not used, because nobody can say what is missing",
        )
