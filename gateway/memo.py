"""What is found once and looked up after that, in bounded memory."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

TEXTS = 20_000
"""Distinct texts of one column, and what goes with them."""

K = TypeVar("K")
V = TypeVar("V")


class Memo(dict[K, V]):
    """What belongs to each key: `memo[key]` finds it the first time and looks it up after that.

    A known key costs what it costs in any `dict`. A full memo is emptied, so what is found must be the same whenever
    it is found, and equal where it is another object.

    Args:
        find: what belongs to a key.
        most: how many keys are kept.
    """

    __slots__ = ("_find", "_most")

    def __init__(self, find: Callable[[K], V], most: int = TEXTS) -> None:
        super().__init__()
        self._find = find
        self._most = most

    def __missing__(self, key: K) -> V:
        found = self._find(key)
        if len(self) >= self._most:
            self.clear()
        self[key] = found
        return found
