"""Which sets of a batch have been seen before: exact, on disk, in constant memory.

Keys are kept in a temporary SQLite file, ordered by time, so that an export in time order (the usual one) is
appended at the end of the index and a batch of any size needs the same memory.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple


class Key(NamedTuple):
    """What identifies a set and what it said.

    Attributes:
        wall: the time its device's clock printed, in seconds since 1970-01-01T00:00:00 of that clock.
        identity: digest of the source identity, 16 bytes.
        content: digest of the set's texts, 8 bytes.
        export: position of the export in the batch, from 1.
        line: line of the set's first entry, from 1.
        device: identifier of the device, "" when there is none.
        sequence: the monitor's own number of the entry, "" when it is not mapped.
    """

    wall: int
    identity: bytes
    content: bytes
    export: int
    line: int
    device: str = ""
    sequence: str = ""


class Earlier(NamedTuple):
    """What the ledger holds of a set that was recorded by an earlier run.

    Attributes:
        identity: digest of the source identity, 16 bytes, as it was recorded.
        run: number of the run that recorded it.
        day: day on which it was recorded, ISO 8601.
        readings: what was recorded, by vital (`gateway.conversion.remembering.canonical`).
        keys: keys of its records.
        retracted: it has been retracted since.
        revision: 1 for the first, then one more for each revision.
        preliminary: the vitals that were given out as preliminary only.
    """

    identity: bytes
    run: int
    day: str
    readings: dict[str, str]
    keys: frozenset[str]
    retracted: bool = False
    revision: int = 1
    preliminary: frozenset[str] = frozenset()


class Seen(NamedTuple):
    """Where a set with the same identity stood first, whether it said the same, and whether nobody can tell.

    `earlier` is given for a set that an earlier run recorded; `export` and `line` are then 0.
    """

    export: int
    line: int
    same: bool
    undecided: bool = False
    earlier: Earlier | None = None


class BlockRepeats:
    """Remembers the sets of one block, in memory."""

    def __init__(self) -> None:
        self._first: dict[tuple[int, bytes], Key] = {}

    def admit(self, keys: Sequence[Key]) -> dict[int, Seen]:
        """Remember the keys; return, by position in `keys`, those that had been seen before."""
        repeated: dict[int, Seen] = {}
        for position, key in enumerate(keys):
            first = self._first.setdefault(key[:2], key)
            if first is not key:
                repeated[position] = Seen(first.export, first.line, first.content == key.content)
        return repeated


class Repeats:
    """Remembers every set of a batch.

    Args:
        path: file for the index.
    """

    def __init__(self, path: Path) -> None:
        self._database = sqlite3.connect(str(path), isolation_level=None)
        self._database.executescript(
            "PRAGMA journal_mode=OFF; PRAGMA synchronous=OFF; PRAGMA cache_size=-8000;"
            "CREATE TABLE seen (wall INTEGER, identity BLOB, content BLOB, export INTEGER, line INTEGER,"
            " PRIMARY KEY (wall, identity)) WITHOUT ROWID;"
        )

    def admit(self, keys: Sequence[Key]) -> dict[int, Seen]:
        """Remember the keys; return, by position in `keys`, those that had been seen before."""
        database = self._database
        database.execute("BEGIN")
        before = database.total_changes
        database.executemany("INSERT OR IGNORE INTO seen VALUES (?, ?, ?, ?, ?)", [key[:5] for key in keys])
        fresh = database.total_changes - before
        repeated: dict[int, Seen] = {}
        if fresh != len(keys):
            for position, key in enumerate(keys):
                content, export, line = database.execute(
                    "SELECT content, export, line FROM seen WHERE wall = ? AND identity = ?", key[:2]
                ).fetchone()
                if (export, line) != (key.export, key.line):
                    repeated[position] = Seen(export, line, content == key.content)
        database.execute("COMMIT")
        return repeated

    def close(self) -> None:
        """Forget everything."""
        self._database.close()
