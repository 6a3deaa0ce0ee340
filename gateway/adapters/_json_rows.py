"""Lines that hold one JSON object each (RFC 8259), read as rows whose columns are JSON Pointers (RFC 6901)."""

from __future__ import annotations

import csv
import json
from collections.abc import Collection, Iterable, Iterator, Sequence
from contextlib import suppress
from difflib import get_close_matches
from functools import partial
from typing import Any, TypeAlias

from gateway.adapters._rows import CsvReader, Rows
from gateway.errors import InputError
from gateway.mapping.forms.delimited import EACH, Delimited
from gateway.model import Noticed

_Path: TypeAlias = tuple[str, ...]

_WITHIN = 100
"""How many members of an object or list are looked at to name what an export has."""


class JsonRows(Rows):
    """Cuts lines into rows of cells.

    A cell is verbatim: of a number its digits as they stand, of a text its characters, `true` or `false`, and JSON for
    what is an object or a list. What is not there and what is null are both blank. Where pointers go through each
    element of a list, a line gives one row for each.

    Args:
        layout: footers, and whether the lines are readings.
        columns: the pointers, in the order of the cells.
    """

    def __init__(self, layout: Delimited, columns: Sequence[str]) -> None:
        super().__init__(layout)
        self._names = tuple(columns)
        listed = next((name.partition(EACH)[0] for name in columns if EACH in name), None)
        self._list = parts(listed) if listed is not None else None
        self._columns: list[tuple[bool, _Path]] = [
            (True, parts("/" + name.partition(EACH)[2])) if EACH in name else (False, parts(name)) for name in columns
        ]

    def quoted(self, text: str, end: int | None = None) -> bool:
        """Always: no line is divided by its characters alone."""
        return True

    def read(self, lines: Iterable[str]) -> CsvReader:
        """Read lines; raises `csv.Error` for one that is no such object, which costs that line only."""
        return _Reader(self.cells, lines)

    def unread(self, last: bool) -> Noticed:
        """See `Rows.unread`: whether it is cut off or was none, a line is one object or nothing."""
        return Noticed("row-no-object", "The line is no JSON object that the mapping can go through")

    def start(self, texts: Sequence[str], musts: Collection[str]) -> list[str]:
        """See `Rows.start`; the lines must be objects."""
        found: list[dict[str, Any]] = []
        for text in texts:
            with suppress(csv.Error):
                found += [parsed(text)]
        among = "the only line is not one that" if len(texts) == 1 else f"none of the first {len(texts)} lines"
        if not found:
            if not any(text.strip() for text in texts):
                return []
            whole = any(text.strip()[:1] in ("[", "{") for text in texts[:1])
            raise InputError(
                f"{among} is a JSON object",
                where="line 1",
                todo="Ask for the export as JSON Lines: one object in each line, not one list or one object over many"
                if whole
                else "Give the mapping made for this kind of export",
            )
        seen = {pointer for each in found for pointer in _pointers(each, self._list)}
        empty = self._list is not None and not any(_at(each, self._list) for each in found)
        said = []
        for name in self._names:
            if name in seen or (empty and EACH in name):
                continue
            near = get_close_matches(name, seen, n=1, cutoff=0.6)
            what = f"{among} has {name}" + (f" (there is {near[0]})" if near else "")
            if name in musts:
                raise InputError(
                    what, where="line 1", todo="Correct the column in the mapping, or give the right mapping"
                )
            said.append(what[0].upper() + what[1:])
        return said

    def cells(self, line: str) -> list[list[str]]:
        """The rows of a line; raises `csv.Error` where it holds anything else than an object."""
        if not line.strip():
            return [[]]
        found = parsed(line)
        if self._list is None:
            return [[_cell(_at(found, path)) for _, path in self._columns]]
        elements = _at(found, self._list)
        if not isinstance(elements, list) or not all(isinstance(each, dict) for each in elements):
            raise csv.Error("no list of objects stands where the mapping goes through one")
        # A list of nothing is a row without a reading: what stands beside it is not lost.
        return [
            [_cell(_at(element if own else found, path)) for own, path in self._columns] for element in elements or [{}]
        ]


def parsed(line: str) -> dict[str, Any]:
    """The object of a line, its numbers as text.

    Raises:
        csv.Error: it is none, or says one name twice: nobody knows which is meant.
    """
    try:
        found = _decode(line)
        # Half of a character outside the basic plane is no text that could be passed on.
        line.encode()
        if "\\ud" in line.lower():
            json.dumps(found, ensure_ascii=False).encode()
    except (ValueError, RecursionError) as error:
        raise csv.Error(f"{error}") from error
    if not isinstance(found, dict):
        raise csv.Error("it is no object")
    return found


def parts(pointer: str) -> _Path:
    """The names a JSON Pointer goes through (RFC 6901, 3 and 4)."""
    return tuple(part.replace("~1", "/").replace("~0", "~") for part in pointer.split("/")[1:])


def _pointers(value: Any, listed: _Path | None, path: _Path = ()) -> Iterator[str]:
    """The pointers to all values of an object; in the list that the mapping goes through, to those of each element."""
    if isinstance(value, dict):
        for name, each in list(value.items())[:_WITHIN]:
            yield from _pointers(each, listed, (*path, name))
    elif isinstance(value, list):
        for at, each in enumerate(value[:_WITHIN]):
            yield from _pointers(each, listed, (*path, "-" if path == listed else str(at)))
    else:
        yield "".join("/" + part.replace("~", "~0").replace("/", "~1") for part in path)


class _Reader:
    """Reads lines as the csv module does."""

    def __init__(self, cells: Any, lines: Iterable[str]) -> None:
        self.line_num = 0
        self._cells = cells
        self._lines = iter(lines)
        self._waiting: list[list[str]] = []

    def __iter__(self) -> Iterator[list[str]]:
        return self

    def __next__(self) -> list[str]:
        if not self._waiting:
            line = next(self._lines)
            self.line_num += 1
            self._waiting = self._cells(line)[::-1]
        return self._waiting.pop()


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) < len(pairs):
        raise ValueError("one name stands twice in an object")
    return found


def _never(word: str) -> Any:
    raise ValueError(f"{word} is no JSON")


_decode = partial(json.loads, parse_float=str, parse_int=str, parse_constant=_never, object_pairs_hook=_once)


def _at(found: Any, path: _Path) -> Any:
    """What stands at a pointer; None where nothing does."""
    for part in path:
        if isinstance(found, dict):
            found = found.get(part)
        elif isinstance(found, list) and part.isdecimal() and part.isascii() and (part == "0" or part[0] != "0"):
            found = found[int(part)] if int(part) < len(found) else None
        else:
            return None
    return found


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, str):
        return value
    if isinstance(value, bool):
        return "true" if value else "false"
    return json.dumps(value, ensure_ascii=False)
