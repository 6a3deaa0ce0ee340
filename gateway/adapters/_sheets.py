"""Spreadsheets (.xlsx, .xlsm, .xlsb, .xls, .ods) as delimited text: one line for each row, in the order of the sheet.

A cell is written as it says: a number by its digits, a time in the form of ISO 8601, to the second. How the spreadsheet
would show it (decimals, local forms of dates) is not known to the reader.
"""

from __future__ import annotations

import io
import zipfile
from collections.abc import Iterator, Sequence
from datetime import date, datetime, time, timedelta
from typing import Any, BinaryIO

import python_calamine as calamine

from gateway.adapters._peeked import peeked
from gateway.errors import InputError
from gateway.mapping.forms.delimited import RANGE, Delimited, Sheet

ZIP, OLE = b"PK\x03\x04", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
"""First bytes of a ZIP archive (APPNOTE.TXT 4.3.7) and of a compound file ([MS-CFB] 2.2)."""

LARGEST = 16 << 20
"""Bytes of a spreadsheet; it is read as a whole."""

_UNPACKED = 256 << 20
"""Bytes that the parts of one may have, unpacked."""

_EXACT = 10**15
"""Whole numbers below it have all their digits in a spreadsheet, which keeps 15 (ECMA-376-1, 18.3.1.96, as doubles)."""

_NAMED = 8


def is_sheet(begun: bytes) -> bool:
    """Whether an export that begins with these eight bytes may be a spreadsheet."""
    return begun.startswith((ZIP, OLE))


def as_text(stream: BinaryIO, layout: Delimited | None) -> BinaryIO:
    """The text of an export, made of the rows of a sheet where it is a spreadsheet.

    Args:
        stream: anything whose `read(n)` returns at most n bytes, and none at the end.
        layout: how delimited text is laid out; None where the mapping is of another form.

    Raises:
        InputError: it is a spreadsheet and cannot be read, or the mapping does not say which sheet is meant.
    """
    begun, again = peeked(stream, len(OLE))
    if not is_sheet(begun):
        return again
    if layout is None:
        raise InputError(
            "This is a spreadsheet, and the mapping is for another form",
            todo='Give the mapping made for it, with form = "delimited"',
        )
    data = again.read(LARGEST + 1)
    if len(data) > LARGEST:
        raise InputError(f"The spreadsheet has more than {LARGEST >> 20} MiB", todo="Save it as CSV, or divide it")
    lines = list(_lines(_rows(data, layout.sheet or Sheet()), layout))
    # The mark says UTF-8, whatever the encoding of the text exports that the mapping is for as well.
    return io.BytesIO(("\ufeff" + "".join(lines)).encode("utf-8", "surrogatepass"))


def _rows(data: bytes, wanted: Sheet) -> list[list[Any]]:
    """The rows of the sheet that is meant, from the first row of the sheet on."""
    try:
        if data.startswith(ZIP):
            with zipfile.ZipFile(io.BytesIO(data)) as archive:
                if sum(part.file_size for part in archive.infolist()) > _UNPACKED:
                    raise InputError("The spreadsheet is too large unpacked", todo="Save it as CSV, or divide it")
        book = calamine.CalamineWorkbook.from_filelike(io.BytesIO(data))
        name = _name(book, wanted)
        sheet = book.get_sheet_by_name(name)
        rows = sheet.to_python(skip_empty_area=False)
    except calamine.PasswordError as error:
        raise InputError("The spreadsheet is protected by a password", todo="Save it without one, or as CSV") from error
    except (calamine.CalamineError, zipfile.BadZipFile, OSError, ValueError) as error:
        what = f"This is no spreadsheet that can be read: {str(error).rstrip('.') or type(error).__name__}"
        raise InputError(
            what, todo="Open it in the program that made it, and save it again; or save it as CSV"
        ) from error
    if not wanted.range:
        return rows
    left, top, right, bottom = _corners(wanted.range)
    return [row[left : right + 1] if top <= at <= bottom else [] for at, row in enumerate(rows[: bottom + 1])]


def _name(book: Any, wanted: Sheet) -> str:
    visible = [
        each.name
        for each in book.sheets_metadata
        if each.typ == calamine.SheetTypeEnum.WorkSheet and each.visible == calamine.SheetVisibleEnum.Visible
    ]
    names = ", ".join(f"'{name}'" for name in visible[:_NAMED])
    if wanted.name:
        if wanted.name not in book.sheet_names:
            raise InputError(
                f"The spreadsheet has no sheet '{wanted.name}'; there is {names}",
                todo="Correct delimited.sheet.name, or give the export made for this mapping",
            )
        return wanted.name
    if len(visible) != 1:
        raise InputError(
            f"The spreadsheet has {len(visible)} sheets: {names}",
            todo="Say in the mapping which one is meant: sheet = { name = ... } in [delimited]",
        )
    return str(visible[0])


def _corners(text: str) -> tuple[int, int, int, int]:
    """Left, top, right and bottom of a range such as B4:K500, from 0."""
    match = RANGE.fullmatch(text)
    assert match is not None
    return _column(match[1]), int(match[2]) - 1, _column(match[3]), int(match[4]) - 1


def _column(letters: str) -> int:
    number = 0
    for letter in letters:
        number = number * 26 + ord(letter) - ord("A") + 1
    return number - 1


def _lines(rows: Sequence[Sequence[Any]], layout: Delimited) -> Iterator[str]:
    delimiter, quote, escape = layout.delimiter, layout.quote, layout.escape
    for number, row in enumerate(rows, start=1):
        cells = []
        for cell in row:
            text = " ".join(_shown(cell).splitlines())
            if escape:
                text = text.replace(escape, escape * 2)
            if quote and (quote in text or delimiter in text):
                text = f"{quote}{text.replace(quote, quote * 2)}{quote}"
            elif delimiter in text:
                raise InputError(
                    f"A cell holds {delimiter!r}, which stands between cells in this mapping, and nothing quotes it",
                    where=f"row {number}",
                    todo="Leave quote out of the mapping, or name another delimiter",
                )
            cells.append(text)
        yield delimiter.join(cells) + "\n"


def _shown(cell: Any) -> str:
    """What a cell says, as a text."""
    match cell:
        case bool():
            return "TRUE" if cell else "FALSE"
        case float() if cell.is_integer() and abs(cell) < _EXACT:
            return str(int(cell))
        case datetime():
            return (cell + timedelta(microseconds=500_000)).replace(microsecond=0).isoformat()
        case date() | time():
            return cell.isoformat()
        case timedelta():
            seconds = round(cell.total_seconds())
            return f"{seconds // 3600}:{seconds // 60 % 60:02}:{seconds % 60:02}"
        case _:
            return str(cell)
