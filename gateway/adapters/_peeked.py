"""The first bytes of a stream, seen without losing them: what an export is stands there."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING, BinaryIO, cast

if TYPE_CHECKING:
    from _typeshed import WriteableBuffer


def peeked(stream: BinaryIO, size: int) -> tuple[bytes, BinaryIO]:
    """The first bytes of a stream, fewer where it ends before, and the stream from its beginning.

    Args:
        stream: anything whose `read(n)` returns at most n bytes, and none at the end.
        size: how many bytes.
    """
    begun = b""
    while len(begun) < size and (data := stream.read(size - len(begun))):
        begun += data
    return begun, put_back(begun, stream)


def put_back(begun: bytes, stream: BinaryIO) -> BinaryIO:
    """A stream from its beginning, of which some bytes have been read."""
    return cast(BinaryIO, io.BufferedReader(_Again(begun, stream), 1 << 16))


class _Again(io.RawIOBase):
    """A stream with the bytes that were read to see what it is put back in front."""

    def __init__(self, begun: bytes, stream: BinaryIO) -> None:
        self._begun = begun
        self._stream = stream

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: WriteableBuffer, /) -> int:
        view = memoryview(buffer).cast("B")
        if self._begun:
            data, self._begun = self._begun[: len(view)], self._begun[len(view) :]
        else:
            data = self._stream.read(len(view))
        view[: len(data)] = data
        return len(data)
