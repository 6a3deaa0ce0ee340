"""Where the columns of an export stand among the cells of an entry."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from gateway.model import BLANKS

NOWHERE = -1
"""Position of a column that the mapping does not read."""


class Fields:
    """Positions of columns, from 0.

    Args:
        names: column names of the export, in the order of the cells; of two columns of one name the first counts.
    """

    def __init__(self, names: Sequence[str]) -> None:
        self._at = {name: position for position, name in reversed(list(enumerate(names)))}

    def at(self, name: str | None) -> int:
        """Position of a column; NOWHERE for None."""
        return NOWHERE if name is None else self._at[name]

    def every(self, names: Iterable[str]) -> list[int]:
        """Positions of several columns."""
        return [self._at[name] for name in names]

    def find(self, name: str) -> int:
        """Position of a column that an export need not have; NOWHERE when it has none."""
        return self._at.get(name, NOWHERE)


def trimmed(cells: Sequence[str], at: int) -> str:
    """The text of a cell without blanks around it; "" for a column that is not read."""
    return cells[at].strip(BLANKS) if at >= 0 else ""
