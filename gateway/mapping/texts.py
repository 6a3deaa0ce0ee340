"""Checks of texts that many tables hold: cells to compare with, and regular expressions."""

from __future__ import annotations

from collections.abc import Collection, Iterable

from gateway.mapping.places import Path
from gateway.mapping.problems import Problems, quoted
from gateway.patterns import Pattern, PatternError


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


def regex(text: str, path: Path, problems: Problems) -> Pattern | None:
    """The expression, ready for use; None, and a mistake noted, when it has a fault or can take any time."""
    try:
        pattern = Pattern(text)
    except PatternError as error:
        place = f" at character {error.at + 1}" if error.at is not None else ""
        problems.add(
            path,
            f"the regular expression has a fault{place}: {error.what}",
            "Mend it; single quotes keep backslashes as they are: '\\d+'",
        )
        return None
    if pattern.endless and not problems.earlier:
        problems.add(
            path,
            f"the regular expression can take any time on some texts, because it asks for {pattern.endless}",
            "Write it without that: say what may stand there, not what may not",
        )
        return None
    return pattern
