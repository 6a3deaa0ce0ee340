"""Checks of texts that many tables hold: cells to compare with, and regular expressions."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable

from gateway.mapping.places import Path
from gateway.mapping.problems import Problems, quoted


def trimmed(text: str, path: Path, problems: Problems) -> None:
    """Note when blanks stand around a text."""
    if text != text.strip():
        problems.add(
            path,
            f"{quoted(text)} begins or ends with a blank",
            f"Write {quoted(text.strip())}: blanks around names and cells are taken off before comparing",
        )


def tokens(texts: Iterable[str], path: Path, problems: Problems, *, blank: bool = False) -> None:
    """Note the texts of cells that would never be met: blank ones, unless they may be, and untrimmed ones."""
    for text in texts:
        if not text and not blank:
            problems.add(
                (*path, text),
                "a blank cell is never compared with it",
                "Take the line out",
            )
        else:
            trimmed(text, (*path, text), problems)


def texts_there(values: Collection[str], path: Path, example: str, problems: Problems) -> None:
    """The texts of a column that tells something beside the value: some, not blank, and trimmed."""
    if not values and problems.known(path):
        what = "nothing says what the texts of the column mean"
        problems.add(path, what, f"Add the texts of the export: values = {{ {example} }}")
    tokens(values, path, problems)


def regex(text: str, path: Path, problems: Problems) -> re.Pattern[str] | None:
    """The compiled expression; None, and a mistake noted, when it has a fault."""
    try:
        return re.compile(text)
    except (re.error, OverflowError, RecursionError) as error:
        place = f" at character {error.pos + 1}" if isinstance(error, re.error) and error.pos is not None else ""
        problems.add(
            path,
            f"the regular expression has a fault{place}: {error.msg if isinstance(error, re.error) else error}",
            "Mend it; single quotes keep backslashes as they are: '\\d+'",
        )
        return None
