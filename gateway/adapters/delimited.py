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
from itertools import count
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
        idle = not self._layout.header or self._take_header(lines, block)
        header = lines.first_line - 1
        while True:
            end = self._cut(lines, block.fields)
            block.first_line = lines.first_line
            block.text, block.damaged, findings = lines.take(end)
            block.findings += findings
            idle = idle and self._idle(block.text)
            ended = not lines.text and not lines.more()
            if ended and idle:
                block.findings.append(_without_entries(export, header))
            yield block
            if ended:
                return
            block = Block(export, block.number + 1, block.fields, "", 1)

    def _idle(self, text: str) -> bool:
        """Whether a text holds nothing but blank lines and footers."""
        return all(not line.strip() or self._is_footer(line) for line in text.split("\n"))

    def _cut(self, lines: Lines, fields: tuple[str, ...]) -> int:
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
        key_at = itemgetter(*(fields.index(name) for name in self._set_columns))
        key = next((key_at(cells) for _, _, cells, _ in rows if cells and self._is_entry(cells, fields)), None)
        return end if key is None else self._set_end(lines, fields, end, key_at, key)

    def _set_end(self, lines: Lines, fields: tuple[str, ...], end: int, key_at: itemgetter[Any], key: object) -> int:
        """The first row after `end` that belongs to another set than the last entry before it."""
        first_line = lines.first_line + lines.text.count("\n", 0, end)
        while True:
            texts, ended = _split(lines.text[end:]), lines.ended
            position = end
            for start, used, cells, _ in self._rows(texts, lines.damaged, first_line):
                if not ended and start + _ROW_LINES > len(texts):
                    break
                other = cells and self._is_entry(cells, fields) and key_at(cells) != key
                if other or position - end >= self.set_limit:
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

    def _is_entry(self, cells: list[str], fields: tuple[str, ...]) -> bool:
        return self._kind(cells, fields) is LineKind.ENTRY

    def _kind(self, cells: list[str], fields: tuple[str, ...]) -> LineKind:
        """What a row is by its cells; brings an entry to the width of the header when nothing is lost by that."""
        if not any(map(str.strip, cells)):
            return LineKind.BLANK
        width = len(fields)
        if len(cells) != width:
            if any(map(str.strip, cells[width:])):
                return LineKind.UNREADABLE
            if any(name != f"column {at}" or name in self._needed for at, name in _after(fields, len(cells))):
                return LineKind.UNREADABLE
            cells[width:] = []
            cells += [""] * (width - len(cells))
        if (
            self._layout.header
            and self._probe_text in cells[fields.index(self._probe)]
            and self._fields(cells) == fields
        ):
            return LineKind.REPEATED_HEADER
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
        if set(map(len, rows)) != {len(block.fields)} or not all(map(str.strip, map(itemgetter(0), rows))):
            return None
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

        def note(rule: str, message: str, line: int, severity: Severity = Severity.ERROR) -> None:
            effect = Effect.HOLD if severity is Severity.ERROR else Effect.NOTE
            findings.append(Finding(rule, severity, effect, message, export=block.export, line=line))

        width = len(block.fields)
        for start, used, cells, known in self._rows(texts, block.damaged, block.first_line):
            line = block.first_line + start
            last = cut_off and start + used == len(texts)
            if cells is None:
                kinds[known or LineKind.UNREADABLE] += 1
                if known is LineKind.UNREADABLE and last:
                    note("row-truncated", "The export ends inside a cell of this row, without a line end", line)
                elif known is LineKind.UNREADABLE:
                    note("row-quote-open", f"A quote opens a cell that does not end within {_ROW_LINES} lines", line)
                continue
            had = len(cells)
            kind = self._kind(cells, block.fields)
            if kind is LineKind.ENTRY:
                entries.append((line, cells))
                continued += used - 1
                continue
            kinds[kind] += used
            if kind is LineKind.REPEATED_HEADER:
                note("header-repeated", "The header stands here again", line, Severity.INFORMATION)
            elif kind is LineKind.UNREADABLE and last and had < width:
                note("row-truncated", f"The export ends in cell {had} of {width} of this row, without a line end", line)
            elif kind is LineKind.UNREADABLE:
                note("row-ragged", f"The row has {had} cells, the header {width}", line)
        kinds.update({LineKind.ENTRY: len(entries), LineKind.CONTINUATION: continued})
        return Parsed(entries, +kinds, findings)

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
