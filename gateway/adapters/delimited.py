"""Delimited text: one row per set (wide) or one row per reading (long).

Rows follow RFC 4180 as the csv module reads it strictly: a quote opens a cell only at its start, is doubled inside it,
and the cell may run over line ends. Cells stay verbatim; only names in the header are trimmed.
"""

from __future__ import annotations

import csv
import re
from collections import Counter
from collections.abc import Collection, Iterator, Sequence
from difflib import get_close_matches
from itertools import chain, count
from operator import itemgetter
from typing import Any, BinaryIO, ClassVar, Literal, TypeAlias

from gateway.adapters._lines import Lines, codec_name
from gateway.errors import InputError, MappingError
from gateway.mapping.model import Mapping
from gateway.model import Block, Effect, Entry, Finding, LineKind, Parsed, Severity

_ROW_LINES = 50
_BLOCK_LINES = 25_000
_NAMES = 100
_NAME_LENGTH = 80
_HABIT = 2
"""Rows that must agree before their width is taken for a habit of the export."""

_USUAL_DELIMITERS = (",", ";", "\t", "|")


_Row: TypeAlias = tuple[int, int, list[str] | None, LineKind | None]
"""Position of its first line in the text, number of lines, cells, kind.

A footer has no cells and is of the kind FOOTER, a damaged line has neither, and a line that opens a cell without an end
has no cells and is UNREADABLE. The kind of any other row depends on its cells.
"""


class Delimited:
    """Adapter for delimited text.

    Args:
        mapping: how the export is laid out.
        needed: names of all columns the mapping uses.

    Attributes:
        piece: bytes to read at a time; changes nothing but memory and speed.
        block: characters in a block, at least; the block ends with the row in which that number is reached.
        set_limit: characters by which a block may grow so as not to divide a set (long layout). A longer run of rows
            with the same time, patient, device and sequence is not a set, and is cut.

    Raises:
        MappingError: the encoding, the delimiter or the quote cannot be used, or a mapped column is not in `columns`.
    """

    form: ClassVar[str] = "delimited"
    counts: ClassVar[Literal["lines", "bytes"]] = "lines"

    def __init__(self, mapping: Mapping, needed: Collection[str]) -> None:
        layout = mapping.delimited
        if layout is None:
            raise MappingError("the table [delimited] is missing", where="key delimited", todo="Add it")
        self.piece = 1 << 20
        self.block = 1 << 19
        self.set_limit = 4 << 20
        self._layout = layout
        self._codec = codec_name(layout.encoding)
        self._needed = tuple(dict.fromkeys(needed))
        self._spelled = {_trim(name): name for name in self._needed}
        self._probe = max(self._needed, key=len)
        self._probe_text = _trim(self._probe)
        self._header_names = min(2, len(self._spelled))
        self._delimiter = layout.delimiter
        self._quote = layout.quote
        self._csv: dict[str, Any] = {"delimiter": layout.delimiter, "strict": True, "quotechar": layout.quote or None}
        if not layout.quote:
            self._csv["quoting"] = csv.QUOTE_NONE
        if layout.delimiter == layout.quote or {layout.delimiter, layout.quote} & {"\r", "\n", "\0"}:
            raise MappingError(
                "the delimiter and the quote must differ, and neither can be a line end or NUL",
                where="keys delimited.delimiter and delimited.quote",
                todo="Name the characters the export uses; quote = '' where it has none",
            )
        self._footers = [re.compile(pattern) for pattern in layout.footer]
        if not layout.header and (missing := [name for name in self._needed if name not in layout.columns]):
            raise MappingError(
                f"the mapping uses {_listed(missing)}, but there is no header and 'columns' does not name it",
                where="key delimited.columns",
                todo="Name every column by position",
            )
        self._set_columns: tuple[str, ...] = ()
        if layout.layout == "long":
            named = (*mapping.time.columns, mapping.patient.column, mapping.device.column, mapping.sequence)
            self._set_columns = tuple(name for name in named if name in self._needed)

    # -- cutting into blocks

    def blocks(self, stream: BinaryIO, export: int) -> Iterator[Block]:
        """Cut an export into blocks; see `gateway.adapters.base.Adapter.blocks`.

        The last block of an export without any text has the finding `export-empty`, and its fields are the columns the
        mapping names; that of an export with nothing after its header has `export-header-only`.

        Raises:
            InputError: reading fails, or no line is the header the mapping describes.
        """
        lines = Lines(stream, self._codec, export, self.piece)
        block = Block(export, 1, self._needed if self._layout.header else tuple(self._layout.columns), "", 1)
        block.cells = len(block.fields) + self._layout.trailing_delimiter
        idle = not self._layout.header or self._take_header(lines, block)
        header = lines.first_line - 1
        lost = False  # below a header that cannot be used
        while True:
            end = self._cut(lines, block)
            other = self._other_header(lines, end, block.fields, lost) if self._layout.header else None
            if other is not None and other[0] == 0:
                lost = self._turn(lines, block, other[1])
                continue
            if other is not None:
                end = other[0]
            block.first_line = lines.first_line
            block.text, block.damaged, findings = lines.take(end)
            block.findings += findings
            if lost:
                block.damaged |= _written(block)
            idle = idle and self._idle(block.text)
            ended = not lines.text and not lines.more()
            if ended and idle:
                block.findings.append(_without_entries(export, header))
            yield block
            if ended:
                return
            block = Block(export, block.number + 1, block.fields, "", 1, cells=block.cells)

    def _idle(self, text: str) -> bool:
        """Whether a text holds nothing but blank lines and footers."""
        return all(not line.strip() or self._is_footer(line) for line in text.split("\n"))

    def _cut(self, lines: Lines, block: Block) -> int:
        """Where the next block ends in `lines.text`; depends on the lines only, never on how much has been read."""
        while len(lines.text) < self.block and lines.more():
            pass
        end = lines.text.find("\n", self.block - 1) + 1 or len(lines.text)
        if lines.text.count("\n", 0, end) > _BLOCK_LINES:
            end -= len(lines.text[:end].split("\n", _BLOCK_LINES)[-1])
        quoted = bool(self._quote) and lines.text.find(self._quote, 0, end) >= 0
        if not self._set_columns and not quoted:
            return end
        texts = _split(lines.text[:end])
        simple = not quoted or (not lines.damaged and self._row_each(texts))
        rows: Iterator[_Row]
        if simple:
            rows = (next(self._rows(texts, lines.damaged, lines.first_line, at)) for at in reversed(range(len(texts))))
        else:
            while lines.text.count("\n", end) < _ROW_LINES and lines.more():
                pass
            ahead = _split(lines.text[end:])[:_ROW_LINES]
            whole = []
            for row in self._rows(texts + ahead, lines.damaged, lines.first_line):
                if row[0] >= len(texts):
                    break
                whole.append(row)
            over = whole[-1][0] + whole[-1][1] - len(texts)
            end = min(end + sum(len(line) + 1 for line in ahead[:over]), len(lines.text))
            rows = reversed(whole)
        if not self._set_columns:
            return end
        loose = False
        for _, _, cells, kind in rows:
            kind = self._kind(cells, block) if cells is not None else kind or LineKind.UNREADABLE
            if cells is not None and kind is LineKind.ENTRY:
                return self._set_end(lines, block, end, self._key_at(block)(cells), loose)
            loose = loose or kind is LineKind.UNREADABLE
        return self._set_end(lines, block, end, None, loose) if loose else end

    def _key_at(self, block: Block) -> itemgetter[Any]:
        """Takes of a row what rows of one set agree in (long layout)."""
        return itemgetter(*(block.fields.index(name) for name in self._set_columns))

    def _set_end(self, lines: Lines, block: Block, end: int, key: object, loose: bool) -> int:
        """The first row after `end` that belongs to another set than the last entry before it.

        A row that cannot be read may belong to the set below it: both are in one block.

        Args:
            lines: what is read of the export.
            block: for its columns.
            end: a position in `lines.text`.
            key: what the rows of the last entry's set agree in; None where there is no such entry.
            loose: such a row stands between that entry and `end`, or before `end` where there is none.
        """
        key_at = self._key_at(block)
        first_line = lines.first_line + lines.text.count("\n", 0, end)
        while True:
            texts, ended = _split(lines.text[end:]), lines.ended
            position, own, lost = end, key, loose
            for start, used, cells, kind in self._rows(texts, lines.damaged, first_line):
                if not ended and start + _ROW_LINES > len(texts):
                    break
                kind = self._kind(cells, block) if cells is not None else kind or LineKind.UNREADABLE
                if cells is not None and kind is LineKind.ENTRY:
                    if key_at(cells) != own and not lost:
                        return position
                    own, lost = key_at(cells), False
                lost = lost or kind is LineKind.UNREADABLE
                if position - end >= self.set_limit:
                    return position
                position += sum(len(line) + 1 for line in texts[start : start + used])
            if ended:
                return len(lines.text)
            lines.more()

    # -- the header

    def _take_header(self, lines: Lines, first: Block) -> bool:
        """Take the lines up to and with the header into the first block; False when the export has no text at all."""
        within = self._layout.header_within + 1
        while lines.text.count("\n") < within + _ROW_LINES and lines.more():
            pass
        texts = _split(lines.text)
        for at in range(min(within, len(texts))):
            taken, cells = self._first_row(texts[at : at + _ROW_LINES])
            if cells is None or not set(self._needed) <= set(fields := self._fields(cells)):
                continue
            names = Counter(self._spelled.get(name, name) for name in map(_trim, cells))
            twice = [name for name in self._needed if names[name] > 1]
            if twice:
                raise InputError(
                    f"the header names {_listed(twice)} more than once",
                    where=f"line {at + 1}",
                    todo="Export it again with one column of that name, or map by position with header = false",
                )
            first.fields = fields
            first.cells = self._usual(texts[at + taken :], lines, at + taken, fields)
            before = [LineKind.BLANK if not text.strip() else LineKind.PREAMBLE for text in texts[:at]]
            end = min(sum(len(text) + 1 for text in texts[: at + taken]), len(lines.text))
            _, damaged, first.findings = lines.take(end)
            for line in damaged:
                if line <= at:
                    before[line - 1] = LineKind.UNREADABLE
            first.lines.update([*before, *[LineKind.HEADER] * taken])
            first.findings += _odd_names(cells, fields, at + 1, first.export)
            return True
        if len(texts) < within + _ROW_LINES and not any(text.strip() for text in texts):
            if texts:
                first.lines[LineKind.BLANK] = len(texts)
            _, _, first.findings = lines.take(len(lines.text))
            first.findings.append(_without_entries(first.export, 0))
            return False
        raise self._no_header(texts[:within], [line for line in lines.damaged if line <= within])

    def _usual(self, texts: Sequence[str], lines: Lines, before: int, fields: tuple[str, ...]) -> int:
        """How many cells each row below a header has.

        As many as the header, and one more where the mapping says that rows end with a delimiter of their own. That
        is never learned: where every row has a cell too many, every row may be shifted, as by a decimal comma. What
        is learned from the first rows is only whether they leave out columns at the end that have no name.

        Args:
            texts: the lines after the header.
            lines: what is read of the export.
            before: how many lines there are before them.
            fields: the columns under the header.
        """
        width = len(fields)
        if self._layout.trailing_delimiter:
            return width + 1
        rows = self._rows(texts[:_ROW_LINES], lines.damaged, lines.first_line + before)
        seen = Counter(len(cells) for _, _, cells, _ in rows if cells and any(map(str.strip, cells)))
        usual, count = seen.most_common(1)[0] if seen else (width, 0)
        if count < _HABIT or usual >= width or seen[width] == count:
            return width
        named = (name != f"column {at}" or name in self._needed for at, name in _after(fields, usual))
        return width if any(named) else usual

    # -- headers further down

    def _names(self, cells: Sequence[str]) -> Counter[str]:
        """How often each column that the mapping uses is named in a row."""
        names = (self._spelled.get(_trim(cell)) for cell in cells if len(cell) <= _NAME_LENGTH)
        return Counter(name for name in names if name is not None)

    def _other_header(
        self, lines: Lines, end: int, fields: tuple[str, ...], lost: bool
    ) -> tuple[int, list[str]] | None:
        """Where the first header with other columns begins in `lines.text`, and its cells; after `lost` any header."""
        text = lines.text[:end]
        hits = [name for name in self._spelled if name in text]
        if len(hits) < self._header_names:
            return None
        position = 0
        for line, row in enumerate(_split(text), lines.first_line):
            if sum(name in row for name in hits) >= self._header_names and line not in lines.damaged:
                cells = self._first_row([row])[1]
                named = cells is not None and len(self._names(cells)) >= self._header_names
                if cells is not None and named and (lost or self._fields(cells) != fields):
                    return position, cells
            position += len(row) + 1
        return None

    def _turn(self, lines: Lines, block: Block, cells: list[str]) -> bool:
        """Go over to another header, which is the next line; True when what follows cannot be read by it."""
        line = lines.first_line
        _, _, findings = lines.take(lines.text.find("\n") + 1 or len(lines.text))
        block.findings += findings
        block.lines[LineKind.HEADER] += 1
        names = self._names(cells)
        missing = [name for name in self._needed if not names[name]]
        wrong = missing or [name for name in self._needed if names[name] > 1]
        if wrong:
            says = "lacks" if missing else "names more than once"
            message = f"Another header stands here, and it {says} {_listed(wrong)}: nothing below it is read"
            rule, severity, effect = "header-lacks-columns", Severity.ERROR, Effect.HOLD
        else:
            message = "Another header stands here; the rows below it are read by it"
            rule, severity, effect = "header-changed", Severity.WARNING, Effect.NOTE
            while lines.text.count("\n") < _ROW_LINES and lines.more():
                pass
            block.fields = self._fields(cells)
            block.cells = self._usual(_split(lines.text), lines, 0, block.fields)
        block.findings.append(Finding(rule, severity, effect, message, export=block.export, line=line))
        return bool(wrong)

    def _fields(self, cells: Sequence[str]) -> tuple[str, ...]:
        """Names of the columns under a header: the mapping's own spelling, and a name for a column without one."""
        names: dict[str, None] = {}
        for position, cell in enumerate(cells, 1):
            name = _trim(cell)
            name = self._spelled.get(name, name) or f"column {position}"
            if name in names:
                name = f"{name} (column {position})"
            names[name] = None
        return tuple(names)

    def _no_header(self, texts: Sequence[str], damaged: Collection[int]) -> InputError:
        """The error for an export without the mapped header; quotes only cells that resemble a mapped name."""
        best = most = 0
        seen: tuple[str, ...] = ()
        for line, text in enumerate(texts, 1):
            cells = self._first_row([text])[1] or text.split(self._delimiter)
            names = self._fields([cell for cell in cells if len(cell) <= _NAME_LENGTH][:_NAMES])
            alike = sum(name in names or bool(_nearest(name, names)) for name in self._needed)
            if alike > most:
                best, most, seen = line, alike, names
        todo = "Give the mapping made for this kind of export, or correct the names of its columns"
        for other in _USUAL_DELIMITERS:
            if other != self._delimiter and any(
                set(self._spelled) <= {_trim(cell).strip(self._quote or None) for cell in text.split(other)}
                for text in texts
            ):
                return InputError(
                    f"no line has the mapped columns with {self._delimiter!r} between its cells, "
                    f"but one has them with {other!r}",
                    todo=f"Set delimited.delimiter = {other!r} in the mapping",
                )
        if damaged:
            todo += f". Line {min(damaged)} cannot be decoded or holds NUL bytes: check delimited.encoding too"
        lines = "the only line is not" if len(texts) == 1 else f"none of the first {len(texts)} lines is"
        missing = [name for name in self._needed if name not in seen]
        if not most:
            return InputError(f"{lines} the header of this mapping: {_listed(missing)} not found", todo=todo)
        hints = [f"'{name}'" + (f" (there is '{near}')" if (near := _nearest(name, seen)) else "") for name in missing]
        more = f" and {len(hints) - 8} more" if len(hints) > 8 else ""
        return InputError(
            f"{lines} the header of this mapping; line {best} comes nearest, but lacks {', '.join(hints[:8])}{more}",
            where=f"line {best}",
            todo=todo,
        )

    # -- rows

    def _quoted(self, text: str) -> bool:
        return bool(self._quote) and self._quote in text

    def _is_footer(self, line: str) -> bool:
        return any(footer.fullmatch(line.strip()) for footer in self._footers)

    def _row_each(self, texts: list[str]) -> bool:
        """Whether every line is a row."""
        reader = csv.reader(texts, **self._csv)
        try:
            return all(at == reader.line_num for at, _ in enumerate(reader, 1))
        except csv.Error:
            return False

    def _first_row(self, texts: Sequence[str]) -> tuple[int, list[str] | None]:
        """Number of lines and cells of the row at the start of a text; (1, None) when it has no end within reach."""
        reader = csv.reader((f"{text}\n" for text in texts[:_ROW_LINES]), **self._csv)
        try:
            cells = next(reader)
        except csv.Error:
            return 1, None
        return reader.line_num, cells

    def _rows(self, texts: Sequence[str], damaged: Collection[int], first_line: int, start: int = 0) -> Iterator[_Row]:
        """The rows of a text from a line on. After a cell without an end, reading goes on at the next line.

        Args:
            texts: the lines.
            damaged: numbers of lines that must not be read; no row runs over one.
            first_line: number of the first of the lines.
            start: position to begin at.
        """

        def feed(position: int) -> Iterator[str]:
            for at in range(position, len(texts)):
                if at >= start + _ROW_LINES or first_line + at in damaged:
                    return
                yield texts[at] + "\n"

        while start < len(texts):
            if first_line + start in damaged:
                yield start, 1, None, None
                start += 1
                continue
            reader, origin = csv.reader(feed(start), **self._csv), start
            while True:
                cells: list[str] | None
                try:
                    cells = next(reader)
                except StopIteration:
                    break
                except csv.Error:
                    cells = None
                used = origin + reader.line_num - start
                if self._footers and self._is_footer(texts[start]):
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

    def _kind(self, cells: list[str], block: Block) -> LineKind:
        """What a row is by its cells; brings an entry to the width of the header.

        A row that differs from the others in the number of its cells is unreadable, whether a cell too many is blank
        or not: nobody can say where it came in, and what stands after that place is another column's.
        """
        if not any(map(str.strip, cells)):
            return LineKind.BLANK
        fields = block.fields
        width, usual = len(fields), block.cells or len(fields)
        if (
            self._layout.header
            and width <= len(cells) <= max(width, usual)
            and self._probe_text in cells[fields.index(self._probe)]
            and self._fields(cells[:width]) == fields
        ):
            return LineKind.REPEATED_HEADER
        if len(cells) != usual or any(map(str.strip, cells[width:])):
            return LineKind.UNREADABLE
        cells[width:] = []
        cells += [""] * (width - len(cells))
        return LineKind.ENTRY

    # -- entries

    def columns_now(self, block: Block) -> tuple[str, ...] | None:
        """See `gateway.adapters.base.Adapter.columns_now`."""
        return block.fields if set(self._needed) <= set(block.fields) else None

    def parse(self, block: Block) -> Parsed:
        """Read a block into entries; see `gateway.adapters.base.Adapter.parse`."""
        texts = _split(block.text)
        if not texts:
            return Parsed([], Counter(), [])
        entries = self._one_line_each(block, texts)
        if entries is not None:
            return Parsed(entries, Counter({LineKind.ENTRY: len(texts)}), [])
        return self._thorough(block, texts)

    def _one_line_each(self, block: Block, texts: list[str]) -> list[Entry] | None:
        """Entries of a block in which every line is one; None when it needs a closer look."""
        if block.damaged or (self._footers and any(map(self._is_footer, texts))):
            return None
        if self._quoted(block.text):
            try:
                rows = list(csv.reader(texts, **self._csv))
            except csv.Error:
                return None
            if len(rows) != len(texts):
                return None
        else:
            delimiter = self._delimiter
            rows = [text.split(delimiter) for text in texts]
        width, usual = len(block.fields), block.cells or len(block.fields)
        if set(map(len, rows)) != {usual} or not all(map(str.strip, map(itemgetter(0), rows))):
            return None
        if usual != width:
            if any(map(str.strip, chain.from_iterable(row[width:] for row in rows))):
                return None
            rows = [row[:width] + [""] * (width - usual) for row in rows]
        if self._layout.header and (self._quoted(self._probe) or self._probe_text in block.text):
            return None
        return list(zip(count(block.first_line), rows, strict=False))

    def _thorough(self, block: Block, texts: list[str]) -> Parsed:
        """Entries of a block with lines of every kind."""
        entries: list[Entry] = []
        kinds: Counter[LineKind] = Counter()
        findings: list[Finding] = []
        cut_off = not block.text.endswith("\n")
        continued = 0
        lost: list[tuple[int, list[str]]] = []

        def note(rule: str, message: str, line: int, severity: Severity = Severity.ERROR) -> None:
            effect = Effect.HOLD if severity is Severity.ERROR else Effect.NOTE
            findings.append(Finding(rule, severity, effect, message, export=block.export, line=line))

        width = block.cells or len(block.fields)
        for start, used, cells, known in self._rows(texts, block.damaged, block.first_line):
            line = block.first_line + start
            last = cut_off and start + used == len(texts)
            if cells is None:
                kinds[known or LineKind.UNREADABLE] += 1
                if known is not LineKind.FOOTER:
                    lost.append((len(entries), []))
                if known is LineKind.UNREADABLE and last:
                    note("row-truncated", "The export ends inside a cell of this row, without a line end", line)
                elif known is LineKind.UNREADABLE:
                    note("row-quote-open", f"A quote opens a cell that does not end within {_ROW_LINES} lines", line)
                continue
            had = len(cells)
            kind = self._kind(cells, block)
            if kind is LineKind.ENTRY and used > 1 and self._holds_rows(cells, width):
                kinds[LineKind.UNREADABLE] += used
                lost.append((len(entries), []))
                note("row-holds-rows", "A quoted cell of this row holds what looks like other rows", line)
                continue
            if kind is LineKind.ENTRY:
                entries.append((line, cells))
                continued += used - 1
                continue
            kinds[kind] += used
            if kind is LineKind.UNREADABLE:
                lost.append((len(entries), cells))
            if kind is LineKind.REPEATED_HEADER:
                note("header-repeated", "The header stands here again", line, Severity.INFORMATION)
            elif kind is LineKind.UNREADABLE and last and had < width:
                note("row-truncated", f"The export ends in cell {had} of {width} of this row, without a line end", line)
            elif kind is LineKind.UNREADABLE:
                usual = "the header" if width == len(block.fields) else "the others"
                note("row-ragged", f"The row has {had} cells, {usual} {width}", line)
        kinds.update({LineKind.ENTRY: len(entries), LineKind.CONTINUATION: continued})
        return Parsed(entries, +kinds, findings, incomplete=self._incomplete(block, entries, lost))

    def _holds_rows(self, cells: Sequence[str], width: int) -> bool:
        """Whether a cell over several lines holds a whole row, or one that goes on with the cells behind it."""
        for at, cell in enumerate(cells):
            *before, last = (text.count(self._delimiter) for text in cell.split("\n")[1:] or [""])
            if width - 1 in before or (last == at > 0 and "\n" in cell):
                return True
        return False

    def _incomplete(
        self, block: Block, entries: Sequence[Entry], lost: Sequence[tuple[int, list[str]]]
    ) -> frozenset[int]:
        """Lines of entries whose sets may have lost a row (long layout).

        A lost row is of the set beside it whose time, patient and so on it states at their places; where it states
        neither's, it may be of either.

        Args:
            block: for its columns.
            entries: the entries.
            lost: for each row that cannot be read how many entries stand before it, and its cells, if any.
        """
        if not self._set_columns:
            return frozenset()
        key_at = self._key_at(block)
        least = max(block.fields.index(name) for name in self._set_columns)
        found: set[int] = set()
        for at, cells in lost:
            beside = [(key_at(entry[1]), entry[0]) for entry in entries[max(at - 1, 0) : at + 1]]
            own = key_at(cells) if len(cells) > least else None
            found.update([line for key, line in beside if key == own] or [line for _, line in beside])
        return frozenset(found)

    @staticmethod
    def example() -> tuple[dict[str, object], bytes]:
        """A small invented export and its mapping; see `gateway.adapters.base.Adapter.example`."""
        mapping: dict[str, object] = {
            "title": "Example",
            "version": "1",
            "form": "delimited",
            "namespace": "https://example.org/spot-checks",
            "delimited": {"layout": "wide"},
            "time": {"columns": ["taken"], "formats": ["%Y-%m-%d %H:%M"], "zone": "Europe/Oslo"},
            "patient": {"column": "patient", "system": "https://example.org/patients"},
            "vitals": {
                "heart_rate": {"column": "pulse", "unit": "/min"},
                "temperature": {"column": "temp", "unit": "Cel"},
            },
        }
        export = (
            b"Ward 4\n"
            b"patient,taken,pulse,temp\n"
            b"0017,2026-03-14 09:30,72,36.9\n"
            b'0018,2026-03-14 09:41,"80",37.2\n'
            b"\n"
            b"0019,2026-03-14 09:55,66\n"
        )
        return mapping, export


ADAPTER = Delimited


def _split(text: str) -> list[str]:
    texts = text.split("\n")
    if not texts[-1]:
        texts.pop()
    return texts


def _written(block: Block) -> frozenset[int]:
    """Numbers of the lines of a block that are not blank."""
    return frozenset(line for line, text in enumerate(_split(block.text), block.first_line) if text.strip())


def _trim(name: str) -> str:
    return name.strip().strip("\ufeff\u200b").strip()


def _after(fields: Sequence[str], width: int) -> Iterator[tuple[int, str]]:
    """Positions (from 1) and names of the columns after the first `width`."""
    return ((at, fields[at - 1]) for at in range(width + 1, len(fields) + 1))


def _nearest(name: str, names: Collection[str]) -> str:
    """The name most like a mapped one, or "".

    A name with digits that the mapped one lacks is not offered: it could be a cell of an entry, and an identifier.
    """
    digits = set(filter(str.isdigit, name))
    folded = {_trim(other).casefold(): other for other in names if set(filter(str.isdigit, other)) <= digits}
    close = get_close_matches(_trim(name).casefold(), folded, n=1, cutoff=0.6)
    return folded[close[0]] if close else ""


def _listed(names: Sequence[str]) -> str:
    more = f" and {len(names) - 8} more" if len(names) > 8 else ""
    return ", ".join(f"'{name}'" for name in names[:8]) + more


def _odd_names(cells: Sequence[str], fields: Sequence[str], line: int, export: int) -> list[Finding]:
    """Findings about header cells that are empty or say the same as one before."""
    findings = []
    seen: set[str] = set()
    for cell, field in zip(cells, fields, strict=True):
        name = _trim(cell)
        if not name:
            rule, severity = "header-empty-name", Severity.INFORMATION
            message = "A column has no name in the header"
        elif name in seen:
            rule, severity = "header-duplicate-name", Severity.WARNING
            message = "Two columns have the same name; the mapping uses neither"
        else:
            seen.add(name)
            continue
        findings.append(Finding(rule, severity, Effect.NOTE, message, export=export, line=line, column=field))
    return findings


def _without_entries(export: int, header: int) -> Finding:
    """The finding about an export without entries.

    Args:
        export: its position in the batch.
        header: line of the header; 0 when there is none.
    """
    if not header:
        return Finding("export-empty", Severity.WARNING, Effect.NOTE, "The export holds no text", export=export)
    message = "The export ends after its header"
    return Finding("export-header-only", Severity.WARNING, Effect.NOTE, message, export=export, line=header)
