"""Whether a zone says when the clocks change: a place of the IANA database, or a fixed offset."""

from __future__ import annotations

import re
from functools import cache
from importlib import resources

from gateway.mapping.places import Path
from gateway.mapping.problems import Problems, nearest, quoted

OFFSET_IN_TEXT = "offset-in-text"
"""What stands for a zone when each time carries its own offset."""

_OFFSET = re.compile(r"[+-](0[0-9]|1[0-4]):[0-5][0-9]")
# These are in the tz database, but as fixed offsets or as copies of some place's rules: whoever writes EST for
# New York gets every summer reading an hour late.
ABBREVIATIONS = {
    "EST": "America/New_York", "EDT": "America/New_York", "EST5EDT": "America/New_York", "CST": "America/Chicago",
    "CDT": "America/Chicago", "CST6CDT": "America/Chicago", "MST": "America/Denver", "MDT": "America/Denver",
    "MST7MDT": "America/Denver", "PST": "America/Los_Angeles", "PDT": "America/Los_Angeles",
    "PST8PDT": "America/Los_Angeles", "HST": "Pacific/Honolulu", "AKST": "America/Anchorage", "BST": "Europe/London",
    "WET": "Europe/Lisbon", "WEST": "Europe/Lisbon", "CET": "Europe/Paris", "CEST": "Europe/Paris",
    "MET": "Europe/Paris", "MEST": "Europe/Paris", "MEZ": "Europe/Berlin", "MESZ": "Europe/Berlin",
    "EET": "Europe/Athens", "EEST": "Europe/Athens", "IST": "Asia/Kolkata", "JST": "Asia/Tokyo",
    "MSK": "Europe/Moscow", "SAST": "Africa/Johannesburg", "HKT": "Asia/Hong_Kong", "KST": "Asia/Seoul",
    "AKDT": "America/Anchorage", "AST": "America/Halifax", "ADT": "America/Halifax", "NST": "America/St_Johns",
    "NDT": "America/St_Johns", "AWST": "Australia/Perth", "ACST": "Australia/Adelaide", "ACDT": "Australia/Adelaide",
    "AEST": "Australia/Sydney", "AEDT": "Australia/Sydney", "NZST": "Pacific/Auckland", "NZDT": "Pacific/Auckland",
}  # fmt: skip


def check(zone: str, problems: Problems) -> None:
    """Note what is wrong with `time.zone`."""
    path: Path = ("time", "zone")
    advice = "Write the IANA zone of the place, such as America/New_York or Europe/Berlin"
    if zone == OFFSET_IN_TEXT or _OFFSET.fullmatch(zone):
        return
    if zone.upper() in ABBREVIATIONS:
        problems.add(
            path,
            f"{quoted(zone)} is an abbreviation: it does not say when the clocks change",
            f"Write the place, such as {ABBREVIATIONS[zone.upper()]}, or a fixed offset such as -05:00 for a "
            "clock that nobody ever sets to summer time",
        )
    elif zone[:1] in "+-":
        problems.add(
            path, f"{quoted(zone)} is not an offset", "Write sign, two digits, colon, two digits: +05:30 or -05:00"
        )
    elif zone.startswith("Etc/GMT") and zone[7:8] in ("+", "-") and zone in names():
        sign = "-" if zone[7] == "+" else "+"
        problems.add(
            path,
            f"{zone} has its sign the other way round: it means UTC{sign}{zone[8:]}",
            f'Write zone = "{sign}{int(zone[8:]):02d}:00", or the place',
        )
    elif zone not in names():
        # Only what would be taken: never an abbreviation, nor a zone whose sign is the other way round.
        close = nearest(zone, (name for name in names() if name not in ABBREVIATIONS and name[:7] != "Etc/GMT"))
        problems.add(
            path,
            f"{quoted(zone)} is not in the IANA time zone database",
            f"Write {close}, if that is what was meant" if close else advice,
        )


@cache
def names() -> frozenset[str]:
    """Every zone the packaged IANA database holds; the machine's own list may differ and is not asked."""
    return frozenset(resources.files("tzdata").joinpath("zones").read_text("utf-8").split()) - {"Factory", "localtime"}
