"""Where each key of a TOML text stands: tomllib gives the values, this gives their lines.

The text has already passed tomllib, so this reader only follows its structure (TOML 1.0) and never judges it.
"""

from __future__ import annotations

import re
import tomllib
from bisect import bisect_right
from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import TypeAlias

Path: TypeAlias = tuple[str | int, ...]
"""A way through the file: ("time", "formats", 0) is the first item of `formats` in `[time]`."""

_BLANK = re.compile(r"(?:[ \t\n]|#[^\n]*)*")
_SPACE = re.compile(r"[ \t]*")
_BARE = re.compile(r"[A-Za-z0-9_-]+")
_STRING = re.compile(
    r'"""(?:[^\\]|\\.)*?"""(?:"{1,2})?' r"|'''.*?'''(?:'{1,2})?" r'|"(?:[^"\\\n]|\\.)*"' r"|'[^'\n]*'",
    re.DOTALL,
)
_SCALAR = re.compile(r"[^,\]}#\n]+")


@dataclass(frozen=True)
class Places:
    """The line of every key and list item of one TOML text.

    Attributes:
        lines: path -> line, from 1; a table is at its header, or at the first key that names it.
    """

    lines: Mapping[Path, int] = field(default_factory=lambda: MappingProxyType({}))

    def line_of(self, path: Path) -> int:
        """Line (from 1) of a key; of the nearest table around it when the key is not in the file, else 1."""
        for length in range(len(path), 0, -1):
            line = self.lines.get(path[:length])
            if line is not None:
                return line
        return 1

    def __contains__(self, path: Path) -> bool:
        return path in self.lines

    def __reduce__(self) -> tuple[object, ...]:
        return (_rebuild, (dict(self.lines),))


def places(text: str) -> Places:
    """Find the keys of a text that tomllib accepts."""
    return Places(MappingProxyType(_Reader(text.replace("\r\n", "\n")).read()))


def _rebuild(lines: dict[Path, int]) -> Places:
    return Places(MappingProxyType(lines))


class _Reader:
    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.lines: dict[Path, int] = {}
        self.starts = [0, *(found.end() for found in re.finditer("\n", text))]
        self.arrays: dict[Path, int] = {}

    def read(self) -> dict[Path, int]:
        table: Path = ()
        self._skip(_BLANK)
        while self.at < len(self.text):
            if self.text.startswith("[[", self.at):
                table = self._array_header()
            elif self.text[self.at] == "[":
                table = self._header()
            else:
                self._pair(table)
            self._skip(_BLANK)
        return self.lines

    def _skip(self, what: re.Pattern[str]) -> str:
        found = what.match(self.text, self.at)
        if found is None:
            return ""
        self.at = found.end()
        return found.group()

    def _mark(self, path: Path, at: int) -> None:
        self.lines.setdefault(path, bisect_right(self.starts, at))

    def _header(self) -> Path:
        start, self.at = self.at, self.at + 1
        path = self._walk((), self._key(), start)
        self.at += 1
        # The header is the better place than a child that came earlier: [vitals.spo2] before [vitals].
        self.lines[path] = bisect_right(self.starts, start)
        return path

    def _array_header(self) -> Path:
        start, self.at = self.at, self.at + 2
        parts = self._key()
        self.at += 2
        path = (*self._walk((), parts[:-1], start), parts[-1])
        self._mark(path, start)
        self.arrays[path] = self.arrays.get(path, -1) + 1
        path = (*path, self.arrays[path])
        self._mark(path, start)
        return path

    def _walk(self, path: Path, parts: list[str], at: int) -> Path:
        for part in parts:
            path = (*path, part)
            self._mark(path, at)
            if path in self.arrays:
                path = (*path, self.arrays[path])
        return path

    def _pair(self, table: Path) -> None:
        start = self.at
        path = self._walk(table, self._key(), start)
        self.at += 1
        self._skip(_SPACE)
        self._value(path)

    def _key(self) -> list[str]:
        """Read a dotted key; leaves the reader at the `=` or `]` behind it."""
        parts = []
        while True:
            self._skip(_SPACE)
            quoted = self._skip(_STRING)
            parts.append(tomllib.loads(f"key = {quoted}")["key"] if quoted else self._skip(_BARE))
            self._skip(_SPACE)
            if self.text[self.at] != ".":
                return parts
            self.at += 1

    def _value(self, path: Path) -> None:
        first = self.text[self.at]
        if first == "[":
            self._items(path)
        elif first == "{":
            self._inline(path)
        elif not self._skip(_STRING):
            self._skip(_SCALAR)

    def _items(self, path: Path) -> None:
        self.at += 1
        count = 0
        while True:
            self._skip(_BLANK)
            if self.text[self.at] == ",":
                self.at += 1
            elif self.text[self.at] == "]":
                self.at += 1
                return
            else:
                item = (*path, count)
                self._mark(item, self.at)
                self._value(item)
                count += 1

    def _inline(self, path: Path) -> None:
        self.at += 1
        while True:
            self._skip(_BLANK)
            if self.text[self.at] == ",":
                self.at += 1
            elif self.text[self.at] == "}":
                self.at += 1
                return
            else:
                self._pair(path)
