"""Whether the formats of times can be read, and read one way only."""

from __future__ import annotations

import re
from collections.abc import Sequence

from gateway.mapping.places import Path
from gateway.mapping.problems import Problems, listed, quoted
from gateway.mapping.zones import ABBREVIATIONS, OFFSET_IN_TEXT

DIRECTIVES = "YymbBdjaAHIpMSfzZ%"
"""The strptime directives that time formats may use."""

ISO, EPOCH, EPOCH_MILLISECONDS, SERIAL = "iso-8601", "epoch-seconds", "epoch-milliseconds", "spreadsheet-serial"
NAMED = (ISO, EPOCH, EPOCH_MILLISECONDS, SERIAL)
"""Forms that have a name instead of directives."""

_ZERO = frozenset({"z", "utc", "gmt", "ut"})
_HALF_DAYS = frozenset({"am", "pm", "a.m", "p.m"})


def check(table: Path, prefix: str, formats: Sequence[str], columns: int, zone: str, problems: Problems) -> None:
    """Check formats of one table, each by itself, against the others, the zone and the number of columns joined."""
    key = (*table, f"{prefix}formats")
    for at, text in enumerate(formats):
        path: Path = (*key, at)
        if text not in NAMED:
            _format(text, path, problems)
        if text in formats[:at]:
            problems.add(path, f"the format {quoted(text)} stands there twice", "Take one out")
            continue
        if not problems.known(key, ("time", "zone")):
            continue
        for earlier in formats[:at]:
            if _skeleton(text) == _skeleton(earlier):
                problems.add(
                    path,
                    f"{quoted(text)} and {quoted(earlier)} read the same text as different days",
                    "Keep the one this kind of monitor prints; day and month are never guessed row by row",
                )
        if text in NAMED:
            _named(text, path, table, columns, zone, problems)
            continue
        if "Z" in _directives(text) and "/" not in zone:
            problems.add(
                path,
                f"%Z reads the short name of a zone, and the zone {zone} is no place that has such names",
                "Write the place, such as America/New_York, or %z where the text holds an offset",
            )
        has_offset = "z" in _directives(text)
        if has_offset and zone != OFFSET_IN_TEXT:
            problems.add(
                path,
                f"%z reads an offset from the text, but the zone is {zone}",
                f'Write zone = "{OFFSET_IN_TEXT}", or take %z out',
            )
        elif not has_offset and zone == OFFSET_IN_TEXT:
            problems.add(
                path,
                f"the zone is {OFFSET_IN_TEXT}, but {quoted(text)} has no %z",
                "Add %z where the offset stands, or name the zone whose local time the monitor shows",
            )
        if columns > 1 and not re.search(r"\s", text.strip()) and problems.known((*table, f"{prefix}columns")):
            problems.add(
                path,
                f"{quoted(text)} has no blank, but {columns} columns are joined by one",
                'Write the formats of the columns in their order with a blank between, such as "%m/%d/%Y %H:%M"',
            )


def _named(text: str, path: Path, table: Path, columns: int, zone: str, problems: Problems) -> None:
    if "clock" in table:
        todo = "Write its shape with directives, such as %Y-%m-%d %H:%M"
        problems.add(path, f"a clock shows the local time, and {text} is no form of it", todo)
    elif columns > 1:
        problems.add(path, f"{text} stands in one column, and {columns} are joined", "Name the one that holds it")
    elif zone == OFFSET_IN_TEXT and text != ISO:
        problems.add(
            path,
            f"the zone is {OFFSET_IN_TEXT}, and {text} holds no offset",
            "Name the zone of the place, such as America/New_York, in which the records tell the time",
        )


def has_time_of_day(text: str) -> bool:
    """Whether a format reads an hour."""
    return text in NAMED or bool(set(_directives(text)) & set("HI"))


def _format(text: str, path: Path, problems: Problems) -> None:
    names = [name for name in _directives(text) if name != "%"]
    if "%" in re.sub(r"%.", "", text, flags=re.DOTALL):
        problems.add(path, f"{quoted(text)} ends in a single %", "Write %% for a percent sign")
        return
    for name in names:
        if name not in DIRECTIVES:
            known = listed((f"%{known}" for known in DIRECTIVES), 20)
            todo = "Take the hyphen out: %d reads 7 and 07 alike" if name == "-" else f"Use {known}"
            problems.add(path, f"%{name} is not a directive the gateway reads", todo)
            return
    if not names:
        problems.add(path, f"{quoted(text)} holds no directives", _WRITE_A_SHAPE)
        return
    what, todo = _ignored(text)
    if not what:
        what, todo = _incomplete(names)
    if what:
        problems.add(path, f"{quoted(text)} {what}", todo)


def _ignored(text: str) -> tuple[str, str]:
    """What a format would pass over though it changes the time: a zone or half of the day written out."""
    plain = re.sub(r"%.", " ", text, flags=re.DOTALL)
    offset = re.search(r"[+-][0-9]{2}:?[0-9]{2}(?![0-9])", plain)
    if offset is not None:
        return f"holds the offset {offset[0]} as a text, which would be passed over", _OFFSET_TODO
    for word in re.findall(r"[A-Za-z][A-Za-z.]*", plain):
        folded = word.casefold().strip(".")
        if folded in _ZERO:
            return f"holds {quoted(word)} as a text, which would be passed over: it is an offset of zero", _OFFSET_TODO
        if folded.upper() in ABBREVIATIONS:
            return f"holds {quoted(word)} as a text, which would be passed over: it is the short name of a zone", (
                f'Write %Z in its place, and the place in time.zone, such as zone = "{ABBREVIATIONS[folded.upper()]}"'
            )
        if folded in _HALF_DAYS:
            return f"holds {quoted(word)} as a text, which would be passed over: half of the day", (
                "Write %I for the hour and %p where AM or PM stands"
            )
    return "", ""


_OFFSET_TODO = f'Write %z in its place, and zone = "{OFFSET_IN_TEXT}"'
_WRITE_A_SHAPE = 'Write the shape of the time, not an example: "%Y-%m-%d %H:%M"'


def _incomplete(names: list[str]) -> tuple[str, str]:
    """What a format leaves unsaid or says twice, and what to do; two empty texts when it is complete."""
    has = set(names)
    if len(names) > len(has) or any(len(has & set(same)) > 1 for same in ("Yy", "mbBj", "dj", "HI", "zZ")):
        return "says the year, month, day, hour or zone twice", "Keep one directive for each part of the time"
    if not has & set("Yy") or not ("j" in has or ("d" in has and has & set("mbB"))):
        return "holds no whole date", (
            "Add year, month and day, such as %Y-%m-%d, and the date's column to time.columns when it has its own"
        )
    if ("I" in has) != ("p" in has):
        return "has one of %I (12-hour clock) and %p (AM or PM)", "Use both, or %H for a 24-hour clock"
    if has & set("HIMSfp") and not ("M" in has and has & set("HI")):
        return "has a time of day without hour and minute", "Write %H:%M, or leave the time of day out"
    if "f" in has and "S" not in has:
        return "has parts of a second without seconds", "Write %S.%f"
    return "", ""


def _directives(text: str) -> list[str]:
    return re.findall(r"%(.)", text, re.DOTALL)


def _skeleton(text: str) -> str:
    """The format with the two-digit parts of a date made alike: equal skeletons fit the same texts."""
    return re.sub(r"%[dmy]", "%d", text.strip())
