"""Times that are counted: seconds since 1970, and the days of a spreadsheet. Read by their digits, never as a float."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from datetime import date, timedelta
from decimal import Decimal
from typing import NamedTuple

from gateway.mapping.time_formats import EPOCH, EPOCH_MILLISECONDS, SERIAL
from gateway.model import Noticed

_SECONDS = re.compile(r"([0-9]{9,10})(\.[0-9]{1,9})?")
_MILLISECONDS = re.compile(r"([0-9]{9,10})([0-9]{3})(?:\.0+)?")
_DAYS = re.compile(r"([0-9]{1,6})(?:[.,]([0-9]{1,20}))?")

_FIRST = date(1899, 12, 30)
_LEAP_DAY = 60
"""The serial that spreadsheets give to the 29th of February 1900, which was none: before it, days are one off."""

_SURE = 5
"""Decimals from which a serial tells the second: half of the fifth is 0.4 s."""


class Instant(NamedTuple):
    """Whole seconds since 1970-01-01T00:00:00Z, and the fraction as a text (".25", or "")."""

    seconds: int
    fraction: str


class Serial(NamedTuple):
    """A day, the seconds since its midnight (None where the text is a day alone), and why they cannot be used."""

    day: date
    seconds: int | None = None
    noticed: Noticed | None = None


def _epoch(text: str) -> Instant | None:
    match = _SECONDS.fullmatch(text)
    return Instant(int(match[1]), match[2] or "") if match else None


def _milliseconds(text: str) -> Instant | None:
    match = _MILLISECONDS.fullmatch(text)
    return Instant(int(match[1]), f".{match[2]}") if match else None


def _serial(text: str) -> Serial | None:
    """Source: ECMA-376-1:2016, 18.17.4.1, the 1900 date base."""
    match = _DAYS.fullmatch(text)
    if match is None:
        return None
    number, decimals = int(match[1]), match[2] or ""
    day = _FIRST + timedelta(days=number)
    if number <= _LEAP_DAY:
        return Serial(day, noticed=Noticed("time-impossible", "spreadsheets count the days before March 1900 wrong"))
    if not decimals:
        return Serial(day)
    exact = Decimal(f"0.{decimals}") * 86400
    seconds = int(exact.to_integral_value())
    if exact != seconds and len(decimals) < _SURE:
        what = f"{len(decimals)} decimals of a day do not tell the minute"
        return Serial(day, noticed=Noticed("time-unreadable", what))
    return Serial(day + timedelta(days=seconds // 86400), seconds % 86400)


COUNTED: Mapping[str, Callable[[str], Instant | Serial | None]] = {
    EPOCH: _epoch,
    EPOCH_MILLISECONDS: _milliseconds,
    SERIAL: _serial,
}
"""Name of the form -> reads a text; None for a text that has not this form."""
