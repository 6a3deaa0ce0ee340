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

from gateway.once.source import Close, Key, Other, Seen, apart, covers, same_measurement, states_a_value

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
        self._devices: dict[str, int] = {}

    @abstractmethod
    def _add_first(self, keys: Sequence[Key], start: int) -> bool:
        """Number the sets from `start`, add those that are the first at their places; whether all were."""

    @abstractmethod
    def _at(self, key: Key, place: int) -> list[_Numbered]:
        """The sets of that place and of the time of `key`, by rank."""

    @abstractmethod
    def _add(self, row: _Numbered, place: int, rank: int) -> None:
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
            keys = [_held(key) if at in barred else key for at, key in enumerate(keys)]
        found: dict[int, Seen] = {}
        start, self._count = self._count, self._count + len(keys)
        if not self._add_first(keys, start):
            for position, key in enumerate(keys):
                seen = self._compare(start + position, key)
                if seen is not None:
                    found[position] = seen
        if self._change:
            self._look_around(keys, found)
        return found

    def _places(self, key: Key) -> list[int]:
        """Where a set is found again besides its time: first by what it is, then by what others may have of it."""
        if key.device and key.step <= 60:
            return [self._devices.get(key.device) or self._learn(key.device)]
        own = int.from_bytes(key.identity[:7])
        # Of the two kinds one is even and one is odd.
        return [2 * own, 2 * int.from_bytes(key.content[:7]) + 1] if key.telling else [2 * own]

    def _learn(self, device: str) -> int:
        if len(self._devices) > _DEVICES:
            self._devices.clear()
        digest = hashlib.blake2b(device.encode("utf-8", "surrogatepass"), digest_size=8).digest()
        place = self._devices[device] = int.from_bytes(digest, signed=True) or 1
        return place

    def first(self, key: Key) -> Key | None:
        """The set of this identity that stood first, where there is one; nothing is remembered."""
        there = self._at(key, self._places(key)[0])
        return next((each for _, each in there if each.identity == key.identity), None)

    def _compare(self, mine: int, key: Key) -> Seen | None:
        other: Key | None = None
        for number, place in enumerate(self._places(key)):
            rows = self._at(key, place)
            if rows[0][0] == mine:
                continue
            there = [each for _, each in rows]
            before = _before(key, there) if number == 0 else None
            if before is not None:
                same, covered = before.content == key.content, covers(before.said, key.said)
                parts = not same and before.export == key.export and apart(before.said, key.said)
                return Seen(before.export, before.line, same, covered=covered, apart=parts)
            strangers = [
                each for each in there
                if each.patient != key.patient and each.how != _HELD and states_a_value(each.said)
            ]  # fmt: skip
            other = other or next((each for each in strangers[:_COMPARED] if same_measurement(key, each)), None)
            if other is None and len(strangers) > _COMPARED and key.device and states_a_value(key.said):
                # So many within one printed time: the clock stands still, and nobody can say what is whose.
                other = strangers[0]
            self._add((mine, _held(key) if other is not None else key), place, len(rows))
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


class BlockRepeats(_Index):
    """Remembers the sets of one block, in memory."""

    def __init__(self, change: int = 0) -> None:
        super().__init__(change)
        self._there: dict[tuple[int, int], list[_Numbered]] = {}

    def _add_first(self, keys: Sequence[Key], start: int) -> bool:
        known = self._there
        every = True
        for row in enumerate(keys, start):
            for place in self._places(row[1]):
                every &= known.setdefault((row[1].wall, place), [row])[0] is row
        return every

    def _at(self, key: Key, place: int) -> list[_Numbered]:
        return self._there.get((key.wall, place), [])

    def _add(self, row: _Numbered, place: int, rank: int) -> None:
        self._there[row[1].wall, place].append(row)


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
            # `told`: identity, content, patient, how, and the monitor's number, which need not be text for SQLite.
            "CREATE TABLE seen (wall INTEGER, place INTEGER, rank INTEGER, number INTEGER, export INTEGER,"
            " line INTEGER, told BLOB, said BLOB, PRIMARY KEY (wall, place, rank)) WITHOUT ROWID;"
        )

    def admit(self, keys: Sequence[Key], barred: Collection[int] = ()) -> dict[int, Seen]:
        """Remember the keys (see `_Index.admit`)."""
        self._database.execute("BEGIN")
        found = super().admit(keys, barred)
        self._database.execute("COMMIT")
        return found

    def _add_first(self, keys: Sequence[Key], start: int) -> bool:
        before = self._database.total_changes
        devices = self._devices
        rows = []
        # One piece without calls: this is done for every set there is.
        for number, key in enumerate(keys, start):
            wall, identity, content, export, line, device, sequence, patient, how, said, step, _ = key
            told = identity + content + patient + _BYTE[how]
            if sequence:
                told += sequence.encode("utf-8", "surrogatepass")
            place = devices.get(device) if step <= 60 else None
            for each in self._places(key) if place is None else (place,):
                rows.append((wall, each, number, export, line, told, said))
        self._database.executemany(_INSERT_FIRST, rows)
        return self._database.total_changes - before == len(rows)

    def _at(self, key: Key, place: int) -> list[_Numbered]:
        # What is at one place has one device; what a set is compared by besides is its own.
        found = self._database.execute(
            "SELECT number, export, line, told, said FROM seen WHERE wall = ? AND place = ? ORDER BY rank",
            (key.wall, place),
        )
        return [
            (number, Key(key.wall, told[:16], told[16:24], export, line, key.device,
                         told[33:].decode("utf-8", "surrogatepass"), told[24:32], _HOW[told[32]], said))
            for number, export, line, told, said in found
        ]  # fmt: skip

    def _add(self, row: _Numbered, place: int, rank: int) -> None:
        number, key = row
        told = key.identity + key.content + key.patient + _BYTE[key.how] + key.sequence.encode("utf-8", "surrogatepass")
        self._database.execute(_INSERT, (key.wall, place, rank, number, key.export, key.line, told, key.said))

    def close(self) -> None:
        """Forget everything."""
        self._database.close()


def _held(key: Key) -> Key:
    """A key of which nothing is recorded."""
    return key._replace(how=_HELD)


def _before(key: Key, there: Sequence[Key]) -> Key | None:
    """The set of the same identity that stood first; what is held says nothing against what says something else."""
    own = (each for each in there if each.identity == key.identity)
    return next((each for each in own if each.how != _HELD or each.content == key.content), None)


_INSERT = "INSERT INTO seen VALUES (?, ?, ?, ?, ?, ?, ?, ?)"
_INSERT_FIRST = "INSERT OR IGNORE INTO seen VALUES (?, ?, 0, ?, ?, ?, ?, ?)"
_HELD = "held"
_HOW = ("", "column", "scan", "association", "person", "merge", _HELD)
_BYTE = {how: bytes([number]) for number, how in enumerate(_HOW)}
