"""Mistakes in a file that a person wrote: which key, what is wrong, what to write instead.

`Problems` gathers them with their lines; the functions below it put names and texts into the sentences.
"""

from __future__ import annotations

import difflib
import json
import re
from collections.abc import Iterable
from typing import NamedTuple

from gateway.errors import MappingError
from gateway.mapping.places import Path, Places

_BARE = re.compile(r"[A-Za-z0-9_-]+")


class Problem(NamedTuple):
    """One mistake: its key, what is wrong, what to do."""

    path: Path
    what: str
    todo: str


class Problems:
    """Gathers mistakes; a key that is wrong already is not complained of again.

    Attributes:
        name: the file's name.
        places: where its keys stand.
        earlier: the mapping was used by an earlier version; what this one wants to be said besides is not asked of it.
    """

    def __init__(self, name: str, places: Places, *, earlier: bool = False) -> None:
        self.name = name
        self.places = places
        self.earlier = earlier
        self._found: list[Problem] = []
        self._spoiled: set[Path] = set()

    def __len__(self) -> int:
        return len(self._found)

    def add(self, path: Path, what: str, todo: str) -> None:
        """Note a mistake at a key, unless the key or what it stands in is wrong already."""
        if not any(path[: len(spoiled)] == spoiled for spoiled in self._spoiled):
            self._found.append(Problem(path, what, todo))

    def spoil(self, path: Path) -> None:
        """Remember that what the file says at `path` is not known, so nothing can be concluded from it."""
        self._spoiled.add(path)

    def known(self, *paths: Path) -> bool:
        """Whether nothing is wrong at, above or below any of the keys."""
        return not any(
            path[: len(spoiled)] == spoiled or spoiled[: len(path)] == path
            for path in paths
            for spoiled in self._spoiled
        )

    def error(self) -> MappingError:
        """All mistakes as one error, in the order of the file."""
        ordered = sorted(self._found, key=lambda problem: self.places.line_of(problem.path))
        problems = [
            MappingError(problem.what, where=self._where(problem.path), todo=problem.todo) for problem in ordered
        ]
        count = f"{len(problems)} mistakes" if len(problems) != 1 else "1 mistake"
        return MappingError(
            f"the mapping cannot be used: {count}", where=self.name, todo="Mend them and check again", problems=problems
        )

    def _where(self, path: Path) -> str:
        place = f"{self.name}, line {self.places.line_of(path)}"
        return f"{place}, key {key_text(path)}" if path else place


def key_text(path: Path) -> str:
    """A key as one writes it in TOML: `vitals.spo2.absent."--"`, or `time.formats item 2` for a list."""
    text = ""
    for part in path:
        if isinstance(part, int):
            text += f" item {part + 1}"
        else:
            text += ("." if text else "") + (part if _BARE.fullmatch(part) else json.dumps(part, ensure_ascii=False))
    return text


def quoted(value: object) -> str:
    """A text of the mapping for an error message, quoted and of bearable length."""
    text = str(value)
    text = text if len(text) <= 60 else f"{text[:57]}..."
    return '"' + "".join(sign if sign.isprintable() else repr(sign)[1:-1] for sign in text) + '"'


def listed(names: Iterable[object], most: int = 16) -> str:
    """Names as a list for a message; long lists end with how many more there are."""
    every = [str(name) for name in names]
    rest = len(every) - most
    return ", ".join(every[:most]) + (f" and {rest} more" if rest > 0 else "")


def nearest(name: str, known: Iterable[str]) -> str:
    """The known name most like `name`, or ""; letter case, blanks, hyphens and underscores do not count."""
    plain = {folded(candidate): candidate for candidate in known}
    close = difflib.get_close_matches(folded(name), plain, n=1, cutoff=0.6)
    return plain[close[0]] if close else ""


def meant(name: str, known: Iterable[str]) -> str:
    """What to do about an unknown name: the nearest one where there is one, else the list."""
    every = list(known)
    close = nearest(name, every)
    return f"Write {close}, if that is what was meant; known: {listed(every)}" if close else f"Known: {listed(every)}"


def lacking(key: str | int, hint: str) -> tuple[str, str]:
    """What is wrong and what to do when a key that is needed is not there."""
    return f"the key {key} is missing", f"Add {hint}"


def folded(name: str) -> str:
    """A name without what is often written otherwise: letter case, blanks, hyphens and underscores."""
    return re.sub(r"[\s_-]", "", name).casefold()
