"""A first mapping from an export: what the file shows, as candidates with evidence, and what it does not show, asked.

A draft never states a unit, a zone or an identifier system that the file does not state, and never takes a value for
evidence of its unit. It quotes names of columns, usual labels and unit spellings, and short codes of errors; other
texts of cells are told by their line.
"""

from __future__ import annotations

import codecs
import csv
import json
import re
import unicodedata
from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import cache
from itertools import product
from pathlib import Path
from typing import NamedTuple

from gateway.adapters._capture import open_capture
from gateway.errors import InputError
from gateway.vocabulary import Vital, unit_for, units, vitals

LARGEST = 4 << 20
"""Bytes of the export that are looked at."""

_LONGEST_LINE = 1 << 14
_LONGEST_TIME = 64
_HEADER_WITHIN = 50
_DELIMITERS = {",": "comma", ";": "semicolon", "\t": "tab", "|": "bar"}
_ENCODINGS = ("cp1252", "iso8859-15", "cp1250", "cp850", "latin-1")

# What columns are usually called, folded as by `_folded`; common practice, no source.
_WORDS = {
    "time": "time date datetime taken when heure timestamp measured measuredat datum uhrzeit zeit recorded fecha hora "
    "data ora zeitpunkt datetimetaken",
    "patient": "patient patientid patientno patientnumber patientnr mrn pid dossier caseid caseno medicalrecordnumber "
    "hospitalnumber hospitalno patientenid patientennummer fallnummer paciente paziente",
    "device": "device deviceid monitor monitorid serial serialno serialnumber sn appareil geraet gerat deviceserial "
    "equipment",
    "operator": "staff nurse operator soignant user userid clinician pflegekraft staffid operatorid",
    "location": "ward location room bed place station unitname zimmer bett chambre",
    "notes": "note notes remark remarks comment comments remarque bemerkung",
    "label": "parameter vital vitalsign measurement mesure test label observation type messung parametre messwert",
    "value": "value valeur wert result reading valor valore resultat ergebnis",
    "unit": "unit units unite einheit uom unidad unita",
}
_ROLES = {word: role for role, words in _WORDS.items() for word in words.split()}
_PRESSURES = frozenset({"nibp", "nbp", "bp", "ta", "bloodpressure", "pressure", "nibpsdm", "nibpsd", "rr", "pa"})
_ERROR_WORDS = (
    "err error fail failed cuff leak low high hi lo motion off na n/a nan none null inv invalid timeout weak noise "
    "artifact lead leadoff probe sensor search searching over under"
)
_ERRORS = frozenset(_ERROR_WORDS.split())


_DATES = (
    "%Y-%m-%d", "%Y/%m/%d", "%Y.%m.%d",
    *(order.replace("-", mark) for mark in "/.-" for order in ("%d-%m-%Y", "%m-%d-%Y", "%d-%m-%y", "%m-%d-%y",
                                                                "%y-%m-%d")),
    "%d %b %Y", "%d-%b-%Y", "%d-%b-%y", "%d %b %y", "%b %d %Y", "%b %d, %Y", "%d %B %Y", "%B %d, %Y",
)  # fmt: skip
_CLOCKS = (
    "%H:%M", "%H:%M:%S", "%H:%M:%S.%f", "%I:%M %p", "%I:%M:%S %p", "%I:%M%p", "%I:%M:%S%p", "%H.%M", "%Hh%M",
)  # fmt: skip
_OFFSETS = ("", "%z", " %z")

_NUMBER = re.compile(r"[+-]?[0-9]{1,4}(?:[.,][0-9]{1,3})?", re.ASCII)
_PAIR = re.compile(r"[0-9]{2,3} ?/ ?[0-9]{2,3}(?P<mean> ?\( ?[0-9]{2,3}\))?", re.ASCII)
_WITH_UNIT = re.compile(r"[+-]?[0-9]{1,4}(?:[.,][0-9]{1,3})? ?(?P<unit>[^0-9\s.,+-][^0-9]{0,9})", re.ASCII)
_CODE = re.compile(r"[A-Za-z]{1,3}[ -]?[0-9]{1,3}", re.ASCII)
_MARKS = re.compile(r"[-*?#._/=+]{1,8}", re.ASCII)
_SENTINELS = frozenset({"-1", "888", "999", "9999", "-999", "-9999"})


def draft(export: str | Path) -> str:
    """Propose a mapping for an export.

    Args:
        export: the file; its first `LARGEST` bytes are looked at.

    Returns:
        TOML. Lines that begin with "# ?" are questions; `gateway check` names those that must be answered.

    Raises:
        InputError: the file cannot be read, is empty, or is no text and no framed capture.
    """
    path = Path(export)
    data, whole = _head(path)
    out = _Page()
    shown = f"the first {len(data):,} bytes" if not whole else f"all {len(data):,} bytes"
    out.says(
        f"A draft, made from {shown} of one export. Nothing in it is agreed on: check every line.",
        'Lines with "# ?" are questions. gateway check names those that must be answered; whatever else is not named',
        "is held or not read when exports are converted.",
    )
    if b"\x02" in data and (b"\x03" in data or b"\x17" in data):
        _framed(data, out)
        return out.text()
    encoding, why = _encoding(data, path)
    text = data.decode(encoding or "latin-1", "replace").removeprefix("\ufeff")
    lines = re.split(r"\r\n|\n|\r", text)
    if not whole:
        # What was cut off in the middle is no evidence.
        lines.pop()
    if lines and not lines[-1]:
        lines.pop()
    if not any(line.strip() for line in lines):
        raise InputError(
            "no line of text ends within what a draft looks at" if not whole else "the export holds nothing to read",
            where=path.name, todo="Name an export of text with lines",
        )  # fmt: skip
    table = _table(lines)
    if table is None:
        _listing(lines, encoding, why, out)
    else:
        _delimited(table, encoding, why, out)
    return out.text()


class _Page:
    """The text of a draft: keys that are known, and questions as comments."""

    def __init__(self) -> None:
        self._lines: list[str] = []

    def says(self, *words: str) -> None:
        """Evidence, as comments."""
        self._lines += [f"# {each}" if each else "" for each in words]

    def asks(self, key: str, question: str) -> None:
        """A question about a key that is not stated."""
        self._lines.append(f"# ? {key}: {question}")

    def has(self, key: str, value: object) -> None:
        """A key with what the file shows."""
        self._lines.append(f"{key} = {_toml(value)}")

    def table(self, *path: str) -> None:
        """Begin a table."""
        names = (name if re.fullmatch(r"[a-z0-9_]+", name) else _toml(name) for name in path)
        self._lines += ["", f"[{'.'.join(names)}]"]

    def text(self) -> str:
        """The whole draft."""
        return "\n".join(self._lines) + "\n"


def _toml(value: object) -> str:
    # A JSON text is a TOML basic string but for DEL, and names that do not print are never written.
    if isinstance(value, list):
        return f"[{', '.join(_toml(each) for each in value)}]"
    return json.dumps(value, ensure_ascii=False)


def _head(path: Path) -> tuple[bytes, bool]:
    """The first bytes of an export, and whether they are all."""
    try:
        with path.open("rb") as file:
            payload, _ = open_capture(file)
            with closing(payload):
                parts, size = [], 0
                while size <= LARGEST and (part := payload.read(LARGEST + 1 - size)):
                    parts.append(part)
                    size += len(part)
    except OSError as error:
        reason = (error.strerror or type(error).__name__).rstrip(".")
        raise InputError(f"the export cannot be read: {reason}", where=str(path), todo="Name a file") from error
    data = b"".join(parts)
    if not data.strip():
        raise InputError("the export is empty", where=str(path), todo="Name an export with entries")
    return data[:LARGEST], len(data) <= LARGEST


def _encoding(data: bytes, path: Path) -> tuple[str | None, str]:
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
    high = sum(byte > 127 for byte in data)
    if not high:
        return "utf-8", "every byte is ASCII, so most encodings would read the same"
    try:
        codecs.getincrementaldecoder("utf-8")().decode(data)
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        return None, f"{high} bytes beyond ASCII, and line {line} is not UTF-8"
    return "utf-8", f"all {high} bytes beyond ASCII are valid UTF-8"


class _Row(NamedTuple):
    line: int
    cells: list[str]


@dataclass(slots=True)
class _Table:
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


def _table(lines: list[str]) -> _Table | None:
    """The lines as a table, or None when no delimiter cuts most of them alike."""
    tried: list[tuple[float, int, str, list[_Row]]] = []
    for delimiter in _DELIMITERS:
        rows = _cut(lines, delimiter)
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
    table = _Table(
        delimiter, why, names, header, alike_rows, [row.line for row in body if len(row.cells) != width], before
    )
    table.columns = [[(row.line, row.cells[at].strip()) for row in alike_rows] for at in range(width)]
    return table


def _cut(lines: list[str], delimiter: str) -> list[_Row]:
    usable = [line if len(line) <= _LONGEST_LINE else "" for line in lines]
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


def _folded(text: str) -> str:
    plain = "".join(each for each in unicodedata.normalize("NFKD", text.casefold()) if not unicodedata.combining(each))
    return "".join(each for each in plain if each.isalnum() or each == "%")


def _header_of(rows: list[_Row], width: int) -> int | None:
    """Position of the row that names the columns: by usual words, and with nothing in it that looks like data."""
    for at, row in enumerate(rows[:_HEADER_WITHIN]):
        cells = [cell.strip() for cell in row.cells]
        if len(cells) != width or sum(bool(cell) for cell in cells) < 2 or sum(not cell for cell in cells) > 1:
            continue
        if any(_NUMBER.fullmatch(cell) or re.search(r"[0-9]{4}", cell) or len(cell) > 40 for cell in cells):
            continue
        roles = {_ROLES[_folded(cell)] for cell in cells if _folded(cell) in _ROLES}
        known = sum(_folded(cell) in _ROLES or bool(_label(cell)[0]) for cell in cells)
        if len(set(cells)) == len(cells) and roles and known >= 2 and known * 3 >= len(cells):
            return at
    return None


def _name(cell: str) -> str:
    """A cell of the header as the name of a column; "" when it must not be written."""
    # The gateway knows columns by their trimmed names.
    name = cell.strip()
    plain = name.isprintable() and 0 < len(name) <= 40 and not re.search(r"[0-9]{4}", name)
    return name if plain else ""


@cache
def _labels() -> dict[str, list[str]]:
    """Usual labels, folded -> keys of the vitals they are usual for."""
    found: dict[str, list[str]] = defaultdict(list)
    for key, vital in vitals().items():
        for label in dict.fromkeys(_folded(text) for text in (key, vital.title, *vital.labels)):
            found[label].append(key)
    return dict(found)


def _label(name: str) -> tuple[list[str], str]:
    """The vitals a label is usual for, and the unit text that stands behind it in brackets or as its last word."""
    labels = _labels()
    if len(name) > 40:
        return [], ""
    if _folded(name) in labels:
        return labels[_folded(name)], ""
    behind = re.fullmatch(r"(.*?\S)\s*[\[(]([^\[\]()]{1,12})[\])]", name) or re.fullmatch(
        r"(.*?\S)[\s_]+(\S{1,8})", name
    )
    if behind and _folded(behind[1]) in labels and unit_for(behind[2]) is not None:
        return labels[_folded(behind[1])], behind[2]
    return [], ""


def _some(lines: Sequence[int]) -> str:
    """Line numbers in words."""
    listed = ", ".join(map(str, lines[:5]))
    return f"line{'' if len(lines) == 1 else 's'} {listed}{' and more' if len(lines) > 5 else ''}"


def _count(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"


def _top(form: str, out: _Page) -> None:
    out.asks("title", "what is this kind of export called? It is shown in reports.")
    out.has("version", "0-draft")
    out.has("form", form)
    out.asks("namespace", "under which URI of yours are the identifiers of records unique?")


def _say_encoding(encoding: str | None, why: str, out: _Page) -> None:
    out.says(f"encoding: {why}")
    if encoding is None:
        usable = ", ".join(_ENCODINGS)
        out.asks(
            "encoding", f"which one is it? Candidates: {usable}; look at letters with accents and at degree signs."
        )
    out.has("encoding", encoding or "?")


def _delimited(table: _Table, encoding: str | None, why: str, out: _Page) -> None:
    roles: dict[str, list[int]] = defaultdict(list)
    for at, name in enumerate(table.names):
        if _folded(name) in _ROLES:
            roles[_ROLES[_folded(name)]].append(at)
    long = bool(roles["label"] and roles["value"])
    values = [] if long else [at for at in range(len(table.names)) if table.header and _label(table.names[at])[0]]
    values = [at for at in values if not any(at in found for found in roles.values())]
    _top("delimited", out)
    _notes(table, roles, out)
    out.table("delimited")
    out.says(
        f"layout: {'columns for a label and for a value' if long else 'no column for labels beside one for values'}"
    )
    out.has("layout", "long" if long else "wide")
    out.says(f"delimiter: {table.why}")
    out.has("delimiter", table.delimiter)
    _say_encoding(encoding, why, out)
    if table.header:
        before = f", behind {_count(table.before, 'other line')}" if table.before else ""
        out.says(
            f"header: line {table.header} holds usual names of columns{before}; {_count(len(table.rows), 'row')} follow"
        )
        unnamed = [number for number, name in enumerate(table.names, start=1) if not name]
        if unnamed:
            out.says(f"columns without a usable name of their own: {', '.join(map(str, unnamed))}")
    else:
        out.asks("columns", "no line names the columns; what are they? Write the names in place of c1, c2, ...")
        out.has("header", False)
        out.has("columns", table.names)
    if table.odd:
        out.asks(
            "footer", f"{_count(len(table.odd), 'row')} of another width ({_some(table.odd)}): are they to be left out?"
        )
    if long:
        for key, role in (("label_column", "label"), ("value_column", "value"), ("unit_column", "unit")):
            _column(key, roles[role], table, out, needed=role != "unit")
    _decimal([cell for at in (roles["value"] if long else values) for _, cell in table.columns[at]], out)
    _time(table, roles["time"], out)
    _parties(table, roles, out)
    if long:
        _long_vitals(table, roles, out)
    else:
        _wide_vitals(table, values, {at for found in roles.values() for at in found}, out)
    read = set(roles["value"] if long else values)
    elsewhere = {cell for at, cells in enumerate(table.columns) if at not in read for _, cell in cells}
    _absent([pair for at in sorted(read) for pair in table.columns[at]], elsewhere, out)


def _column(key: str, found: list[int], table: _Table, out: _Page, *, needed: bool = True) -> None:
    names = [table.names[at] for at in found if table.names[at]]
    if len(names) == 1:
        out.says(f"{key}: '{names[0]}' is a usual name")
        out.has(key, names[0])
    elif names:
        out.asks(key, f"which one: {', '.join(names)}?")
    elif needed:
        out.asks(key, "no column has a usual name; which one is it?")


def _notes(table: _Table, roles: dict[str, list[int]], out: _Page) -> None:
    for at, cells in enumerate(table.columns):
        texts = {cell for _, cell in cells}
        if len(cells) > 1 and len(texts) == 1 and table.names[at]:
            what = "is blank" if texts == {""} else "holds the same text"
            out.says(f"column '{table.names[at]}' {what} in all {len(cells)} rows")
    names = [table.names[at] for at in roles["notes"]]
    if names:
        out.asks("notes", f"are the free texts of {', '.join(names)} to be carried as notes?")


def _decimal(cells: Iterable[str], out: _Page) -> None:
    marks = Counter[str]()
    grouped = 0
    for cell in cells:
        found = re.fullmatch(r"[+-]?[0-9]{1,4}([.,])([0-9]{1,3})(\s*[^0-9\s]\D*)?", cell, re.ASCII)
        if found:
            marks[found[1]] += 1
            grouped += len(found[2]) == 3
    if not marks["."] and not marks[","]:
        return
    if not marks[","] and grouped < marks["."]:
        return
    out.table("numbers")
    out.says(f"decimal: {_count(marks[','], 'cell')} with a comma, {marks['.']} with a point")
    if (marks["."] and marks[","]) or grouped == marks.total():
        out.asks("decimal", "which is the decimal mark, and which one parts thousands?")
        out.has("decimal", "?")
    else:
        out.has("decimal", ",")


@dataclass(slots=True)
class _Times:
    """How the texts of a column can be read as times: format -> texts that fit, and where the first does not."""

    cells: int
    fits: Counter[str] = field(default_factory=Counter)
    unfit: dict[str, int] = field(default_factory=dict)
    lost: list[int] = field(default_factory=list)

    @property
    def share(self) -> float:
        """Share of the cells that some format fits."""
        return 0.0 if not self.cells else 1 - len(self.lost) / self.cells

    @property
    def best(self) -> list[str]:
        """Formats that fit most cells: more than one where no cell decides."""
        if not self.fits:
            return []
        most = max(self.fits.values())
        if most < self.cells - len(self.lost):
            # Cells that only another format fits contradict the best one.
            return list(self.fits)
        return [form for form, count in self.fits.items() if count == most]


def _fits(text: str, form: str) -> datetime | None:
    try:
        return datetime.strptime(text, form)  # noqa: DTZ007 - only whether it fits
    except (ValueError, OverflowError):
        return None


def _shape(text: str) -> str:
    return re.sub(r"[0-9]+", "9", re.sub(r"[^\W\d_]+", "A", text))


@cache
def _forms(dates: bool, clocks: bool) -> dict[str, list[str]]:
    """The formats by the shape of the texts they can fit."""
    if dates and clocks:
        forms = ["".join(parts) for parts in product(_DATES, (" ", "T", ", "), _CLOCKS, _OFFSETS)]
    else:
        forms = list(_DATES if dates else _CLOCKS)
    found: dict[str, list[str]] = defaultdict(list)
    example = datetime(2026, 11, 22, 13, 44, 55, 123456, tzinfo=UTC)
    for form in forms:
        offsets = ("+0000", "+00:00", "-0000", "-00:00", "Z") if "%z" in form else ("",)
        for shape in {_shape(example.strftime(form.replace("%z", offset))) for offset in offsets}:
            found[shape].append(form)
    return found


def _read_times(cells: list[tuple[int, str]], *, dates: bool, clocks: bool) -> _Times:
    """Try the formats on every cell of a column."""
    filled = [(line, text) for line, text in cells if text]
    found = _Times(len(filled))
    by_shape = _forms(dates, clocks)
    known: dict[str, list[str]] = {}
    for line, text in filled:
        forms = by_shape.get(_shape(text), []) if len(text) <= _LONGEST_TIME else []
        if text not in known:
            known[text] = [form for form in forms if _fits(text, form)]
        found.fits.update(known[text])
        if not known[text]:
            found.lost.append(line)
        for form in forms:
            if form not in known[text] and known[text]:
                found.unfit.setdefault(form, line)
    found.unfit = {form: line for form, line in found.unfit.items() if _rival(form, found)}
    return found


def _rival(form: str, found: _Times) -> bool:
    """Whether a format that was ruled out is worth telling of: the same parts in another order."""
    return any(sorted(form) == sorted(best) for best in found.best)


def _time(table: _Table, named: list[int], out: _Page) -> None:
    out.table("time")
    full: dict[int, _Times] = {}
    dates: dict[int, _Times] = {}
    clocks: dict[int, _Times] = {}
    for at, cells in enumerate(table.columns):
        if not table.names[at] or not any(mark in cell for _, cell in cells[:200] for mark in ":/.-h "):
            continue
        for kept, which in ((full, (True, True)), (dates, (True, False)), (clocks, (False, True))):
            times = _read_times(cells, dates=which[0], clocks=which[1])
            if times.share >= 0.6:
                kept[at] = times
                break
    clocks = {at: times for at, times in clocks.items() if at in named}
    dates = {at: times for at, times in dates.items() if at in named or not table.header}
    whole = {at: times for at, times in full.items() if at in named} or full
    formats: list[str] = []
    if len(whole) == 1:
        ((at, times),) = whole.items()
        formats = _say_times([table.names[at]], times, times.best, out)
    elif whole:
        names = ", ".join(table.names[at] for at in whole)
        out.asks("columns", f"which one tells when the readings were taken: {names}? Then name its formats.")
    elif len(dates) == 1 and len(clocks) == 1:
        ((day, first),), ((clock, second),) = dates.items(), clocks.items()
        best = [f"{date} {time}" for date in first.best for time in second.best]
        both = _Times(first.cells, lost=sorted({*first.lost, *second.lost}))
        both.unfit = {f"{form} ...": line for form, line in first.unfit.items()}
        formats = _say_times([table.names[day], table.names[clock]], both, best, out)
    else:
        likely = [table.names[at] for at in {*named, *dates, *clocks} if table.names[at]]
        more = f" Candidates by name or shape: {', '.join(likely)}." if likely else ""
        out.asks("columns", f"no column holds times in a form that is known here; which one tells the time?{more}")
        out.asks("formats", "how are the times written? strptime directives, such as %Y-%m-%d %H:%M")
    if formats and all("%z" in each for each in formats):
        out.says("zone: every time carries its offset")
        out.has("zone", "offset-in-text")
    else:
        out.asks(
            "zone",
            "where does the clock run? The texts state no offset. Name a place of the IANA database, or a fixed offset "
            "for a clock that is never set to summer time.",
        )


def _say_times(names: list[str], times: _Times, best: list[str], out: _Page) -> list[str]:
    """Tell the columns of the time and how it is read; gives the formats when they are decided."""
    listed = " and ".join(f"'{name}'" for name in names)
    out.says(f"time: {times.cells - len(times.lost)} of {times.cells} filled cells of {listed} are times")
    for form, line in times.unfit.items():
        if form not in best:
            out.says(f"{form} is ruled out by line {line}")
    if times.lost:
        out.says(f"{_count(len(times.lost), 'cell')} with no time in that form ({_some(times.lost)}) will be held")
    out.has("columns", names)
    if len(best) == 1:
        if "%y" in best[0]:
            out.says("years have two digits: 00 to 68 are read as 2000 to 2068")
        out.has("formats", best)
        return best
    what = "what comes first, day, month or year" if best else "how are they written"
    out.asks("formats", f"{what}? Every cell can be read as {' and as '.join(best[:6])}; ask who knows the monitor.")
    return []


def _parties(table: _Table, roles: dict[str, list[int]], out: _Page) -> None:
    out.table("patient")
    patients = [table.names[at] for at in roles["patient"] if table.names[at]]
    if len(patients) == 1:
        (at,) = (at for at in roles["patient"] if table.names[at])
        filled = sum(bool(cell) for _, cell in table.columns[at])
        out.says(f"column: '{patients[0]}' is a usual name; {filled} of {len(table.rows)} cells are filled")
        out.has("column", patients[0])
    elif patients:
        out.asks("column", f"which one identifies the patient: {', '.join(patients)}?")
    else:
        out.asks(
            "column", "no column has a usual name for a patient; which one is it, or who says who was on which device?"
        )
    out.asks("system", "which URI stands for the patients' identifiers? No file states it.")
    for role in ("device", "operator", "location"):
        names = [table.names[at] for at in roles[role] if table.names[at]]
        if len(names) == 1:
            out.table(role)
            out.says(f"column: '{names[0]}' is a usual name")
            out.has("column", names[0])
            out.asks("system", "which URI stands for these identifiers? It may be left out.")
        elif names:
            out.table(role)
            out.asks("column", f"which one is the {role}: {', '.join(names)}?")


def _numbers(cells: Iterable[str]) -> str:
    """What numbers stand in cells, in words; longer ones than a vital has are not looked at."""
    texts = [cell for cell in cells if cell]
    found = [cell.replace(",", ".") for cell in texts if _NUMBER.fullmatch(cell)]
    if not found:
        return f"0 of {len(texts)} filled cells are numbers"
    kind = "numbers" if any("." in text for text in found) else "whole numbers"
    values = sorted(map(float, found))
    return f"{len(found)} of {len(texts)} filled cells are {kind} {values[0]:g}..{values[-1]:g}"


def _ask_unit(vital: Vital, out: _Page) -> None:
    known = ", ".join(unit.ucum for unit in units().values() if unit.dimension == vital.dimension)
    out.asks("unit", f"in which unit is it exported? Nothing states it, and values are no evidence. Known: {known}")


def _unit(vital: Vital, stated: str, cells: list[str], out: _Page) -> None:
    """Tell the unit of a wide column where header or cells state it, else ask."""
    if vital.kind == "coded":
        answers = Counter(cell for cell in cells if re.fullmatch("[ACVPU]", cell))
        seen = ", ".join(f"{text} ({count})" for text, count in sorted(answers.items()))
        out.asks("codes", f"what do the texts mean? Seen: {seen or 'none that may be shown'}; "
                          f"answers: {', '.join(vital.answers)}")  # fmt: skip
        return
    unit = unit_for(stated) if stated else None
    behind = Counter(found["unit"].strip() for cell in cells if (found := _WITH_UNIT.fullmatch(cell)))
    fitting = {text: count for text, count in behind.items()
               if (known := unit_for(text)) is not None and known.dimension == vital.dimension}  # fmt: skip
    bare = sum(bool(_NUMBER.fullmatch(cell)) for cell in cells)
    if unit is not None and unit.dimension == vital.dimension and not fitting:
        if stated.strip() in ("C", "F", "K"):
            out.asks("unit", f"the name of the column ends in '{stated}'; is that the unit?")
            return
        out.says(f"unit: the name of the column states '{stated}'")
        out.has("unit", unit.ucum)
    elif fitting and not bare and unit is None:
        counts = ", ".join(f"'{text}' in {count}" for text, count in fitting.items())
        out.says(f"unit: it stands behind the number, {counts} cells")
        out.has("unit_in_text", True)
        out.has("units", list(fitting))
    else:
        _ask_unit(vital, out)


def _wide_vitals(table: _Table, values: list[int], taken: set[int], out: _Page) -> None:
    by_vital: dict[str, list[int]] = defaultdict(list)
    for at in values:
        for key in _label(table.names[at])[0]:
            by_vital[key].append(at)
    told: list[int] = []
    used: set[str] = set()
    for at, name in enumerate(table.names):
        if not name or at in taken:
            continue
        cells = [cell for _, cell in table.columns[at]]
        filled = [cell for cell in cells if cell]
        pairs = [found for cell in filled if (found := _PAIR.fullmatch(cell))]
        if pairs and len(pairs) * 2 >= len(filled) and _folded(name.split()[0]) in _PRESSURES and table.header:
            told.append(at)
            if used or any(by_vital[key] for key in ("systolic", "diastolic", "mean_pressure")):
                out.says("")
                out.asks(
                    "vitals",
                    f"column '{name}' holds pressures such as two numbers with a stroke, but another one does too",
                )
                continue
            used.add(name)
            _pair_vitals(name, len(pairs), len(filled), any(found["mean"] for found in pairs), out)
            continue
        if at not in values:
            continue
        told.append(at)
        meant, stated = _label(name)
        alone = len(meant) == 1 and by_vital[meant[0]] == [at]
        out.table("vitals", meant[0] if alone else f"? {name}")
        out.says(f"column '{name}': {_numbers(cells)}; the label is usual for {', '.join(meant)}")
        if not alone:
            out.asks("vital", "which one is it? Write its key into the line above, or take the table out.")
        out.has("column", name)
        if alone or len({vitals()[key].dimension for key in meant}) == 1:
            _unit(vitals()[meant[0]], stated, cells, out)
    rest = [name for at, name in enumerate(table.names) if name and at not in told and at not in taken]
    if not told:
        out.asks("vitals", "no column has a usual label; which ones hold vitals? One table [vitals.KEY] for each.")
    if rest and table.header:
        out.says("")
        out.asks("vitals", f"are there vitals in the other columns? {', '.join(rest)}")


def _pair_vitals(name: str, pairs: int, filled: int, mean: bool, out: _Page) -> None:
    pattern = r"(?P<systolic>\d+) ?/ ?(?P<diastolic>\d+)" + (r"(?: ?\( ?(?P<mean_pressure>\d+)\))?" if mean else "")
    for key in ("systolic", "diastolic", *(["mean_pressure"] if mean else [])):
        out.table("vitals", key)
        out.says(f"column '{name}': {pairs} of {filled} filled cells are two numbers with a stroke"
                 + (", some with a third in brackets" if mean else ""))  # fmt: skip
        out.has("column", name)
        out.has("pattern", pattern)
        _ask_unit(vitals()[key], out)


def _long_vitals(table: _Table, roles: dict[str, list[int]], out: _Page) -> None:
    if len(roles["label"]) != 1 or len(roles["value"]) != 1 or len(roles["unit"]) > 1:
        out.asks("vitals", "the columns above come first; then one table [vitals.KEY] for each label.")
        return
    at, value = roles["label"][0], roles["value"][0]
    unit_at = roles["unit"][0] if roles["unit"] else None
    rows: dict[str, list[int]] = defaultdict(list)
    for number, (_, label) in enumerate(table.columns[at]):
        rows[label].append(number)
    usual: dict[str, list[str]] = defaultdict(list)
    for label in rows:
        for key in _label(label)[0]:
            usual[key].append(label)
    found = False
    for label, numbers in rows.items():
        if not label:
            continue
        meant, stated = _label(label)
        cells = [table.columns[value][number][1] for number in numbers]
        lines = [table.rows[number].line for number in numbers]
        if not meant or not label.isprintable():
            if len(rows) <= 200:
                out.says("")
                seen = f"{_numbers(cells)}{_unit_words(table, unit_at, numbers)}"
                of = f"line {lines[0]} ({_count(len(lines), 'row')})"
                out.asks("vitals", f"the label of {of} is not a usual one; what is it? {seen}")
            continue
        found = True
        alone = len(meant) == 1 and usual[meant[0]] == [label]
        out.table("vitals", meant[0] if alone else f"? {label}")
        out.says(f"label '{label}', {_count(len(lines), 'row')}: {_numbers(cells)}; usual for {', '.join(meant)}")
        if not alone:
            out.asks("vital", "which one is it? Write its key into the line above, or join it with another table.")
        out.has("labels", [label])
        vital = vitals()[meant[0]]
        if unit_at is None:
            _unit(vital, stated, cells, out)
            continue
        texts = Counter(table.columns[unit_at][number][1] for number in numbers)
        fitting = [text for text in texts if (unit := unit_for(text)) is not None and unit.dimension == vital.dimension]
        odd = sum(count for text, count in texts.items() if text not in fitting)
        if odd:
            out.asks("units", f"{_count(odd, 'row')} with no unit that is known for it: what do they mean?")
        if fitting:
            out.says("units: " + ", ".join(f"'{text}' in {_count(texts[text], 'row')}" for text in fitting))
            out.has("units", fitting)
        elif not odd:
            _ask_unit(vital, out)
    if not found:
        out.asks("vitals", "no label is a usual one. One table [vitals.KEY] with labels = [...] for each.")


def _unit_words(table: _Table, unit_at: int | None, numbers: list[int]) -> str:
    """The units that stand beside a label, in words; only spellings that are known."""
    if unit_at is None:
        return ""
    texts = Counter(table.columns[unit_at][number][1] for number in numbers)
    known = [text for text in texts if unit_for(text) is not None]
    return f", in {', '.join(known)}" if known else ""


def _absent(pairs: list[tuple[int, str]], elsewhere: set[str], out: _Page) -> None:
    """Ask about the texts that stand where values belong; what stands elsewhere too may be somebody's identifier."""
    tokens: Counter[str] = Counter()
    hidden: list[int] = []
    for line, cell in pairs:
        if cell in _SENTINELS:
            tokens[cell] += 1
        elif not cell or _NUMBER.fullmatch(cell) or _PAIR.fullmatch(cell) or _has_unit(cell):
            continue
        elif len(cell) <= 8 and cell not in elsewhere and (_CODE.fullmatch(cell) or _MARKS.fullmatch(cell) or
                                 all(word.casefold() in _ERRORS for word in cell.split())):  # fmt: skip
            tokens[cell] += 1
        elif not re.fullmatch("[ACVPU]", cell):
            hidden.append(line)
    if not tokens and not hidden:
        return
    out.table("absent")
    for text, count in tokens.most_common(30):
        out.asks(
            _toml(text), f"{_count(count, 'cell')} where a value belongs; does it mean that there is none, and why?"
        )
    if hidden:
        where = _some(sorted(set(hidden)))
        out.asks(
            "texts", f"{_count(len(hidden), 'cell')} with other texts where a value belongs ({where}); what are they?"
        )


def _has_unit(cell: str) -> bool:
    found = _WITH_UNIT.fullmatch(cell)
    return found is not None and unit_for(found["unit"]) is not None


def _words_of(line: str) -> str:
    """The shape of a line: usual labels and units stay, other words become W, digits 9."""
    words = []
    for word in line.split():
        bare = word.strip("():,;")
        if _folded(bare) in _labels() or unit_for(bare) is not None or _folded(bare) in _PRESSURES:
            words.append(word if word.isprintable() and not re.search("[0-9]{3}", word) else "W")
        elif not re.search(r"[^\W\d_]", word):
            shape = re.sub(r"[0-9]+", "9", word)
            words.append(shape if re.fullmatch(r"[9:/.,()\[\]%*?#=+|-]{1,20}", shape) else "W")
        else:
            words.append("W")
    return " ".join(words)


def _listing(lines: list[str], encoding: str | None, why: str, out: _Page) -> None:
    usable = [(number, line) for number, line in enumerate(lines, 1) if line.strip() and len(line) <= _LONGEST_LINE]
    shapes: Counter[str] = Counter()
    first: dict[str, int] = {}
    for number, line in usable:
        shape = _words_of(line)[:120]
        shapes[shape] += 1
        first.setdefault(shape, number)
    out.says(
        "No delimiter cuts most lines alike, so this is taken for a listing. A draft cannot tell which lines begin",
        "an entry: the kinds of line are listed, W for a word and 9 for digits.",
    )
    _top("listing", out)
    out.table("listing")
    _say_encoding(encoding, why, out)
    for shape, count in shapes.most_common(30):
        out.says(f"{_count(count, 'line')}, first line {first[shape]}: {shape}")
    if len(shapes) > 30:
        out.says(f"and {_count(len(shapes) - 30, 'other kind')} of line")
    _serial_questions("listing", out)


def _framed(data: bytes, out: _Page) -> None:
    frames = re.findall(rb"\x02([^\x02]{1,65536}?)([\x03\x17])([0-9A-Fa-f]{2})?(\r\n|\r)?", data)
    ends = Counter(end for _, end, _, _ in frames)
    summed = xored = 0
    for body, end, digits, _ in frames:
        if digits:
            total, mixed = 0, 0
            for byte in body + end:
                total, mixed = (total + byte) & 255, mixed ^ byte
            summed += int(digits, 16) == total
            xored += int(digits, 16) == mixed
    numbered = sum(body[:1].isdigit() for body, _, _, _ in frames)
    behind = Counter(after for _, _, _, after in frames)
    out.says(f"STX and ETX or ETB stand in it, so this is taken for a framed capture: {_count(len(frames), 'frame')}.")
    _top("framed", out)
    out.table("framed")
    out.has("start", "02")
    whole, cut = ends[b"\x03"], ends[b"\x17"]
    out.says(f"ends: {_count(whole, 'frame')} with ETX, {cut} with ETB")
    out.has("end", ["03"])
    if cut:
        out.asks("continues", 'does ETB mean that the record goes on in the next frame? Then write ["17"].')
    out.says(f"checksum: the two digits behind fit sum-mod-256 in {summed} and xor in {xored} of {len(frames)} frames")
    if summed * 2 > len(frames) and summed > xored:
        out.has("checksum", "sum-mod-256")
    elif xored * 2 > len(frames) and xored > summed:
        out.has("checksum", "xor")
    else:
        out.asks("checksum", "which one is it? none, crc-16-ccitt and crc-16-modbus were not tried.")
        out.has("checksum", "?")
    if behind:
        after, count = behind.most_common(1)[0]
        out.says(
            f"after: the same line end stands behind {count} frames"
            if after
            else "after: no line end behind most frames"
        )
        out.has("after", after.hex().upper())
    out.says(f"frame_numbers: {numbered} of {_count(len(frames), 'frame')} begin with a digit")
    if numbered:
        out.asks("frame_numbers", "is that digit the number of the frame? Then write true.")
    _serial_questions("framed", out)


def _serial_questions(form: str, out: _Page) -> None:
    out.asks(
        "records", f"which kinds of record are there? One table [[{form}.records]] for each, one of them an entry."
    )
    out.table("time")
    out.asks("columns", "which group or field tells when the readings were taken, and how is it written (formats)?")
    out.asks("zone", "where does the clock run? No text states an offset that a draft can read here.")
    out.table("patient")
    out.asks("column", "which group or field identifies the patient, or who says who was on which device?")
    out.asks("system", "which URI stands for the patients' identifiers? No file states it.")
    out.says("")
    out.asks("vitals", "which groups or fields hold vitals, and in which units? One table [vitals.KEY] for each.")
