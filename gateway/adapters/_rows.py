"""Rows of delimited text: lines cut into cells, footers, and cells that run over line ends."""

from __future__ import annotations

import csv
from collections.abc import Collection, Iterable, Iterator, Sequence
from typing import Any, Protocol, TypeAlias

from gateway.errors import MappingError
from gateway.mapping.forms.delimited import Delimited
from gateway.model import Block, LineKind, Noticed
from gateway.patterns import Pattern

ROW_LINES = 50
"""Lines over which a row may run."""

Row: TypeAlias = tuple[int, int, list[str] | None, LineKind | None]
"""Position of its first line in the text, number of lines, cells, kind.

A footer has no cells and is of the kind FOOTER, a damaged line has neither, and a line that opens a cell without an end
has no cells and is UNREADABLE. The kind of any other row depends on its cells.
"""


_MARK = "\x1f"
"""Stands in for a delimiter of several characters: the unit separator of ISO 646, which no text of a cell holds."""


FILLED = "\x1f"
"""What stands in the context of a block before the name of a column that is filled once for several rows."""

NO_WIDTH = -1
"""Stands for the number of cells of a block's rows where that of the header is not to be trusted: none can be read."""


def width_of(block: Block) -> int:
    """How many of a block's columns stand in its rows; what is behind them is the same for every row."""
    # Asked for every row: most exports have nothing beside their rows.
    if not block.context:
        return len(block.fields)
    return len(block.fields) - sum(not name.startswith(FILLED) for name in block.context)


class CsvReader(Protocol):
    """What the csv module's own reader offers."""

    @property
    def line_num(self) -> int: ...
    def __iter__(self) -> Iterator[list[str]]: ...
    def __next__(self) -> list[str]: ...


class Rows:
    """Cuts lines into rows of cells.

    Args:
        layout: delimiter, quote and footers.

    Attributes:
        delimiter: what stands between cells.
        quote: what may stand around a cell; "" for nothing.

    Raises:
        MappingError: delimiter and quote cannot be told apart, or one of them is a line end or NUL.
    """

    def __init__(self, layout: Delimited) -> None:
        self.delimiter = layout.delimiter
        self.quote = layout.quote
        one = layout.delimiter if len(layout.delimiter) == 1 else _MARK
        self._csv: dict[str, Any] = {"delimiter": one, "strict": True, "quotechar": layout.quote or None}
        if not layout.quote:
            self._csv["quoting"] = csv.QUOTE_NONE
        if layout.escape:
            self._csv["escapechar"] = layout.escape
        # Where none of these is in a text, each line is a row, and its cells stand between the delimiters.
        self._special = [mark for mark in (layout.quote, layout.escape) if mark]
        marks = {*layout.delimiter, layout.quote}
        if layout.quote in set(layout.delimiter) or marks & {"\r", "\n", "\0"}:
            raise MappingError(
                "the delimiter and the quote must differ, and neither can be a line end or NUL",
                where="keys delimited.delimiter and delimited.quote",
                todo="Name the characters the export uses; quote = '' where it has none",
            )
        self._footers = [Pattern(pattern) for pattern in layout.footer]

    def footers(self, texts: Sequence[str]) -> bool:
        """Whether any of some lines is a footer."""
        return bool(self._footers) and any(map(self.is_footer, texts))

    def quoted(self, text: str, end: int | None = None) -> bool:
        """Whether a quote or an escape stands in a text, up to a position."""
        return any(text.find(mark, 0, end) >= 0 for mark in self._special)

    def start(self, texts: Sequence[str], musts: Collection[str]) -> list[str]:
        """Look at the first lines of an export without a header.

        Args:
            texts: the lines.
            musts: columns without which no line can be used.

        Returns:
            What there is to say of other columns that are in none of them.

        Raises:
            InputError: the lines are of another kind, or lack columns that must be there.
        """
        return []

    def unread(self, last: bool) -> Noticed:
        """What is wrong with a line that is no row; `last`: the export ends in it, without a line end."""
        if last:
            return Noticed("row-truncated", "The export ends inside a cell of this row, without a line end")
        return Noticed("row-quote-open", f"A quote opens a cell that does not end within {ROW_LINES} lines")

    def read(self, lines: Iterable[str]) -> CsvReader:
        """Read lines as the csv module does, cell by cell; raises `csv.Error` for what is no row."""
        return csv.reader(lines, **self._csv) if len(self.delimiter) == 1 else _LongDelimiter(self, lines, self._csv)

    def is_footer(self, line: str) -> bool:
        """Whether a line is a footer."""
        return any(footer.fits(line.strip()) for footer in self._footers)

    def row_each(self, texts: list[str]) -> bool:
        """Whether every line is a row."""
        reader = self.read(texts)
        try:
            return all(at == reader.line_num for at, _ in enumerate(reader, 1))
        except csv.Error:
            return False

    def first(self, texts: Sequence[str]) -> tuple[int, list[str] | None]:
        """Number of lines and cells of the row at the start of a text; (1, None) when it has no end within reach."""
        reader = self.read(f"{text}\n" for text in texts[:ROW_LINES])
        try:
            cells = next(reader)
        except csv.Error:
            return 1, None
        return reader.line_num, cells

    def rows(self, texts: Sequence[str], damaged: Collection[int], first_line: int, start: int = 0) -> Iterator[Row]:
        """The rows of a text from a line on. After a cell without an end, reading goes on at the next line.

        Args:
            texts: the lines.
            damaged: numbers of lines that must not be read; no row runs over one.
            first_line: number of the first of the lines.
            start: position to begin at.
        """

        def feed(position: int) -> Iterator[str]:
            for at in range(position, len(texts)):
                if at >= start + ROW_LINES or first_line + at in damaged:
                    return
                yield texts[at] + "\n"

        while start < len(texts):
            if first_line + start in damaged:
                yield start, 1, None, None
                start += 1
                continue
            reader, origin = self.read(feed(start)), start
            while True:
                cells: list[str] | None
                try:
                    cells = next(reader)
                except StopIteration:
                    break
                except csv.Error:
                    cells = None
                used = origin + reader.line_num - start
                if used == 0 and cells is not None:
                    # One more row of the line before.
                    yield start - 1, 0, cells, None
                    continue
                if self._footers and self.is_footer(texts[start]):
                    yield start, 1, None, LineKind.FOOTER
                elif cells is None:
                    yield start, 1, None, LineKind.UNREADABLE
                else:
                    yield start, used, cells, None
                    start += used
                    continue
                start += 1
                if cells is None or used > 1:
                    break


class _LongDelimiter:
    """Reads rows whose cells stand apart by several characters, of which the csv module knows one only."""

    def __init__(self, rows: Rows, lines: Iterable[str], settings: dict[str, Any]) -> None:
        self._delimiter = rows.delimiter
        self._reader = csv.reader(map(self._marked, lines), **settings)

    @property
    def line_num(self) -> int:
        return self._reader.line_num

    def __iter__(self) -> Iterator[list[str]]:
        return self

    def __next__(self) -> list[str]:
        return [cell.replace(_MARK, self._delimiter) for cell in next(self._reader)]

    def _marked(self, text: str) -> str:
        if _MARK in text:
            raise csv.Error("the line holds a unit separator")
        return text.replace(self._delimiter, _MARK)


def split(text: str) -> list[str]:
    """The lines of a text, without their ends."""
    texts = text.split("\n")
    if not texts[-1]:
        texts.pop()
    return texts
