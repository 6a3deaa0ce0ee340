"""Delimited text: one row per set (wide) or one row per reading (long).

Rows follow RFC 4180 as the csv module reads it strictly: a quote opens a cell only at its start, is doubled inside it,
and the cell may run over line ends. Cells stay verbatim; only names in the header are trimmed.
"""

from __future__ import annotations

import csv
import re
from collections import Counter
from collections.abc import Collection, Iterator, Sequence
from dataclasses import replace
from itertools import chain, count
from operator import itemgetter
from typing import Any, BinaryIO, ClassVar, Literal

from gateway.adapters._headers import Headers, listed, without_entries
from gateway.adapters._json_rows import JsonRows
from gateway.adapters._lines import Lines, codec_name
from gateway.adapters._order import Line, Regrouping
from gateway.adapters._rows import FILLED, ROW_LINES, Row, Rows, split, width_of
from gateway.errors import MappingError
from gateway.mapping.model import Mapping
from gateway.mapping.uses import uses
from gateway.model import Block, Effect, Entry, Finding, LineKind, Noticed, Parsed, Severity

_BLOCK_LINES = 25_000


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
        self._only = layout.only
        self._meant = frozenset(layout.only.values if layout.only is not None else ())
        more = [*layout.filled, *([layout.only.column] if layout.only is not None else [])]
        self._needed = tuple(dict.fromkeys([*needed, *more]))
        self._filled = tuple(layout.filled)
        self._rows = Rows(layout)
        if layout.rows == "json":
            self._rows = JsonRows(layout, self._needed)
            layout = self._layout = layout.model_copy(update={"header": False, "columns": list(self._needed)})
        self._headers = Headers(layout, self._needed, self._rows)
        if not layout.header and (missing := [name for name in self._needed if name not in layout.columns]):
            raise MappingError(
                f"the mapping uses {listed(missing)}, but there is no header and 'columns' does not name it",
                where="key delimited.columns",
                todo="Name every column by position",
            )
        musts = (*mapping.time.columns, *mapping.patient.said, layout.label_column, layout.value_column)
        self._musts = frozenset(name for name in musts if name is not None)
        self._goes_on = {} if layout.rows == "json" or layout.trailing_delimiter else _goes_on(mapping)
        self._set_columns: tuple[str, ...] = ()
        self._any_order = layout.layout == "long" and layout.order == "any"
        if layout.layout == "long":
            named = (*mapping.time.columns, *mapping.patient.said, mapping.device.column, *mapping.sequences)
            self._set_columns = tuple(name for name in named if name is not None and name in needed)

    # -- cutting into blocks

    def blocks(self, stream: BinaryIO, export: int) -> Iterator[Block]:
        """Cut an export into blocks; see `gateway.adapters.base.Adapter.blocks`.

        The last block of an export without any text has the finding `export-empty`, and its fields are the columns the
        mapping names; that of an export with nothing after its header has `export-header-only`.

        Raises:
            InputError: reading fails, or no line is the header the mapping describes.
        """
        if self._any_order:
            yield from Regrouping(self._read, self._key_at, self.block, self.set_limit).blocks(
                self._cut_up(stream, export)
            )
        else:
            yield from self._cut_up(stream, export)

    def _cut_up(self, stream: BinaryIO, export: int) -> Iterator[Block]:
        """The blocks of an export in the order of its lines."""
        lines = Lines(stream, self._codec, export, self.piece)
        block = Block(export, 1, self._needed if self._layout.header else tuple(self._layout.columns), "", 1)
        if self._layout.header:
            idle = self._headers.take(lines, block)
        else:
            idle = True
            while lines.text.count("\n") < ROW_LINES and lines.more():
                pass
            texts = split(lines.text)[:ROW_LINES]
            block.cells = self._headers.usual(texts, lines, 0, block.fields)
            for what in self._rows.start(texts, self._musts):
                finding = Finding("column-not-seen", Severity.INFORMATION, Effect.NOTE, what, export=export)
                block.findings.append(finding)
        block.context |= {f"{FILLED}{name}": "" for name in self._filled}
        header = lines.first_line - 1
        lost = False  # below a header that cannot be used
        while True:
            end = self._cut(lines, block)
            own = block.fields[: width_of(block)]
            other = self._headers.other(lines, end, own, lost) if self._layout.header else None
            if other is not None and other[0] == 0:
                lost = self._headers.turn(lines, block, other[1])
                continue
            if other is not None:
                end = other[0]
            elif self._goes_on:
                end = self._with_fragments(lines, end, block)
            block.first_line = lines.first_line
            block.text, block.damaged, findings = lines.take(end)
            block.findings += findings
            if lost:
                block.damaged |= _written(block)
            idle = idle and self._idle(block.text)
            ended = not lines.text and not lines.more()
            if ended and idle:
                block.findings.append(without_entries(export, header))
            carried = self._filled_after(block)
            yield block
            if ended:
                return
            context = {name: text for name, text in block.context.items() if not name.startswith(FILLED)} | carried
            block = Block(export, block.number + 1, block.fields, "", 1, cells=block.cells, context=context)

    def _with_fragments(self, lines: Lines, end: int, block: Block) -> int:
        """Where a block ends that takes in lines of one cell: the last row before them may go on there."""
        for _ in range(ROW_LINES):
            while (after := lines.text.find("\n", end)) < 0 and lines.more():
                pass
            text = lines.text[end : after if after >= 0 else len(lines.text)]
            if not text.strip() or self._rows.delimiter in text:
                break
            end = after + 1 if after >= 0 else len(lines.text)
        return end

    def _filled_after(self, block: Block) -> dict[str, str]:
        """What the cells of the columns that are filled once say at the end of a block; nothing where that is lost."""
        if not self._filled:
            return {}
        last = {name: block.context.get(f"{FILLED}{name}") for name in self._filled}
        for _, _, cells, kind, _ in self._read(block, split(block.text)):
            if kind in (LineKind.ENTRY, LineKind.LEFT_OUT):
                last = {name: cells[block.fields.index(name)] for name in self._filled}
            elif kind is LineKind.UNREADABLE:
                last = dict.fromkeys(last)
        return {f"{FILLED}{name}": text for name, text in last.items() if text is not None}

    def _idle(self, text: str) -> bool:
        """Whether a text holds nothing but blank lines and footers."""
        return all(not line.strip() or self._rows.is_footer(line) for line in text.split("\n"))

    def _cut(self, lines: Lines, block: Block) -> int:
        """Where the next block ends in `lines.text`; depends on the lines only, never on how much has been read."""
        while len(lines.text) < self.block and lines.more():
            pass
        end = lines.text.find("\n", self.block - 1) + 1 or len(lines.text)
        if lines.text.count("\n", 0, end) > _BLOCK_LINES:
            end -= len(lines.text[:end].split("\n", _BLOCK_LINES)[-1])
        quoted = self._rows.quoted(lines.text, end)
        by_set = bool(self._set_columns) and not self._any_order
        if not by_set and not quoted:
            return end
        texts = split(lines.text[:end])
        simple = not quoted or (not lines.damaged and self._rows.row_each(texts))
        rows: Iterator[Row]
        if simple:
            backwards = reversed(range(len(texts)))
            rows = (next(self._rows.rows(texts, lines.damaged, lines.first_line, at)) for at in backwards)
        else:
            while lines.text.count("\n", end) < ROW_LINES and lines.more():
                pass
            ahead = split(lines.text[end:])[:ROW_LINES]
            whole = []
            for row in self._rows.rows(texts + ahead, lines.damaged, lines.first_line):
                if row[0] >= len(texts):
                    break
                whole.append(row)
            over = max(whole[-1][0] + whole[-1][1] - len(texts), 0)
            end = min(end + sum(len(line) + 1 for line in ahead[:over]), len(lines.text))
            rows = reversed(whole)
        if not by_set:
            return end
        if self._filled:
            # Whose the last row is may stand far above it: the block takes in the set that begins next.
            return self._set_end(lines, block, end, None, True)
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
        filled_at = [block.fields.index(name) for name in self._filled]
        first_line = lines.first_line + lines.text.count("\n", 0, end)
        while True:
            texts, ended = split(lines.text[end:]), lines.ended
            position, own, lost = end, key, loose
            for start, used, cells, kind in self._rows.rows(texts, lines.damaged, first_line):
                if not ended and start + ROW_LINES > len(texts):
                    break
                kind = self._kind(cells, block) if cells is not None else kind or LineKind.UNREADABLE
                goes_on = cells is not None and not all(cells[at].strip() for at in filled_at if at < len(cells))
                if cells is not None and kind is LineKind.ENTRY and not goes_on:
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

    # -- rows

    def _kind(self, cells: list[str], block: Block) -> LineKind:
        """What a row is by its cells; brings an entry to the width of the header.

        A row that differs from the others in the number of its cells is unreadable, whether a cell too many is blank
        or not: nobody can say where it came in, and what stands after that place is another column's.
        """
        if not any(map(str.strip, cells)):
            return LineKind.BLANK
        fields = block.fields
        width = width_of(block)
        usual = block.cells or width
        if self._headers.is_again(cells, block):
            return LineKind.REPEATED_HEADER
        if len(cells) != usual or any(map(str.strip, cells[width:])):
            return LineKind.UNREADABLE
        cells[width:] = []
        cells += [""] * (width - len(cells))
        if len(fields) > width:
            cells += [block.context[name] for name in fields[width:]]
        if self._only is not None and cells[fields.index(self._only.column)].strip() not in self._meant:
            return LineKind.LEFT_OUT
        return LineKind.ENTRY

    # -- entries

    def columns_now(self, block: Block) -> tuple[str, ...] | None:
        """See `gateway.adapters.base.Adapter.columns_now`."""
        return block.fields if set(self._needed) <= set(block.fields) else None

    def parse(self, block: Block) -> Parsed:
        """Read a block into entries; see `gateway.adapters.base.Adapter.parse`."""
        texts = split(block.text)
        if not texts:
            return Parsed([], Counter(), [])
        entries = self._one_line_each(block, texts)
        if entries is None:
            return self._in_stretches(block, texts) if block.numbers else self._thorough(block, texts)
        lines = len(entries)
        if self._only is not None:
            at = block.fields.index(self._only.column)
            entries = [entry for entry in entries if entry[1][at].strip() in self._meant]
        kinds = Counter({LineKind.ENTRY: len(entries), LineKind.LEFT_OUT: lines - len(entries)})
        return Parsed(entries, +kinds, [], incomplete=block.short)

    def _in_stretches(self, block: Block, texts: list[str]) -> Parsed:
        """Read a block whose lines do not follow each other: no row goes on in a line that is not its next one."""
        whole = Parsed([], Counter(), [], incomplete=block.short)
        start = 0
        for end in range(1, len(texts) + 1):
            if end < len(texts) and block.numbers[end] == block.numbers[end - 1] + 1:
                continue
            lines = texts[start:end]
            text = "\n".join(lines) + ("\n" if end < len(texts) or block.text.endswith("\n") else "")
            part = self._thorough(replace(block, text=text, first_line=block.numbers[start], numbers=()), lines)
            whole.entries += part.entries
            whole.lines.update(part.lines)
            whole.findings += part.findings
            start = end
        return whole

    def _one_line_each(self, block: Block, texts: list[str]) -> list[Entry] | None:
        """Entries of a block in which every line is one; None when it needs a closer look."""
        if block.damaged or self._rows.footers(texts):
            return None
        if self._rows.quoted(block.text):
            try:
                rows = list(self._rows.read(texts))
            except csv.Error:
                return None
            if len(rows) != len(texts):
                return None
        else:
            delimiter = self._rows.delimiter
            rows = [text.split(delimiter) for text in texts]
        if self._filled:
            return None
        width = width_of(block)
        usual = block.cells or width
        if set(map(len, rows)) != {usual} or not all(map(str.strip, map(itemgetter(0), rows))):
            return None
        if usual != width:
            if any(map(str.strip, chain.from_iterable(row[width:] for row in rows))):
                return None
            rows = [row[:width] + [""] * (width - usual) for row in rows]
        if len(block.fields) > width:
            beside = [block.context[name] for name in block.fields[width:]]
            rows = [row + beside for row in rows]
        if self._headers.may_stand_in(block.text):
            return None
        return list(zip(block.numbers or count(block.first_line), rows, strict=False))

    def _thorough(self, block: Block, texts: list[str]) -> Parsed:
        """Entries of a block with lines of every kind."""
        entries: list[Entry] = []
        kinds: Counter[LineKind] = Counter()
        findings: list[Finding] = []
        lost: list[tuple[int, list[str]]] = []
        for line, used, cells, kind, noticed in self._read(block, texts):
            if kind is LineKind.ENTRY:
                entries.append((line, cells))
                kinds[LineKind.CONTINUATION] += max(used - 1, 0)
            kinds[kind] += used if kind is not LineKind.ENTRY else min(used, 1)
            if kind is LineKind.UNREADABLE:
                lost.append((len(entries), cells))
            if noticed is not None:
                severity = Severity.INFORMATION if kind is LineKind.REPEATED_HEADER else Severity.ERROR
                effect = Effect.HOLD if severity is Severity.ERROR else Effect.NOTE
                findings.append(
                    Finding(noticed.rule, severity, effect, noticed.message, export=block.export, line=line)
                )
        return Parsed(entries, +kinds, findings, incomplete=self._incomplete(block, entries, lost) | block.short)

    def _read(self, block: Block, texts: list[str]) -> Iterator[Line]:
        """What every line of a block is. Of one that is damaged or opens a quote without an end, there are no cells.

        Where a line of one cell goes on with what the last cell of the row above it may have begun, that row is
        not read either: a number cut in two is another number.
        """
        rows = self._each(block, texts)
        goes_on = self._goes_on.get(block.fields[block.cells - 1]) if block.cells == width_of(block) else None
        if goes_on is None:
            yield from rows
            return
        before: Line | None = None
        for row in rows:
            _, _, cells, kind, _ = row
            if before is not None:
                if before[3] is LineKind.ENTRY and kind is LineKind.UNREADABLE and len(cells) == 1 < block.cells:
                    begun, more = before[2][block.cells - 1], cells[0]
                    if begun.strip() and goes_on.match(more):
                        what = "A line of one cell follows: the last cell of this row may go on there"
                        before = (*before[:3], LineKind.UNREADABLE, Noticed("row-ragged", what))
                yield before
            before = row
        if before is not None:
            yield before

    def _each(self, block: Block, texts: list[str]) -> Iterator[Line]:
        """What each line of a block is by itself; see `_read`."""
        cut_off = not block.text.endswith("\n")
        width = block.cells if block.cells > 0 else width_of(block) + self._layout.trailing_delimiter
        above: dict[int, str | None] = {
            block.fields.index(name): block.context.get(f"{FILLED}{name}") for name in self._filled
        }
        for start, used, cells, known in self._rows.rows(texts, block.damaged, block.first_line):
            line = block.first_line + start
            last = cut_off and start + used == len(texts)
            noticed: Noticed | None = None
            if cells is None:
                kind = known or LineKind.UNREADABLE
                if known is LineKind.UNREADABLE:
                    noticed = self._rows.unread(last)
                if kind is LineKind.UNREADABLE:
                    above = dict.fromkeys(above)
                yield line, used, [], kind, noticed
                continue
            had = len(cells)
            kind = self._kind(cells, block)
            if kind is LineKind.ENTRY and used > 1 and self._holds_rows(cells, width):
                what = "A quoted cell of this row holds what looks like other rows"
                above = dict.fromkeys(above)
                yield line, used, [], LineKind.UNREADABLE, Noticed("row-holds-rows", what)
                continue
            if kind is LineKind.REPEATED_HEADER:
                noticed = Noticed("header-repeated", "The header stands here again")
            elif kind is LineKind.UNREADABLE and last and had < width:
                what = f"The export ends in cell {had} of {width} of this row, without a line end"
                noticed = Noticed("row-truncated", what)
            elif kind is LineKind.UNREADABLE:
                usual = "the header" if width == width_of(block) else "the others"
                what = f"The row has {had} cells, {usual} {width}"
                if had == width and block.cells > 0:
                    what = f"The row has text in cell {had}, behind the delimiter that ends each row"
                elif had == width:
                    what = f"The row has {had} cells as the header, where most rows have another number"
                noticed = Noticed("row-ragged", what)
            if above and kind in (LineKind.ENTRY, LineKind.LEFT_OUT, LineKind.UNREADABLE):
                kind, noticed = _fill(cells, kind, above, noticed)
            yield line, used, cells, kind, noticed

    def _holds_rows(self, cells: Sequence[str], width: int) -> bool:
        """Whether a cell over several lines holds a whole row, or one that goes on with the cells behind it."""
        for at, cell in enumerate(cells):
            *before, last = (text.count(self._rows.delimiter) for text in cell.split("\n")[1:] or [""])
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
            "time": {"columns": ["taken"], "formats": ["%Y-%m-%d %H:%M"], "zone": "Europe/Oslo", "past_days": "any"},
            "patient": {"column": "patient", "pattern": "any", "system": "https://example.org/patients"},
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


def _goes_on(mapping: Mapping) -> dict[str, re.Pattern[str]]:
    """Column -> what a line below a row begins with that may go on with the column's cell.

    After a number only what a number can go on with: a line of text below the last row is no part of it.
    """
    found: dict[str, re.Pattern[str]] = {}
    for use in uses(mapping):
        if use.kind in ("value", "time", "patient", "party", "sequence"):
            found[use.column] = re.compile(r"\s*[0-9.,]" if use.kind == "value" else r"\s*\S")
    return found


def _fill(
    cells: list[str], kind: LineKind, above: dict[int, str | None], noticed: Noticed | None
) -> tuple[LineKind, Noticed | None]:
    """Give a row the cells that it leaves to the row above it.

    Args:
        cells: of the row.
        kind: what it is.
        above: position -> what the cell above says, None where that is lost; is brought up to date.
        noticed: what there is to say of the row.

    Returns:
        What it is then, and what there is to say of it.
    """
    if kind is LineKind.UNREADABLE:
        above.update(dict.fromkeys(above))
        return kind, noticed
    for at, text in above.items():
        if cells[at].strip():
            above[at] = cells[at]
        elif text is not None:
            cells[at] = text
        elif kind is LineKind.ENTRY:
            kind = LineKind.UNREADABLE
            noticed = Noticed("row-above-lost", "The row leaves a cell to the row above it, which cannot be read")
    return kind, noticed


def _written(block: Block) -> frozenset[int]:
    """Numbers of the lines of a block that are not blank."""
    return frozenset(line for line, text in enumerate(split(block.text), block.first_line) if text.strip())
