"""What the parts of the verifier say to each other."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, NamedTuple


class Problem(NamedTuple):
    """One thing wrong with what was rendered.

    Attributes:
        index: position of the record (line, bundle entry or message) in what was given, from 0; -1 for the whole.
        what: what is wrong; never an identifier, a value or a row.
    """

    index: int  # type: ignore[assignment]  # hides tuple.index, which nobody needs here
    what: str


Say = Callable[[str], None]
Facts = dict[str, Any]
Codings = tuple[tuple[str, str], ...]
