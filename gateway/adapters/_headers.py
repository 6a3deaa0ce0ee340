"""Headers of delimited text: found, read as columns, and found again where the columns change further down."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterator, Sequence
from difflib import get_close_matches
from itertools import takewhile

from gateway.adapters._lines import Lines
from gateway.adapters._rows import FILLED, NO_WIDTH, ROW_LINES, Rows, split, width_of
from gateway.errors import InputError
from gateway.mapping.forms.delimited import UNIT_OF, Delimited
from gateway.model import Block, Effect, Finding, LineKind, Severity
from gateway.patterns import Pattern

_NAMES = 100
_NAME_LENGTH = 80
_HABIT = 2
"""Rows that must agree before their width is taken for a habit of the export."""

_USUAL_DELIMITERS = (",", ";", "\t", "|")


class Headers:
    """Reads the headers of an export.

    Args:
        layout: how the export is laid out.
        needed: names of all columns the mapping uses, each once.
        rows: cuts lines into cells.
    """

    def __init__(self, layout: Delimited, needed: Sequence[str], rows: Rows) -> None:
        self._layout = layout
        self._above = [Pattern(text) for text in layout.above]
        self._beside = [name for each in self._above for name in each.names if name in needed]
        if layout.unit_row:
            self._beside += [name for name in needed if name.startswith(UNIT_OF) and name not in self._beside]
        needed = [name for name in needed if name not in self._beside]
        self._needed = needed
        self._rows = rows
        self._spelled = {_trim(name): name for name in needed}
        self._probe = max(needed, key=len)
        self._probe_text = _trim(self._probe)
        self._header_names = min(2, len(self._spelled))

    def may_stand_in(self, text: str) -> bool:
        """Whether a text may hold a header: a quick look, which never overlooks one with the columns in force."""
        return self._layout.header and (self._rows.quoted(self._probe) or self._probe_text in text)

    def is_again(self, cells: Sequence[str], block: Block) -> bool:
        """Whether a row is the header in force once more."""
        width = width_of(block)
        return (
            self._layout.header
            and width <= len(cells) <= max(width, block.cells)
            and self._probe_text in cells[block.fields.index(self._probe)]
            and self.fields(cells[:width]) == block.fields[:width]
        )

    def take(self, lines: Lines, first: Block) -> bool:
        """Take the lines up to and with the header into the first block; False when the export has no text at all."""
        within = self._layout.header_within + 1
        while lines.text.count("\n") < within + ROW_LINES and lines.more():
            pass
        texts = split(lines.text)
        for at in range(min(within, len(texts))):
            taken, cells = self._rows.first(texts[at : at + ROW_LINES])
            if cells is None or not set(self._needed) <= set(fields := self.fields(cells)):
                continue
            names = Counter(self._spelled.get(name, name) for name in map(_trim, cells))
            twice = [name for name in self._needed if names[name] > 1]
            if twice:
                raise InputError(
                    f"the header names {listed(twice)} more than once",
                    where=f"line {at + 1}",
                    todo="Export it again with one column of that name, or map by position with header = false",
                )
            first.context = dict.fromkeys(self._beside, "") | self._told_above(texts[:at])
            if self._layout.unit_row:
                taken += self._units(texts, at + taken, fields, first.context)
            first.fields = (*fields, *first.context)
            first.cells = self.usual(texts[at + taken :], lines, at + taken, fields)
            before = [LineKind.BLANK if not text.strip() else LineKind.PREAMBLE for text in texts[:at]]
            end = min(sum(len(text) + 1 for text in texts[: at + taken]), len(lines.text))
            _, damaged, first.findings = lines.take(end)
            for line in damaged:
                if line <= at:
                    before[line - 1] = LineKind.UNREADABLE
            first.lines.update([*before, *[LineKind.HEADER] * taken])
            first.findings += _odd_names(cells, fields, at + 1, first.export)
            return True
        if len(texts) < within + ROW_LINES and not any(text.strip() for text in texts):
            if texts:
                first.lines[LineKind.BLANK] = len(texts)
            _, _, first.findings = lines.take(len(lines.text))
            first.findings.append(without_entries(first.export, 0))
            return False
        raise self._not_found(texts[:within], [line for line in lines.damaged if line <= within])

    def _told_above(self, texts: Sequence[str]) -> dict[str, str]:
        """What the lines above the header say, by column; the first line that fits counts."""
        found: dict[str, str] = {}
        for pattern in self._above:
            for text in texts:
                cells = pattern.cells(text.strip())
                if cells is not None:
                    found |= {name: cell or "" for name, cell in cells.items() if name in self._beside}
                    break
        return found

    def _units(self, texts: Sequence[str], start: int, fields: tuple[str, ...], context: dict[str, str]) -> int:
        """Take in the row of units, which begins at a line; gives the number of its lines.

        Raises:
            InputError: it is no row, or of another width than the header.
        """
        used, cells = self._rows.first(texts[start : start + ROW_LINES]) if start < len(texts) else (1, None)
        if cells is None or len(cells) != len(fields):
            what = "nothing" if cells is None else f"a row of {len(cells)} cells"
            raise InputError(
                f"below the header stands {what}, and no row of units for its {len(fields)} columns",
                where=f"line {start + 1}",
                todo="Give the mapping made for this kind of export, or take delimited.unit_row out",
            )
        for name, cell in zip(fields, cells, strict=True):
            if f"{UNIT_OF}{name}" in context:
                context[f"{UNIT_OF}{name}"] = cell
        return used

    def usual(self, texts: Sequence[str], lines: Lines, before: int, fields: tuple[str, ...]) -> int:
        """How many cells each row below a header has; `NO_WIDTH` where most rows have another number than the header.

        As many as the header, and one more where the mapping says that rows end with a delimiter of their own. That
        is never learned: where every row has a cell too many, every row may be shifted, as by a decimal comma. What
        is learned from the first rows is whether they leave out columns at the end that have no name, and whether
        the header is the one with a delimiter too many or too few: a row that agrees with it then is the shifted one.

        Args:
            texts: the lines after the header.
            lines: what is read of the export.
            before: how many lines there are before them.
            fields: the columns under the header.
        """
        width = len(fields) + self._layout.trailing_delimiter
        rows = self._rows.rows(texts[:ROW_LINES], lines.damaged, lines.first_line + before)
        own = takewhile(
            lambda cells: not cells or len(self._named(cells)) < self._header_names, (row[2] for row in rows)
        )
        seen = Counter(len(cells) for cells in own if cells and any(map(str.strip, cells)))
        # Lines of text below the rows are no rows.
        other = max((each for each in seen if each != width and 2 * each > width), key=seen.__getitem__, default=width)
        if seen[other] < _HABIT or seen[other] <= seen[width]:
            return width
        unnamed = (name == f"column {at}" and name not in self._needed for at, name in _after(fields, other))
        return other if other < len(fields) and not self._layout.trailing_delimiter and all(unnamed) else NO_WIDTH

    def _named(self, cells: Sequence[str]) -> Counter[str]:
        """How often each column that the mapping uses is named in a row."""
        names = (self._spelled.get(_trim(cell)) for cell in cells if len(cell) <= _NAME_LENGTH)
        return Counter(name for name in names if name is not None)

    def other(self, lines: Lines, end: int, fields: tuple[str, ...], lost: bool) -> tuple[int, list[str]] | None:
        """Where the first header with other columns begins in `lines.text`, and its cells; after `lost` any header."""
        text = lines.text[:end]
        hits = [name for name in self._spelled if name in text]
        if len(hits) < self._header_names:
            return None
        position = 0
        for line, row in enumerate(split(text), lines.first_line):
            if sum(name in row for name in hits) >= self._header_names and line not in lines.damaged:
                cells = self._rows.first([row])[1]
                named = cells is not None and len(self._named(cells)) >= self._header_names
                if cells is not None and named and (lost or self._layout.unit_row or self.fields(cells) != fields):
                    return position, cells
            position += len(row) + 1
        return None

    def turn(self, lines: Lines, block: Block, cells: list[str]) -> bool:
        """Go over to another header, which is the next line; True when what follows cannot be read by it."""
        line = lines.first_line
        _, _, findings = lines.take(lines.text.find("\n") + 1 or len(lines.text))
        block.findings += findings
        block.lines[LineKind.HEADER] += 1
        names = self._named(cells)
        missing = [name for name in self._needed if not names[name]]
        wrong = missing or [name for name in self._needed if names[name] > 1]
        unusable = bool(wrong) or self._layout.unit_row
        if unusable:
            # Whether the units below it are those of the first is not known.
            what = "where only the first has its row of units"
            if wrong:
                what = f"and it {'lacks' if missing else 'names more than once'} {listed(wrong)}"
            message = f"Another header stands here, {what}: nothing below it is read"
            rule, severity, effect = "header-lacks-columns", Severity.ERROR, Effect.HOLD
        else:
            message = "Another header stands here; the rows below it are read by it"
            rule, severity, effect = "header-changed", Severity.WARNING, Effect.NOTE
            while lines.text.count("\n") < ROW_LINES and lines.more():
                pass
            fields = self.fields(cells)
            block.fields = (*fields, *block.fields[width_of(block) :])
            # What a cell above says ends with its columns.
            block.context = {name: text for name, text in block.context.items() if not name.startswith(FILLED)}
            block.cells = self.usual(split(lines.text), lines, 0, fields)
        block.findings.append(Finding(rule, severity, effect, message, export=block.export, line=line))
        return unusable

    def fields(self, cells: Sequence[str]) -> tuple[str, ...]:
        """Names of the columns under a header: the mapping's own spelling, and a name for a column without one."""
        names: dict[str, None] = {}
        for position, cell in enumerate(cells, 1):
            name = _trim(cell)
            name = self._spelled.get(name, name) or f"column {position}"
            if name in names:
                name = f"{name} (column {position})"
            names[name] = None
        return tuple(names)

    def _not_found(self, texts: Sequence[str], damaged: Collection[int]) -> InputError:
        """The error for an export without the mapped header; quotes only cells that resemble a mapped name."""
        best = most = 0
        seen: tuple[str, ...] = ()
        for line, text in enumerate(texts, 1):
            cells = self._rows.first([text])[1] or text.split(self._rows.delimiter)
            names = self.fields([cell for cell in cells if len(cell) <= _NAME_LENGTH][:_NAMES])
            alike = sum(name in names or bool(_nearest(name, names)) for name in self._needed)
            if alike > most:
                best, most, seen = line, alike, names
        todo = "Give the mapping made for this kind of export, or correct the names of its columns"
        for other in _USUAL_DELIMITERS:
            if other != self._rows.delimiter and any(
                set(self._spelled) <= {_trim(cell).strip(self._rows.quote or None) for cell in text.split(other)}
                for text in texts
            ):
                return InputError(
                    f"no line has the mapped columns with {self._rows.delimiter!r} between its cells, "
                    f"but one has them with {other!r}",
                    todo=f"Set delimited.delimiter = {other!r} in the mapping",
                )
        if damaged:
            todo += f". Line {min(damaged)} cannot be decoded or holds NUL bytes: check delimited.encoding too"
        lines = "the only line is not" if len(texts) == 1 else f"none of the first {len(texts)} lines is"
        missing = [name for name in self._needed if name not in seen]
        if not most:
            return InputError(f"{lines} the header of this mapping: {listed(missing)} not found", todo=todo)
        hints = [f"'{name}'" + (f" (there is '{near}')" if (near := _nearest(name, seen)) else "") for name in missing]
        more = f" and {len(hints) - 8} more" if len(hints) > 8 else ""
        return InputError(
            f"{lines} the header of this mapping; line {best} comes nearest, but lacks {', '.join(hints[:8])}{more}",
            where=f"line {best}",
            todo=todo,
        )


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


def listed(names: Sequence[str]) -> str:
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


def without_entries(export: int, header: int) -> Finding:
    """The finding about an export without entries.

    Args:
        export: its position in the batch.
        header: line of the header; 0 when there is none.
    """
    if not header:
        return Finding("export-empty", Severity.WARNING, Effect.NOTE, "The export holds no text", export=export)
    message = "The export ends after its header"
    return Finding("export-header-only", Severity.WARNING, Effect.NOTE, message, export=export, line=header)
