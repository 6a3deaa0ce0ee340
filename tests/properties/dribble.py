"""A stream for adapters that returns as few bytes as it likes."""

from __future__ import annotations

import io


class Dribble:
    """A stream that returns as few bytes as it likes."""

    def __init__(self, data: bytes, sizes: list[int]) -> None:
        self._stream = io.BytesIO(data)
        self._sizes = sizes
        self._reads = 0

    def read(self, size: int) -> bytes:
        self._reads += 1
        return self._stream.read(min(size, self._sizes[self._reads % len(self._sizes)]))
