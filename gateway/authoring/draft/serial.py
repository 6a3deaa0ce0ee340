"""The draft of a listing or of a framed capture, whose records a person must describe."""

from __future__ import annotations

import re
from collections import Counter

from gateway.authoring.draft.page import Page, counted, propose_top
from gateway.authoring.draft.reading import LONGEST_LINE
from gateway.authoring.draft.tabular import say_encoding
from gateway.authoring.draft.words import words_of


def propose_listing(lines: list[str], encoding: str | None, why: str, out: Page) -> None:
    """Propose a mapping for lines of text that are no table."""
    usable = [(number, line) for number, line in enumerate(lines, 1) if line.strip() and len(line) <= LONGEST_LINE]
    shapes: Counter[str] = Counter()
    first: dict[str, int] = {}
    for number, line in usable:
        shape = words_of(line)[:120]
        shapes[shape] += 1
        first.setdefault(shape, number)
    out.says(
        "No delimiter cuts most lines alike, so this is taken for a listing. A draft cannot tell which lines begin",
        "an entry: the kinds of line are listed, W for a word and 9 for digits.",
    )
    propose_top("listing", out)
    out.table("listing")
    say_encoding(encoding, why, out)
    for shape, count in shapes.most_common(30):
        out.says(f"{counted(count, 'line')}, first line {first[shape]}: {shape}")
    if len(shapes) > 30:
        out.says(f"and {counted(len(shapes) - 30, 'other kind')} of line")
    _serial_questions("listing", out)


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
    _serial_questions("framed", out)


def _serial_questions(form: str, out: Page) -> None:
    out.asks(
        "records", f"which kinds of record are there? One table [[{form}.records]] for each, one of them an entry."
    )
    out.table("time")
    out.asks("columns", "which group or field tells when the readings were taken, and how is it written (formats)?")
    out.asks("zone", "where does the clock run? No text states an offset that a draft can read here.")
    out.table("patient")
    out.asks("column", "which group or field identifies the patient, or who says who was on which device?")
    out.asks("pattern", "what do the identifiers look like? A regular expression for the whole of each, or any.")
    out.asks("system", "which URI stands for the patients' identifiers? No file states it.")
    out.says("")
    out.asks("vitals", "which groups or fields hold vitals, and in which units? One table [vitals.KEY] for each.")
