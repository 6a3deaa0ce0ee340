"""Which sets of a batch have been seen before, and for whom: exact, on disk, in constant memory.

Sets are kept in a temporary SQLite file, ordered by time and place, so that an export in time order (the usual one) is
appended at the end of the index and a batch of any size needs the same memory.

Of two patients for one measurement in one batch nobody knows which is right. The first is recorded and the later one
held: to hold both would withhold a right value for every slip of the pen, a block that is on the disk already would
have to be taken back, and the finding names both places, so that a person can look at either.
"""

from __future__ import annotations

import hashlib
import sqlite3
from abc import ABC, abstractmethod
from collections.abc import Collection, Sequence
from pathlib import Path
from typing import TypeAlias

from gateway.once.source import Close, Key, Other, Seen, same_measurement

_COMPARED = 64
"""Sets at one place that one is compared with. No device measures as many patients within one printed time."""

_DEVICES = 100_000


_Numbered: TypeAlias = tuple[int, Key]
"""A set with the number by which it is told from all others of the batch: lines of held sets come twice."""


class _Index(ABC):
    """Sets by place, each with a rank there: what comes first stays first.

    Args:
        change: seconds within which people do not change places on a device; 0 leaves that out.
    """

    def __init__(self, change: int) -> None:
        self._change = change
        self._count = 0
        self._last: dict[str, Key] = {}

    @abstractmethod
    def _add_first(self, rows: list[_Numbered], place: list[bytes]) -> bool:
        """Add those that are the first at their place; whether all were."""

    @abstractmethod
    def _at(self, wall: int, place: bytes) -> list[_Numbered]:
        """The sets at a place, by rank."""

    @abstractmethod
    def _add(self, row: _Numbered, place: bytes, rank: int) -> None:
        """Add one at a rank that is free."""

    def admit(self, keys: Sequence[Key], barred: Collection[int] = ()) -> dict[int, Seen]:
        """Remember the keys.

        Args:
            keys: the keys.
            barred: positions of keys that are known to be held: they are current for nobody.

        Returns:
            By position in `keys`, what is known of those of which something is.
        """
        if barred:
            keys = [key._replace(said=b"") if at in barred else key for at, key in enumerate(keys)]
        found: dict[int, Seen] = {}
        start, self._count = self._count, self._count + len(keys)
        where = [(number, key, place) for number, key in enumerate(keys, start) for place in places(key)]
        if not self._add_first([(number, key) for number, key, _ in where], [place for _, _, place in where]):
            for position, key in enumerate(keys):
                seen = self._compare(start + position, key)
                if seen is not None:
                    found[position] = seen
        if self._change:
            self._look_around(keys, found)
        return found

    def first(self, key: Key) -> Key | None:
        """The set of this identity that stood first, where there is one; nothing is remembered."""
        there = self._at(key.wall, places(key)[0])
        return next((each for _, each in there if each.identity == key.identity), None)

    def _compare(self, mine: int, key: Key) -> Seen | None:
        other: Key | None = None
        for number, place in enumerate(places(key)):
            rows = self._at(key.wall, place)
            if rows[0][0] == mine:
                continue
            there = [each for _, each in rows]
            before = next((each for each in there if each.identity == key.identity), None) if number == 0 else None
            if before is not None:
                return Seen(before.export, before.line, before.content == key.content)
            strangers = [each for each in there if each.patient != key.patient and each.said]
            other = other or next((each for each in strangers[:_COMPARED] if same_measurement(key, each)), None)
            if other is None and len(strangers) > _COMPARED and key.device and key.said:
                # So many within one printed time: the clock stands still, and nobody can say what is whose.
                other = strangers[0]
            held = key._replace(said=b"") if other is not None else key
            self._add((mine, held), place, len(rows))
        if other is None:
            return None
        return Seen(fresh=True, other=Other(other.how, other.export, other.line))

    def _look_around(self, keys: Sequence[Key], found: dict[int, Seen]) -> None:
        """Two patients on one device closer together than people change places."""
        last = self._last
        for position, key in enumerate(keys):
            if not key.device or not key.export or key.step > 60:
                continue
            seen = found.get(position)
            if seen is not None and (not seen.fresh or seen.other is not None):
                continue
            before = last.get(key.device)
            if before is None and len(last) >= _DEVICES:
                del last[next(iter(last))]
            last[key.device] = key
            if before is None or before.patient == key.patient:
                continue
            apart = abs(key.wall - before.wall)
            if apart < self._change:
                found[position] = (seen or Seen(fresh=True))._replace(close=Close(apart, before.export, before.line))


def places(key: Key) -> list[bytes]:
    """Where a set is found again besides its time: first by what it is, then by what it may be of another patient."""
    if key.device and key.step <= 60:
        return [hashlib.blake2b(key.device.encode("utf-8", "surrogatepass"), digest_size=8).digest()]
    return [key.identity[:8], b"=" + key.content] if key.telling else [key.identity[:8]]


class BlockRepeats(_Index):
    """Remembers the sets of one block, in memory."""

    def __init__(self, change: int = 0) -> None:
        super().__init__(change)
        self._places: dict[tuple[int, bytes], list[_Numbered]] = {}

    def _add_first(self, rows: list[_Numbered], place: list[bytes]) -> bool:
        known = self._places
        every = True
        for row, at in zip(rows, place, strict=True):
            every &= known.setdefault((row[1].wall, at), [row])[0] is row
        return every

    def _at(self, wall: int, place: bytes) -> list[_Numbered]:
        return self._places.get((wall, place), [])

    def _add(self, row: _Numbered, place: bytes, rank: int) -> None:
        self._places[row[1].wall, place].append(row)


class Repeats(_Index):
    """Remembers every set of a batch.

    Args:
        path: file for the index.
        change: seconds within which people do not change places on a device; 0 leaves that out.
    """

    def __init__(self, path: Path, change: int = 0) -> None:
        super().__init__(change)
        self._database = sqlite3.connect(str(path), isolation_level=None)
        self._database.executescript(
            "PRAGMA journal_mode=OFF; PRAGMA synchronous=OFF; PRAGMA cache_size=-8000;"
            "CREATE TABLE seen (wall INTEGER, place BLOB, rank INTEGER, number INTEGER, identity BLOB, content BLOB,"
            " export INTEGER, line INTEGER, device BLOB, sequence BLOB, patient BLOB, how TEXT, said BLOB,"
            " step INTEGER, telling INTEGER, PRIMARY KEY (wall, place, rank)) WITHOUT ROWID;"
        )

    def admit(self, keys: Sequence[Key], barred: Collection[int] = ()) -> dict[int, Seen]:
        """Remember the keys (see `_Index.admit`)."""
        self._database.execute("BEGIN")
        found = super().admit(keys, barred)
        self._database.execute("COMMIT")
        return found

    def _add_first(self, rows: list[_Numbered], place: list[bytes]) -> bool:
        before = self._database.total_changes
        self._database.executemany(_INSERT, [_row(row, at, 0) for row, at in zip(rows, place, strict=True)])
        return self._database.total_changes - before == len(rows)

    def _at(self, wall: int, place: bytes) -> list[_Numbered]:
        found = self._database.execute(
            "SELECT number, wall, identity, content, export, line, device, sequence, patient, how, said, step, telling"
            " FROM seen WHERE wall = ? AND place = ? ORDER BY rank",
            (wall, place),
        )
        return [
            (number, Key._make((*row[:5], *[text.decode("utf-8", "surrogatepass") for text in row[5:7]], *row[7:])))
            for number, *row in found
        ]

    def _add(self, row: _Numbered, place: bytes, rank: int) -> None:
        self._database.execute(_INSERT, _row(row, place, rank))

    def close(self) -> None:
        """Forget everything."""
        self._database.close()


_INSERT = f"INSERT OR IGNORE INTO seen VALUES ({', '.join('?' * (len(Key._fields) + 3))})"


def _row(numbered: _Numbered, place: bytes, rank: int) -> tuple[object, ...]:
    number, key = numbered
    # As bytes: what an export names its entries by need not be text that SQLite takes.
    device, sequence = key.device.encode("utf-8", "surrogatepass"), key.sequence.encode("utf-8", "surrogatepass")
    return (key.wall, place, rank, number, *key[1:5], device, sequence, *key[7:])
