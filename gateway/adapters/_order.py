"""Long exports in any order: the rows of a set are brought together, wherever they stand, in bounded memory.

The rows are kept in a temporary file by SQLite, which sorts them on the disk. Everything else (headers, footers, rows
that cannot be read) goes on in the order in which it stands.
"""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import closing
from typing import Any, TypeAlias

from gateway.adapters._rows import split
from gateway.model import Block, LineKind, Noticed

Line: TypeAlias = tuple[int, int, list[str], LineKind, Noticed | None]
"""Number of the first line of a row, number of its lines, its cells, what it is, and what there is to say of it."""

_SETS = 1_000
"""How many sets a row that cannot be read may be of, at most; no source. With more of them it is of its neighbours."""


class Regrouping:
    """Brings the rows of each set together.

    Args:
        read: what every line of a block is.
        key_at: takes, of a row, what the rows of one set agree in.
        size: characters in a block, at least.
        limit: characters by which a block may grow so as not to divide a set.
    """

    def __init__(
        self,
        read: Callable[[Block, list[str]], Iterator[Line]],
        key_at: Callable[[Block], Callable[[Sequence[str]], Any]],
        size: int,
        limit: int,
    ) -> None:
        self._read = read
        self._key_at = key_at
        self._size = size
        self._limit = limit
        self._layouts: list[tuple[tuple[str, ...], int, dict[str, str]]] = []

    def blocks(self, source: Iterable[Block]) -> Iterator[Block]:
        """The blocks of an export, first those of the lines that are no entries, then those of the entries.

        Args:
            source: the blocks in the order of the lines.
        """
        number = 0
        # "" names a temporary file that is gone when it is closed.
        with closing(sqlite3.connect("", isolation_level=None)) as database:
            database.executescript(_TABLES)
            export = 0
            for block in source:
                export = block.export
                rest = self._kept(database, block)
                if rest.text or rest.findings or rest.lines:
                    number += 1
                    rest.number = number
                    yield rest
            self._shorten(database)
            for made in self._grouped(database, export):
                number += 1
                made.number = number
                yield made

    def _kept(self, database: sqlite3.Connection, block: Block) -> Block:
        """Keep the entries of a block; give what is left of it."""
        layout = (block.fields, block.cells, block.context)
        if layout not in self._layouts:
            self._layouts.append(layout)
        at = self._layouts.index(layout)
        key_at = self._key_at(block)
        texts = split(block.text)
        rows: list[tuple[int, str, bytes]] = []
        sets: list[tuple[bytes, int, str]] = []
        left: list[int] = []
        lost: list[tuple[int, bytes, str]] = []
        for line, used, cells, kind, _ in self._read(block, texts):
            first = line - block.first_line
            if kind is LineKind.ENTRY:
                key, head = _key(at, key_at(cells))
                sets.append((key, line, head))
                rows.append((line, "\n".join(texts[first : first + used]), key))
                continue
            left += range(first, first + used)
            if kind is LineKind.UNREADABLE:
                try:
                    key = _key(at, key_at(cells))[0]
                except IndexError:
                    key = b""
                lost.append((line, key, "\x1f".join(cell.strip() for cell in cells)))
        database.execute("BEGIN")
        database.executemany("INSERT OR IGNORE INTO sets VALUES (?, ?, ?)", sets)
        database.executemany("INSERT INTO entries SELECT place, ?1, ?2 FROM sets WHERE key = ?3", rows)
        database.executemany("INSERT INTO lost VALUES (?, ?, ?)", lost)
        database.executemany(
            "INSERT OR IGNORE INTO layouts VALUES (?, ?)", [(place, at) for _, place, _ in sets] if at else []
        )
        database.execute("COMMIT")
        ended = block.text.endswith("\n") or not left or left[-1] != len(texts) - 1
        text = "\n".join([texts[position] for position in left]) + ("\n" if left and ended else "")
        numbers = tuple([block.first_line + position for position in left])
        block.text, block.numbers, block.first_line = text, numbers, numbers[0] if numbers else block.first_line
        return block

    def _shorten(self, database: sqlite3.Connection) -> None:
        """Mark the sets that may have lost a row that cannot be read.

        It is of the set whose time, patient and so on stand at their places; else of those whose time is among its
        cells; else of those of the rows beside it.
        """
        if database.execute("SELECT count(*) FROM lost").fetchone()[0] == 0:
            return
        database.executescript("CREATE INDEX heads ON sets (head); CREATE INDEX lines ON entries (line);")
        for line, key, cells in database.execute("SELECT line, key, cells FROM lost"):
            found = database.execute("SELECT place FROM sets WHERE key = ?", (key,)).fetchall()
            for head in set(filter(None, cells.split("\x1f"))) if not found else ():
                found += database.execute("SELECT place FROM sets WHERE head = ? LIMIT ?", (head, _SETS + 1)).fetchall()
            if not 0 < len(found) <= _SETS:
                for beside in ("< ? ORDER BY line DESC", "> ? ORDER BY line"):
                    found += database.execute(
                        f"SELECT place FROM entries WHERE line {beside} LIMIT 1",
                        (line,),
                    ).fetchall()
            database.executemany("INSERT OR IGNORE INTO short VALUES (?)", found)

    def _grouped(self, database: sqlite3.Connection, export: int) -> Iterator[Block]:
        """The entries by their sets, in the order of the sets' first lines."""
        texts: list[str] = []
        numbers: list[int] = []
        short: set[int] = set()
        size, current, layout = 0, 0, 0

        def made() -> Block:
            fields, cells, context = self._layouts[layout]
            return Block(
                export, 0, fields, "\n".join(texts) + "\n", numbers[0],
                numbers=tuple(numbers), short=frozenset(short), cells=cells,
                context=context,
            )  # fmt: skip

        for place, line, text, at, lacks in database.execute(_IN_ORDER):
            if texts and (
                at != layout or (size >= self._size and place != current) or size >= self._size + self._limit
            ):
                yield made()
                texts, numbers, short, size = [], [], set(), 0
            current, layout = place, at
            texts.append(text)
            numbers += range(line, line + text.count("\n") + 1)
            if lacks:
                short.add(line)
            size += len(text) + 1
        if texts:
            yield made()


def _key(layout: int, shared: Any) -> tuple[bytes, str]:
    """What names a set, and the first text of it."""
    texts = shared if isinstance(shared, tuple) else (shared,)
    name = "\x1f".join([str(layout), *texts]).encode("utf-8", "surrogatepass")
    return hashlib.blake2b(name, digest_size=16).digest(), texts[0].strip()


_TABLES = """
PRAGMA journal_mode = OFF; PRAGMA synchronous = OFF; PRAGMA cache_size = -16000; PRAGMA temp_store = FILE;
CREATE TABLE sets (key BLOB PRIMARY KEY, place INTEGER, head TEXT) WITHOUT ROWID;
CREATE TABLE entries (place INTEGER, line INTEGER, text TEXT);
CREATE TABLE layouts (place INTEGER PRIMARY KEY, layout INTEGER);
CREATE TABLE lost (line INTEGER, key BLOB, cells TEXT);
CREATE TABLE short (place INTEGER PRIMARY KEY);
"""
_IN_ORDER = """
SELECT entries.place, line, text, coalesce(layout, 0), short.place IS NOT NULL
FROM entries LEFT JOIN layouts ON layouts.place = entries.place LEFT JOIN short ON short.place = entries.place
ORDER BY entries.place, line
"""
