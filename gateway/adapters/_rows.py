"""Rows of delimited text: lines cut into cells, footers, and cells that run over line ends."""

from __future__ import annotations

import csv
from collections.abc import Collection, Iterator, Sequence
from typing import Any, TypeAlias

from gateway.errors import MappingError
from gateway.mapping.forms.delimited import Delimited
from gateway.model import LineKind
from gateway.patterns import Pattern

ROW_LINES = 50
"""Lines over which a row may run."""

Row: TypeAlias = tuple[int, int, list[str] | None, LineKind | None]
"""Position of its first line in the text, number of lines, cells, kind.

A footer has no cells and is of the kind FOOTER, a damaged line has neither, and a line that opens a cell without an end
has no cells and is UNREADABLE. The kind of any other row depends on its cells.
"""


class Rows:
    """Cuts lines into rows of cells.

    Args:
        layout: delimiter, quote and footers.

    Attributes:
        delimiter: what stands between cells.
        quote: what may stand around a cell; "" for nothing.
        csv: the same for the csv module.

    Raises:
        MappingError: delimiter and quote cannot be told apart, or one of them is a line end or NUL.
    """

    def __init__(self, layout: Delimited) -> None:
        self.delimiter = layout.delimiter
        self.quote = layout.quote
        self.csv: dict[str, Any] = {"delimiter": layout.delimiter, "strict": True, "quotechar": layout.quote or None}
        if not layout.quote:
            self.csv["quoting"] = csv.QUOTE_NONE
        if layout.delimiter == layout.quote or {layout.delimiter, layout.quote} & {"\r", "\n", "\0"}:
            raise MappingError(
                "the delimiter and the quote must differ, and neither can be a line end or NUL",
                where="keys delimited.delimiter and delimited.quote",
                todo="Name the characters the export uses; quote = '' where it has none",
            )
        self._footers = [Pattern(pattern) for pattern in layout.footer]

    def footers(self, texts: Sequence[str]) -> bool:
        """Whether any of some lines is a footer."""
        return bool(self._footers) and any(map(self.is_footer, texts))

    def quoted(self, text: str) -> bool:
        """Whether a quote stands in a text."""
        return bool(self.quote) and self.quote in text

    def is_footer(self, line: str) -> bool:
        """Whether a line is a footer."""
        return any(footer.fits(line.strip()) for footer in self._footers)

    def row_each(self, texts: list[str]) -> bool:
        """Whether every line is a row."""
        reader = csv.reader(texts, **self.csv)
        try:
            return all(at == reader.line_num for at, _ in enumerate(reader, 1))
        except csv.Error:
            return False

    def first(self, texts: Sequence[str]) -> tuple[int, list[str] | None]:
        """Number of lines and cells of the row at the start of a text; (1, None) when it has no end within reach."""
        reader = csv.reader((f"{text}\n" for text in texts[:ROW_LINES]), **self.csv)
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
            reader, origin = csv.reader(feed(start), **self.csv), start
            while True:
                cells: list[str] | None
                try:
                    cells = next(reader)
                except StopIteration:
                    break
                except csv.Error:
                    cells = None
                used = origin + reader.line_num - start
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


def split(text: str) -> list[str]:
    """The lines of a text, without their ends."""
    texts = text.split("\n")
    if not texts[-1]:
        texts.pop()
    return texts
