"""An export as text, and as a table where it is one: encoding, delimiter, header, rows."""

from __future__ import annotations

import codecs
import csv
import re
from collections import Counter
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from typing import NamedTuple

from gateway.adapters._capture import open_capture
from gateway.adapters._compressed import unpacked
from gateway.adapters._sheets import as_text
from gateway.authoring.draft.words import NUMBER, folded, label_of, roles
from gateway.errors import InputError
from gateway.mapping.forms.delimited import Delimited

LARGEST = 4 << 20
"""Bytes of the export that are looked at."""
LONGEST_LINE = 1 << 14
_HEADER_WITHIN = 50
_DELIMITERS = {",": "comma", ";": "semicolon", "\t": "tab", "|": "bar"}
ENCODINGS = ("cp1252", "iso8859-15", "cp1250", "cp850", "latin-1")


def head_of(path: Path) -> tuple[bytes, bool]:
    """The first bytes of an export, and whether they are all."""
    try:
        with path.open("rb") as file:
            payload, _ = open_capture(as_text(unpacked(file), Delimited(layout="wide")))
            with closing(payload):
                parts, size = [], 0
                while size <= LARGEST and (part := payload.read(LARGEST + 1 - size)):
                    parts.append(part)
                    size += len(part)
    except InputError as error:
        raise InputError(error.what, where=str(path), todo=error.todo) from error
    except OSError as error:
        reason = (error.strerror or type(error).__name__).rstrip(".")
        raise InputError(f"the export cannot be read: {reason}", where=str(path), todo="Name a file") from error
    data = b"".join(parts)
    if not data.strip():
        raise InputError("the export is empty", where=str(path), todo="Name an export with entries")
    _no_other_file(data, path)
    return data[:LARGEST], len(data) <= LARGEST


def _no_other_file(data: bytes, path: Path) -> None:
    """Say what a file is that no mapping can be written for."""
    begun = data.lstrip(b"\xef\xbb\xbf \t\r\n")
    if begun.startswith(b"%PDF-"):
        what = "this is a PDF, which shows readings and does not state them"
        todo = "Ask for the export as text, CSV or a spreadsheet"
    elif begun.startswith((b"MSH|", b"FHS|", b"BHS|")):
        what = "these are HL7 v2 messages, which are records already"
        todo = "Send them to the receiver as they are; a mapping is for lists of monitors"
    elif begun.startswith((b"{", b"[")) and b'"' in begun[:200]:
        what = "this is JSON, of which no draft is made"
        todo = "Where each line is one object, write rows = \"json\" in [delimited]: see 'gateway help odd-exports'"
    else:
        return
    raise InputError(what, where=path.name, todo=todo)


def encoding_of(data: bytes, path: Path) -> tuple[str | None, str]:
    """The encoding that the bytes decide, or None; and why."""
    if data.startswith(codecs.BOM_UTF8):
        return "utf-8", "a byte order mark says so"
    if data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return "utf-16", "a byte order mark says so"
    odd = len(data) - len(data.translate(None, bytes(byte for byte in range(32) if byte not in b"\t\n\v\f\r\x1b")))
    if odd * 20 > len(data):
        raise InputError(
            "this is no text and no framed capture", where=path.name,
            todo="Name an export of text; UTF-16 needs a byte order mark",
        )  # fmt: skip
    high = len(data) - len(data.translate(None, bytes(range(128, 256))))
    if not high:
        return "utf-8", "every byte is ASCII, so most encodings would read the same"
    try:
        codecs.getincrementaldecoder("utf-8")().decode(data)
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        return None, f"{high} bytes beyond ASCII, and line {line} is not UTF-8"
    return "utf-8", f"all {high} bytes beyond ASCII are valid UTF-8"


_TRIED = 2_000
"""Lines on which every delimiter is tried."""


class _Row(NamedTuple):
    line: int
    cells: list[str]


@dataclass(slots=True)
class Table:
    """A delimited export as far as it was read.

    Attributes:
        delimiter: what stands between cells.
        why: the evidence for it.
        names: names of the columns by position; "" for one that must not be written.
        header: line of the header, or 0.
        rows: rows of the usual width behind the header.
        odd: lines behind the header of another width.
        before: rows before the header.
    """

    delimiter: str
    why: str
    names: list[str]
    header: int
    rows: list[_Row]
    odd: list[int]
    before: int
    columns: list[list[tuple[int, str]]] = field(default_factory=list)


def table_of_columns(names: list[str], rows: list[tuple[int, list[str]]]) -> Table:
    """What was cut into columns otherwise, as a table."""
    found = [_Row(line, cells) for line, cells in rows]
    table = Table("", "", names, 1, found, [], 0)
    table.columns = [[(row.line, row.cells[at].strip()) for row in found] for at in range(len(names))]
    return table


def table_of(lines: list[str]) -> Table | None:
    """The lines as a table, or None when no delimiter cuts most of them alike."""
    tried: list[tuple[float, int, str, list[_Row]]] = []
    for delimiter in _DELIMITERS:
        rows = _cut(lines[:_TRIED], delimiter)
        widths = Counter(len(row.cells) for row in rows)
        width, count = max(widths.items(), key=lambda item: (item[1] * (item[0] > 1), item[0]), default=(0, 0))
        if width > 1:
            tried.append((count / len(rows), width, delimiter, rows))
    tried = [each for each in tried if each[0] >= 0.6]
    if not tried:
        return None
    headers = {each[2]: _header_of(each[3], each[1]) for each in tried}
    tried.sort(key=lambda each: (headers[each[2]] is not None, each[0], each[1]), reverse=True)
    share, width, delimiter, rows = tried[0]
    if len(lines) > _TRIED:
        rows = _cut(lines, delimiter)
    alike = sum(len(row.cells) == width for row in rows)
    why = f"{alike} of {len(rows)} lines have {width} cells with a {_DELIMITERS[delimiter]}"
    if len(tried) > 1:
        others = ", ".join(
            f"{_DELIMITERS[each[2]]}: {each[1]} cells in {each[0]:.0%} of the lines" for each in tried[1:]
        )
        why += f" (also possible: {others})"
    at = headers[delimiter]
    if at is None:
        if share < 0.8 or width < 3:
            return None
        names = [f"c{number}" for number in range(1, width + 1)]
        body, header, before = rows, 0, 0
    else:
        names = [_name(cell) for cell in rows[at].cells]
        body, header, before = rows[at + 1 :], rows[at].line, at
    twice = Counter(names)
    names = [name if twice[name] == 1 else "" for name in names]
    alike_rows = [row for row in body if len(row.cells) == width]
    table = Table(
        delimiter, why, names, header, alike_rows, [row.line for row in body if len(row.cells) != width], before
    )
    table.columns = [[(row.line, row.cells[at].strip()) for row in alike_rows] for at in range(width)]
    return table


def _cut(lines: list[str], delimiter: str) -> list[_Row]:
    usable = [line if len(line) <= LONGEST_LINE else "" for line in lines]
    rows: list[_Row] = []
    try:
        reader = csv.reader((line + "\n" for line in usable), delimiter=delimiter)
        began = 1
        for cells in reader:
            if any(cell.strip() for cell in cells):
                rows.append(_Row(began, cells))
            began = reader.line_num + 1
    except csv.Error:
        rows = [_Row(number, line.split(delimiter)) for number, line in enumerate(usable, start=1) if line.strip()]
    return rows


def _header_of(rows: list[_Row], width: int) -> int | None:
    """Position of the row that names the columns: by usual words, else by its shape; None where there is none."""
    shaped = None
    for at, row in enumerate(rows[:_HEADER_WITHIN]):
        cells = [cell.strip() for cell in row.cells]
        if len(cells) != width or sum(bool(cell) for cell in cells) < 2 or sum(not cell for cell in cells) > 1:
            continue
        known = sum(folded(cell) in roles() or bool(label_of(cell)[0]) for cell in cells)
        if any(NUMBER.fullmatch(cell) or len(cell) > 40 for cell in cells) or (
            any(re.search(r"[0-9]{4}", cell) and not label_of(cell)[0] for cell in cells)
        ):
            continue
        if len(set(cells)) != len(cells):
            continue
        role = any(folded(cell) in roles() for cell in cells)
        if role and known >= 2 and known * 3 >= len(cells):
            return at
        if shaped is None and known and _heads(cells, rows[at + 1 : at + 1 + _FOLLOWING]):
            shaped = at
    return shaped


_FOLLOWING = 30
"""Rows below a header that are looked at."""


def _heads(cells: list[str], below: list[_Row]) -> bool:
    """Whether cells stand above others of another kind: words above columns of digits, and none of them once more.

    A row of data has digits where the rows below it have them; a header has none there.
    """
    alike = [row for row in below if len(row.cells) == len(cells)]
    if len(alike) < 2:
        return False
    above = 0
    for at, name in enumerate(cells):
        column = [row.cells[at].strip() for row in alike]
        if name and name in column:
            return False
        filled = [cell for cell in column if cell]
        digits = sum(any(map(str.isdecimal, cell)) for cell in filled)
        if filled and digits * 10 >= len(filled) * 9:
            if sum(map(str.isdecimal, name)) > 1 and not label_of(name)[0]:
                return False
            above += 1
    return above >= 2


def _name(cell: str) -> str:
    """A cell of the header as the name of a column; "" when it must not be written."""
    # The gateway knows columns by their trimmed names.
    name = cell.strip()
    plain = name.isprintable() and 0 < len(name) <= 40 and (not re.search(r"[0-9]{4}", name) or bool(label_of(name)[0]))
    return name if plain else ""
