"""The text of a draft as it grows: keys that are known, questions, and how things are counted in it."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence


class Page:
    """The text of a draft: keys that are known, and questions as comments."""

    def __init__(self) -> None:
        self._lines: list[str] = []

    def says(self, *words: str) -> None:
        """Evidence, as comments."""
        self._lines += [f"# {each}" if each else "" for each in words]

    def asks(self, key: str, question: str) -> None:
        """A question about a key that is not stated."""
        self._lines.append(f"# ? {key}: {question}")

    def has(self, key: str, value: object) -> None:
        """A key with what the file shows."""
        self._lines.append(f"{key} = {toml_text(value)}")

    def table(self, *path: str) -> None:
        """Begin a table."""
        names = (name if re.fullmatch(r"[a-z0-9_]+", name) else toml_text(name) for name in path)
        self._lines += ["", f"[{'.'.join(names)}]"]

    def tables(self, *path: str) -> None:
        """Begin one more table of an array of tables."""
        self._lines += ["", f"[[{'.'.join(path)}]]"]

    def verbatim(self, key: str, text: str) -> None:
        """A key with a text in which no backslash is escaped, where it holds no single quote."""
        quoted = toml_text(text) if "'" in text else f"'{text}'"
        self._lines.append(f"{key} = {quoted}")

    def text(self) -> str:
        """The whole draft."""
        return "\n".join(self._lines) + "\n"


def toml_text(value: object) -> str:
    """A text as TOML writes it."""
    # A JSON text is a TOML basic string but for DEL, and names that do not print are never written.
    if isinstance(value, list):
        return f"[{', '.join(toml_text(each) for each in value)}]"
    return json.dumps(value, ensure_ascii=False)


def some_of(lines: Sequence[int]) -> str:
    """Line numbers in words."""
    listed = ", ".join(map(str, lines[:5]))
    return f"line{'' if len(lines) == 1 else 's'} {listed}{' and more' if len(lines) > 5 else ''}"


def counted(number: int, what: str) -> str:
    """A number with its word, in the plural where it is not one."""
    return f"{number} {what}{'' if number == 1 else 's'}"


def propose_top(form: str, out: Page) -> None:
    """Propose the keys at the top of a mapping."""
    out.asks("title", "what is this kind of export called? It is shown in reports.")
    out.has("version", "0-draft")
    out.has("form", form)
    out.asks("namespace", "under which URI of yours are the identifiers of records unique?")
