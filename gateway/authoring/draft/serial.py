"""The draft of a listing or of a framed capture, whose records a person must describe."""

from __future__ import annotations

import re
from collections import Counter

from gateway.authoring.draft.measured import numbers_in, propose_group_vitals
from gateway.authoring.draft.page import Page, counted, propose_top
from gateway.authoring.draft.reading import LONGEST_LINE, Table, table_of_columns
from gateway.authoring.draft.records import TIME, Fields, Records, fields_of
from gateway.authoring.draft.tabular import say_encoding
from gateway.authoring.draft.times import propose_time
from gateway.authoring.draft.words import words_of

_LINES = 20_000
"""Lines of a listing that are looked at for what repeats."""


def propose_listing(lines: list[str], encoding: str | None, why: str, out: Page) -> None:
    """Propose a mapping for lines of text that are no table."""
    usable = [(number, line) for number, line in enumerate(lines, 1) if line.strip() and len(line) <= LONGEST_LINE]
    found = Records(usable[:_LINES])
    out.says(
        "No delimiter cuts most lines alike, so this is taken for a listing. What repeats is proposed as kinds of",
        "line; a word that is no usual label is met by any word. Name the groups c1, c2, ... or take them out.",
    )
    if len(usable) > _LINES:
        out.says(f"Kinds of line are those of the first {_LINES:,}.")
    propose_top("listing", out)
    out.table("listing")
    say_encoding(encoding, why, out)
    for kind in found.kinds:
        out.tables("listing", "records")
        out.says(f"{counted(len(kind.lines), 'line')}, the first is line {kind.first}")
        if kind.use:
            out.says(f"use: {_WHY[kind.use]}")
            out.has("use", kind.use)
        else:
            out.asks("use", "entry, part, header, event or ignore?")
            out.has("use", "ignore")
        out.verbatim("pattern", kind.pattern)
    shapes: Counter[str] = Counter()
    first: dict[str, int] = {}
    for number, line in found.rest:
        shape = words_of(line)[:120]
        shapes[shape] += 1
        first.setdefault(shape, number)
    for shape, count in shapes.most_common(20):
        out.says(f"{counted(count, 'line')} of no kind above, first line {first[shape]}: {shape}")
    if len(shapes) > 20:
        out.says(f"and {counted(len(shapes) - 20, 'other kind')} of line")
    if found.rest:
        out.asks("records", "what are these lines? W stands for a word, 9 for digits. Lines of no kind are held.")
    table = found.table()
    if not table.rows:
        out.asks(
            "records", "which kinds of line are there? One table [[listing.records]] for each, one of them an entry."
        )
        _time_questions(out)
        _party_questions(out)
        return
    _propose_columns(table, found, out)


_WHY = {
    "entry": "it begins what belongs together",
    "part": "it holds vitals, and a line of another kind begins each entry",
    "header": "it stands above entries, and says when or where",
}


def _propose_columns(table: Table, found: Records, out: Page) -> None:
    """Propose times, parties and vitals from the groups of the patterns."""
    propose_time(table, [at for at, name in enumerate(table.names) if name == "time"], out)
    free = [name for name in table.names if re.fullmatch("c[0-9]+", name)]
    out.table("patient")
    if "patient" in table.names:
        out.says("column: a usual name of patients' identifiers stands before it")
        out.has("column", "patient")
    else:
        which = f": {', '.join(free)}" if free else ""
        out.asks("column", f"which group identifies the patient{which}? Or who says who was on which device?")
    out.asks("pattern", "what do the identifiers look like? A regular expression for the whole of each, or any.")
    out.asks("system", "which URI stands for the patients' identifiers? No file states it.")
    for role in ("device", "operator", "location"):
        if role in table.names:
            out.table(role)
            out.says("column: a usual name stands before it")
            out.has("column", role)
            out.asks("system", "which URI stands for these identifiers? It may be left out.")
    propose_group_vitals(table, found.vitals(), out)


def propose_framed(data: bytes, out: Page) -> None:
    """Propose a mapping for records between control bytes."""
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
    out.says(f"STX and ETX or ETB stand in it, so this is taken for a framed capture: {counted(len(frames), 'frame')}.")
    propose_top("framed", out)
    out.table("framed")
    out.has("start", "02")
    whole, cut = ends[b"\x03"], ends[b"\x17"]
    out.says(f"ends: {counted(whole, 'frame')} with ETX, {cut} with ETB")
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
    out.says(f"frame_numbers: {numbered} of {counted(len(frames), 'frame')} begin with a digit")
    if numbered:
        out.asks("frame_numbers", "is that digit the number of the frame? Then write true.")
    bodies = "".join(_text(body, numbered * 2 > len(frames)) for body, *_ in frames)
    records = (
        [each for each in bodies.split("\r") if each] if "\r" in bodies else [_text(each[0], False) for each in frames]
    )
    if "\r" in bodies:
        out.says("record_end: carriage returns stand in the text of frames")
        out.has("record_end", "0D")
    kinds = fields_of(records)
    table = None
    free = 0
    for kind in kinds:
        use = "entry" if kind is kinds[0] else "header" if kind.first < kinds[0].first else "ignore"
        out.tables("framed", "records")
        names = [f"c{free + number}" for number in range(1, kind.width + 1)]
        free += kind.width
        what = 'name the fields that are read, and write "" for the others'
        out.says(f"{counted(len(kind.rows), 'record')}; {what}")
        if use == "entry":
            out.says("use: there are more of them than of any other kind")
            table = _fields(kind, names, out)
        else:
            out.asks("use", "entry, part, header, event or ignore?")
        out.has("use", use)
        out.verbatim("match", re.escape(kind.mark) + ("\\t" if kind.between == "\t" else re.escape(kind.between)))
        if kind.between != "|":
            out.has("delimiter", kind.between)
        out.has("fields", ["", *names])
    if not kinds:
        out.asks(
            "records", "which kinds of record are there? One table [[framed.records]] for each, one of them an entry."
        )
    if table is None:
        _time_questions(out)
    else:
        propose_time(table, [at for at, name in enumerate(table.names) if name.startswith("time")], out)
    _party_questions(out)


def _fields(kind: Fields, names: list[str], out: Page) -> Table:
    """The records of a kind as a table; names the fields that hold times, and tells what stands in the others."""
    width = kind.width
    rows = [[*row, *[""] * (width - len(row))] for row in kind.rows]
    for at in range(width):
        filled = [row[at] for row in rows if row[at].strip()]
        if filled and sum(bool(TIME.fullmatch(text.strip())) for text in filled) * 5 >= len(filled) * 3:
            names[at] = "time" if "time" not in names else f"time{at + 1}"
            out.says(f"field {at + 2}: times")
        elif filled:
            out.says(f"field {at + 2}, {names[at]}: {numbers_in(row[at].strip() for row in rows)}")
    return table_of_columns(names, [(number, row) for number, row in enumerate(rows, 1)])


def _text(body: bytes, numbered: bool) -> str:
    return body[numbered and body[:1].isdigit() :].decode("latin-1")


def _time_questions(out: Page) -> None:
    out.table("time")
    out.asks("columns", "which group or field tells when the readings were taken, and how is it written (formats)?")
    out.asks("zone", "where does the clock run? Write offset-in-text where each time carries its own.")


def _party_questions(out: Page) -> None:
    out.table("patient")
    out.asks("column", "which group or field identifies the patient, or who says who was on which device?")
    out.asks("pattern", "what do the identifiers look like? A regular expression for the whole of each, or any.")
    out.asks("system", "which URI stands for the patients' identifiers? No file states it.")
    out.says("")
    out.asks("vitals", "which groups or fields hold vitals, and in which units? One table [vitals.KEY] for each.")
