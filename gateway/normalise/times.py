"""Time texts read into moments, as the mapping declares them and with nothing guessed.

A text is read by the first declared format whose shape fits all of it; a later format is not tried when the
numbers turn out to be impossible, so 12/31/2026 under %d/%m/%Y is held even if %m/%d/%Y is declared too. The zone
comes from the mapping or stands in the text. Zone rules come from the packaged IANA tz database (`tzdata`), not from
the machine, so that the same export gives the same records everywhere.

Directives: %Y %y %m %b %B %d %j %a %A for the date, %H %I %p %M %S %f for the time of day, %z for the offset (also Z,
UTC, GMT and UT), %Z for the short name that the zone has at that time, such as EST, %% for a percent sign. Names of
months and weekdays are English, whatever the locale. %y follows POSIX: 69 to 99 are 1969 to 1999, 00 to 68 are 2000 to
2068.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from datetime import UTC, date, datetime, timedelta, timezone
from importlib import import_module, resources
from typing import NamedTuple, TypeVar
from zoneinfo import ZoneInfo

from gateway.errors import MappingError
from gateway.mapping.model import Time
from gateway.mapping.time_formats import ISO
from gateway.model import Moment, Noticed
from gateway.normalise.counted import COUNTED, Instant, Serial

OFFSET_IN_TEXT = "offset-in-text"
"""What `time.zone` says when every text carries its own offset."""

LONGEST = 64
"""Characters; a longer text is not a time."""

RESET_DATES = frozenset({(1970, 1, 1), (1980, 1, 1), (1980, 1, 6), (1990, 1, 1), (2000, 1, 1)})
"""Days on which clocks start after a reset: POSIX and GPS epochs, and round years. Common practice, no source."""

_REMEMBERED = 50_000
_MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_FULL_MONTHS = (
    "january", "february", "march", "april", "may", "june", "july", "august", "september", "october", "november",
    "december",
)  # fmt: skip
_WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
_FULL_WEEKDAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")

_WIDTHS = {
    "Y": (4, 4), "y": (2, 2), "m": (1, 2), "d": (1, 2), "j": (1, 3),
    "H": (1, 2), "I": (1, 2), "M": (1, 2), "S": (1, 2), "f": (1, 9),
}  # fmt: skip
_WORDS = {
    "b": "|".join(_MONTHS),
    "B": "|".join(_FULL_MONTHS),
    "a": "|".join(_WEEKDAYS),
    "A": "|".join(_FULL_WEEKDAYS),
    "p": r"[ap]m|[ap]\.m\.",
    "Z": r"[a-z]{2,5}",
    "z": r"z|utc|gmt|ut|[+-][0-9]{2}(?::?[0-9]{2})?",
}
_DATE = "YymbBdjaA"
_CLOCK = "HIpMSf"
_SPACE = "[ \t\u00a0\u2007\u202f]+"
_OFFSET = re.compile(r"z|utc|gmt|ut|([+-])([0-9]{2})(?::?([0-9]{2}))?", re.ASCII | re.IGNORECASE)

_MISSING = Noticed("time-missing", "the entry has no time")
_ODD_OFFSET = Noticed(
    "time-impossible", "no record can state the zone's offset of then, which was no whole number of minutes"
)
_OTHER_ZONE = Noticed("time-zone-differs", "the text names a zone that the declared one is not at that time")


def joined(texts: Iterable[str]) -> str:
    """Join the texts of several time columns by one space, each trimmed.

    Args:
        texts: the cells, in the order of the mapping's `time.columns`.

    Returns:
        One text for `TimeReader.read`; "" when every cell is blank.
    """
    return " ".join(text.strip() for text in texts).strip()


def zone_for(name: str) -> ZoneInfo:
    """Load a zone of the packaged IANA tz database.

    Args:
        name: IANA name, such as "Europe/Berlin".

    Returns:
        The zone, with rules for years past 2037.

    Raises:
        MappingError: the packaged edition has no zone of that name.
    """
    parts = name.split("/")
    if all(re.fullmatch(r"[A-Za-z0-9_+-]+", part) for part in parts):
        package = ".".join(["tzdata.zoneinfo", *parts[:-1]])
        try:
            with resources.files(package).joinpath(parts[-1]).open("rb") as file:
                return ZoneInfo.from_file(file, key=name)
        except (ModuleNotFoundError, OSError, ValueError):
            pass
    raise MappingError(
        f"there is no time zone of this name in the IANA tz database, edition {zone_edition()}",
        where="key time.zone",
        todo="Give a name such as Europe/Berlin, a fixed offset such as +05:30, or offset-in-text",
    )


def zone_edition() -> str:
    """Edition of the packaged IANA tz database, such as "2026a"."""
    return str(import_module("tzdata").IANA_VERSION)


class _Offset(NamedTuple):
    """An offset from UTC in seconds, with its FHIR ("-05:00") and DTM ("-0500") spellings."""

    seconds: int
    fhir: str
    dtm: str


class _Day(NamedTuple):
    """What one date text means; `offset` is None on a day with a transition, `noticed` tells why it is not usable."""

    day: date = date.min
    fhir: str = ""
    dtm: str = ""
    start: int = 0
    offset: _Offset | None = None
    noticed: Noticed | None = None


class _Clock(NamedTuple):
    """What one time-of-day text means; `seconds` since midnight."""

    fhir: str = ""
    dtm: str = ""
    seconds: int = 0
    noticed: Noticed | None = None


class _Layout:
    """One declared format, compiled: a regular expression and the positions of its parts."""

    def __init__(self, text: str) -> None:
        pattern, self.names = _compiled(text.strip())
        self.fits = re.compile(pattern, re.ASCII | re.IGNORECASE).fullmatch
        self.date = tuple(at for at, name in enumerate(self.names, 1) if name in _DATE)
        self.clock = tuple(at for at, name in enumerate(self.names, 1) if name in _CLOCK)
        self.zone = self.names.index("z") + 1 if "z" in self.names else 0
        self.zone_name = self.names.index("Z") + 1 if "Z" in self.names else 0
        self.date_names = tuple(self.names[at - 1] for at in self.date)
        self.clock_names = tuple(self.names[at - 1] for at in self.clock)
        self.precision = "second" if "S" in self.names else "minute" if self.clock else "day"
        self.days: dict[str | tuple[str, ...], _Day] = {}
        self.clocks: dict[str | tuple[str, ...], _Clock] = {}


class Around:
    """The stretch around the receipt of an export in which its times can lie.

    Args:
        time: the mapping's `[time]` table.
        received: seconds since 1970-01-01T00:00:00Z at which the export was received; None: every time can be.

    Attributes:
        earliest: the first second of that stretch.
        latest: the last second of it.
    """

    def __init__(self, time: Time, received: int | None) -> None:
        self._received = received
        self._minutes, self._days = time.future_minutes, time.past_days
        self.earliest, self.latest = -math.inf, math.inf
        if received is not None:
            self.latest = received + 60 * time.future_minutes
            if time.past_days != "any":
                self.earliest = received - 86400 * time.past_days

    def refusal(self, epoch: int, precision: str) -> Noticed | None:
        """Why a time cannot be, or None.

        Args:
            epoch: seconds since 1970-01-01T00:00:00Z at which it begins.
            precision: `day` for a time that means a whole day.
        """
        if epoch > self.latest:
            what = f"the time is more than {self._minutes} minutes after the export was received"
            return Noticed("time-in-future", what)
        if epoch + (86399 if precision == "day" else 0) < self.earliest:
            assert self._received is not None
            days = (self._received - epoch) // 86400
            what = f"the time is {days:,} days before the export was received; the mapping takes {self._days}"
            return Noticed("time-too-far-back", what)
        return None


class TimeReader:
    """Reads the time texts of one export; one reader per batch.

    Args:
        time: the mapping's `[time]` table.
        received: when the export was received, as for `Around`.

    Raises:
        MappingError: a format or the zone cannot be used.
    """

    def __init__(self, time: Time, received: int | None) -> None:
        self._layouts: list[_Layout] = []
        self._counted = [text for text in time.formats if text in COUNTED]
        self._declared = " or ".join(time.formats)
        self._ambiguous = time.ambiguous
        self._nonexistent = time.nonexistent
        self._around = Around(time, received)
        self._earliest, self._latest = self._around.earliest, self._around.latest
        self._offsets: dict[str, _Offset | None] = {}
        self._zone: ZoneInfo | None = None
        self._fixed: _Offset | None = None
        in_text = time.zone == OFFSET_IN_TEXT
        if not in_text:
            self._fixed = _offset_of(time.zone)
            if self._fixed is None:
                self._zone = zone_for(time.zone)
        for text in time.formats:
            if text == ISO:
                self._layouts += [layout for layout in map(_Layout, _ISO_FORMS) if layout.zone or not in_text]
            elif text not in COUNTED:
                layout = _Layout(text)
                if bool(layout.zone) != in_text:
                    raise MappingError(
                        f'format "{text}" has no %z, but the zone is {OFFSET_IN_TEXT}'
                        if in_text
                        else f'format "{text}" reads an offset from the text, but the zone is {time.zone}',
                        where="key time.formats",
                        todo=f"Use %z and the zone {OFFSET_IN_TEXT} together, or neither of them",
                    )
                self._layouts.append(layout)

    def read(self, text: str) -> Moment:
        """Read one time text; never raises.

        Args:
            text: the verbatim text, the cells of several columns joined by `joined`.

        Returns:
            The moment; `fhir` is "" and `noticed` says why when the time is not usable.
        """
        wanted = text.strip()
        if not wanted:
            return Moment(text, noticed=(_MISSING,))
        if len(wanted) <= LONGEST:
            for layout in self._layouts:
                match = layout.fits(wanted)
                if match is not None:
                    return self._moment(text, layout, match)
            for name in self._counted:
                read = COUNTED[name](wanted)
                if read is not None:
                    return self._instant(text, read) if isinstance(read, Instant) else self._serial(text, read)
        message = f"the time has the shape {_shape(wanted)}; the mapping declares {self._declared}"
        return Moment(text, noticed=(Noticed("time-unreadable", message),))

    def _moment(self, text: str, layout: _Layout, match: re.Match[str]) -> Moment:
        key = match.group(*layout.date)
        day = layout.days.get(key)
        if day is None:
            day = _remember(layout.days, key, self._day(*_date(layout.date_names, key)))
        if day.noticed is not None:
            return Moment(text, noticed=(day.noticed,))
        clock = _MIDNIGHT
        if layout.clock:
            key = match.group(*layout.clock)
            found = layout.clocks.get(key)
            clock = _remember(layout.clocks, key, _clock(layout.clock_names, key)) if found is None else found
            if clock.noticed is not None:
                return Moment(text, noticed=(clock.noticed,))
        noticed: tuple[Noticed, ...] = ()
        offset: _Offset | None
        if layout.zone and (stated := match.group(layout.zone)):
            offset = self._offset(stated)
            if offset is None:
                message = "the offset in the text is outside -14:00 to +14:00"
                return Moment(text, noticed=(Noticed("time-impossible", message),))
        elif layout.zone_name:
            offset = self._named(day, clock, match.group(layout.zone_name))
            if offset is None:
                return Moment(text, noticed=(_OTHER_ZONE,))
        elif day.offset is not None:
            offset = day.offset
        else:
            offset, note = self._near_transition(day, clock, layout.precision)
            if offset is None:
                return Moment(text, noticed=(note,) if note else ())
            noticed = (note,) if note else ()
        return self._made(text, day, clock, offset, layout.precision, noticed, instant=bool(layout.zone))

    def _made(
        self,
        text: str,
        day: _Day,
        clock: _Clock,
        offset: _Offset,
        precision: str,
        noticed: tuple[Noticed, ...] = (),
        *,
        instant: bool = False,
    ) -> Moment:
        """The moment, where it can be one of this export."""
        if offset.seconds % 60 and precision != "day":
            return Moment(text, noticed=(_ODD_OFFSET,))
        epoch = day.start + clock.seconds - offset.seconds
        if not self._earliest <= epoch <= self._latest:
            refusal = self._around.refusal(epoch, precision)
            if refusal is not None:
                return Moment(text, noticed=(refusal,))
        if precision == "day":
            return Moment(text, day.fhir, day.dtm, epoch, "day", noticed)
        return Moment(
            text,
            f"{day.fhir}T{clock.fhir}{offset.fhir}",
            f"{day.dtm}{clock.dtm}{offset.dtm}",
            epoch,
            precision,
            noticed,
            instant=instant,
        )

    def _instant(self, text: str, read: Instant) -> Moment:
        """The moment of seconds counted from 1970-01-01T00:00:00Z, told in the mapping's zone."""
        utc = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=read.seconds)
        zone = self._zone or timezone(timedelta(seconds=self._fixed.seconds if self._fixed else 0))
        local = utc.astimezone(zone)
        day = self._day(local.date(), "")
        if day.noticed is not None:
            return Moment(text, noticed=(day.noticed,))
        return self._made(text, day, _clock_of(local, read.fraction), _spelled(_seconds(local)), "second", instant=True)

    def _serial(self, text: str, read: Serial) -> Moment:
        """The moment of days counted by a spreadsheet: a local time, as any other."""
        if read.noticed is not None:
            return Moment(text, noticed=(read.noticed,))
        day = self._day(read.day, "")
        if day.noticed is not None:
            return Moment(text, noticed=(day.noticed,))
        precision = "day" if read.seconds is None else "second"
        clock = _MIDNIGHT
        if read.seconds is not None:
            clock = _clock_of(datetime(1970, 1, 1) + timedelta(seconds=read.seconds), "")  # noqa: DTZ001 (a time of day)
        offset, note = (day.offset, None) if day.offset else self._near_transition(day, clock, precision)
        if offset is None:
            return Moment(text, noticed=(note,) if note else ())
        return self._made(text, day, clock, offset, precision, (note,) if note else ())

    def _day(self, day: date | None, wrong: str) -> _Day:
        if day is None:
            found = _Day(noticed=Noticed("time-impossible", wrong))
        elif (day.year, day.month, day.day) in RESET_DATES:
            message = f"{day.isoformat()} is a date that clocks show after a reset"
            found = _Day(noticed=Noticed("time-clock-default", message))
        else:
            offset = self._fixed
            if self._zone is not None:
                ends = (datetime(day.year, day.month, day.day, *at, tzinfo=self._zone) for at in _ENDS)
                seconds = {_seconds(end.replace(fold=fold)) for end in ends for fold in (0, 1)}
                offset = _spelled(seconds.pop()) if len(seconds) == 1 else None
            start = (day.toordinal() - _EPOCH_DAY) * 86400
            found = _Day(day, day.isoformat(), day.isoformat().replace("-", ""), start, offset)
        return found

    def _named(self, day: _Day, clock: _Clock, name: str) -> _Offset | None:
        """The offset at which the zone has a short name such as EST; None where it has another name at that time."""
        start = datetime(day.day.year, day.day.month, day.day.day, tzinfo=self._zone)
        for fold in (0, 1):
            local = (start + timedelta(seconds=clock.seconds)).replace(fold=fold)
            there = local.astimezone(UTC).astimezone(self._zone)
            if (
                there.replace(tzinfo=None) == local.replace(tzinfo=None)
                and (local.tzname() or "").lower() == name.lower()
            ):
                return _spelled(_seconds(local))
        return None

    def _near_transition(self, day: _Day, clock: _Clock, precision: str) -> tuple[_Offset | None, Noticed | None]:
        """Find the offset on a day on which the zone's offset changes."""
        local = datetime(day.day.year, day.day.month, day.day.day, tzinfo=self._zone) + timedelta(seconds=clock.seconds)
        first, second = _seconds(local), _seconds(local.replace(fold=1))
        if precision == "day":
            evening = local.replace(hour=23, minute=59, second=59)
            if first < second and (first, second) == (_seconds(evening), _seconds(evening.replace(fold=1))):
                return None, Noticed("time-in-dst-gap", f"{day.fhir} does not exist in {self._zone}")
            return _spelled(first), None
        if first == second:
            return _spelled(first), None
        shown = f"{clock.fhir[:5]} on {day.fhir}"
        # PEP 495: fold=0 takes the offset before the transition, so a gap shows as the smaller offset first.
        if first > second:
            if self._ambiguous == "hold":
                return None, Noticed("time-ambiguous", f"{shown} happened twice in {self._zone}: clocks went back")
            offset = _spelled(first if self._ambiguous == "earlier" else second)
            message = f"{shown} happened twice in {self._zone}; read as the {self._ambiguous} one, {offset.fhir}"
            return offset, Noticed("time-ambiguous-resolved", message)
        if self._nonexistent == "hold":
            return None, Noticed("time-in-dst-gap", f"{shown} does not exist in {self._zone}: clocks went forward")
        offset = _spelled(first if self._nonexistent == "before" else second)
        message = (
            f"{shown} does not exist in {self._zone}; "
            f"read with the offset {self._nonexistent} the change, {offset.fhir}"
        )
        return offset, Noticed("time-gap-resolved", message)

    def _offset(self, text: str) -> _Offset | None:
        if text not in self._offsets:
            if len(self._offsets) >= _REMEMBERED:
                self._offsets.clear()
            self._offsets[text] = _offset_of(text)
        return self._offsets[text]


def _clock_of(local: datetime, fraction: str) -> _Clock:
    """The time of day of a local time, with its fraction of a second (".25", or "")."""
    seconds = local.hour * 3600 + local.minute * 60 + local.second
    return _Clock(f"{local:%H:%M:%S}{fraction}", f"{local:%H%M%S}{fraction[:5]}", seconds)


_ISO_FORMS = tuple(
    f"{day}{clock}{zone}"
    for day, clocks in (
        ("%Y-%m-%d", ("T%H:%M", "T%H:%M:%S", "T%H:%M:%S.%f", "T%H:%M:%S,%f")),
        ("%Y-%m-%d", (" %H:%M", " %H:%M:%S", " %H:%M:%S.%f", " %H:%M:%S,%f")),
        ("%Y%m%d", ("T%H%M", "T%H%M%S", "T%H%M%S.%f", "T%H%M%S,%f")),
    )
    for clock in clocks
    for zone in ("", "%z")
)
"""ISO 8601-1:2019, 5.4.2: complete dates and times, extended and basic, each with an offset and without; a blank stands
for the T where people agree on it (RFC 3339, section 5.6, note)."""

_EPOCH_DAY = date(1970, 1, 1).toordinal()
_ENDS = ((0, 0, 0), (23, 59, 59))
_MIDNIGHT = _Clock()


def _seconds(moment: datetime) -> int:
    offset = moment.utcoffset()
    assert offset is not None
    return offset.days * 86400 + offset.seconds


def _spelled(seconds: int) -> _Offset:
    sign = "-" if seconds < 0 else "+"
    hours, minutes = divmod(abs(seconds) // 60, 60)
    return _Offset(seconds, f"{sign}{hours:02}:{minutes:02}", f"{sign}{hours:02}{minutes:02}")


def fixed_offset(text: str) -> timezone | None:
    """A fixed offset such as "+05:30" as a zone; None when the text is not one."""
    offset = _offset_of(text)
    return None if offset is None else timezone(timedelta(seconds=offset.seconds))


def _offset_of(text: str) -> _Offset | None:
    """Read an offset ("Z", "UTC", "+05:30", "+0530", "+05"); None when it is not one, or beyond 14 hours (FHIR R4)."""
    match = _OFFSET.fullmatch(text)
    if match is None:
        return None
    sign, hours, minutes = match.groups()
    seconds = int(hours or 0) * 3600 + int(minutes or 0) * 60
    if int(minutes or 0) > 59 or seconds > 14 * 3600:
        return None
    return _spelled(-seconds if sign == "-" else seconds)


def _date(names: tuple[str, ...], texts: str | tuple[str, ...]) -> tuple[date | None, str]:
    """Make a date of its parts, or say why there is no such date."""
    parts = dict(zip(names, texts, strict=True))
    year = int(parts["Y"]) if "Y" in parts else int(parts["y"])
    if "y" in parts:
        year += 1900 if year >= 69 else 2000
    if year < 1:
        return None, "there is no year 0000"
    if "j" in parts:
        number = int(parts["j"])
        try:
            day = date(year, 1, 1) + timedelta(days=number - 1)
        except OverflowError:
            day = date.min
        if day.year != year:
            return None, f"there is no day {number} in the year {year}"
    else:
        if "m" in parts:
            month = int(parts["m"])
        elif "b" in parts:
            month = _MONTHS.index(parts["b"].lower()) + 1
        else:
            month = _FULL_MONTHS.index(parts["B"].lower()) + 1
        if not 1 <= month <= 12:
            return None, f"there is no month {month}"
        try:
            day = date(year, month, int(parts["d"]))
        except ValueError:
            return None, f"there is no day {int(parts['d'])} in month {month} of {year}"
    for name, weekdays in (("a", _WEEKDAYS), ("A", _FULL_WEEKDAYS)):
        if name in parts and weekdays.index(parts[name].lower()) != day.weekday():
            return None, f"{day.isoformat()} is not a {_FULL_WEEKDAYS[weekdays.index(parts[name].lower())].title()}"
    return day, ""


def _clock(names: tuple[str, ...], texts: str | tuple[str, ...]) -> _Clock:
    """Make a time of day of its parts, or say why there is no such time."""
    parts = dict(zip(names, texts, strict=True))
    hour = int(parts["H"]) if "H" in parts else int(parts["I"])
    minute, second = int(parts["M"]), int(parts.get("S", "0"))
    if "I" in parts:
        if not 1 <= hour <= 12:
            return _impossible(f"there is no hour {hour} on a 12-hour clock")
        hour = hour % 12 + (12 if parts["p"][0] in "pP" else 0)
    if hour > 23:
        return _impossible(f"there is no hour {hour} in a day")
    if minute > 59:
        return _impossible(f"there is no minute {minute} in an hour")
    if second > 59:
        return _impossible(f"there is no second {second} in a minute")
    fraction = f".{parts['f']}" if "f" in parts else ""
    dtm = f"{hour:02}{minute:02}"
    if "S" in parts:
        # A DTM holds four decimals of a second at most; the rest is cut so that it never becomes a later second.
        dtm += f"{second:02}{fraction[:5]}"
    return _Clock(f"{hour:02}:{minute:02}:{second:02}{fraction}", dtm, hour * 3600 + minute * 60 + second)


def _impossible(message: str) -> _Clock:
    return _Clock(noticed=Noticed("time-impossible", message))


def _shape(text: str) -> str:
    """Show what a text looks like without showing it: digits as 9, letters as a."""
    shape = "".join("9" if c.isdigit() else "a" if c.isalpha() else c if c.isprintable() else "?" for c in text)
    return f'"{shape}"' if len(shape) <= 32 else f'"{shape[:32]}" (cut, {len(text)} characters)'


_Known = TypeVar("_Known", _Day, _Clock)


def _remember(known: dict[str | tuple[str, ...], _Known], key: str | tuple[str, ...], value: _Known) -> _Known:
    if len(known) >= _REMEMBERED:
        known.clear()
    known[key] = value
    return value


def _compiled(text: str) -> tuple[str, tuple[str, ...]]:
    """Turn a format into a regular expression and the directives of its groups, in order."""
    tokens = re.findall(r"%.?|\s+|[^%\s]", text)
    names: list[str] = []
    pattern = ""
    for at, token in enumerate(tokens):
        if token == "%%" or token[0] != "%":
            pattern += "%" if token == "%%" else _SPACE if token.isspace() else re.escape(token)
            continue
        name = token[1:]
        if name in _WIDTHS:
            low, high = _WIDTHS[name]
            if name != "f" and any(_counts(tokens, near) for near in (at - 1, at + 1)):
                low = high
            part = f"[0-9]{{{low},{high}}}"
        elif name in _WORDS:
            part = _WORDS[name]
        else:
            raise _unusable(text, f"{token} is not a directive the gateway reads")
        if name in names:
            raise _unusable(text, f"{token} stands there twice")
        names.append(name)
        pattern += f"({part})"
    _complete(text, names)
    return pattern, tuple(names)


def _counts(tokens: list[str], at: int) -> bool:
    """Whether the token at a position is made of digits, so that its neighbour must have its full width."""
    return 0 <= at < len(tokens) and (tokens[at][1:] in _WIDTHS if tokens[at][0] == "%" else tokens[at].isdigit())


def _complete(text: str, names: list[str]) -> None:
    """Refuse a format that leaves the date, or the time of day, half said."""

    def several(*alternatives: str) -> bool:
        return len([name for name in alternatives if name in names]) > 1

    if several("Y", "y") or several("m", "b", "B") or several("H", "I"):
        raise _unusable(text, "the year, the month or the hour stands there twice")
    if not ("Y" in names or "y" in names):
        raise _unusable(text, "there is no year")
    has_month, has_day = any(name in names for name in "mbB"), "d" in names
    if "j" in names and (has_month or has_day):
        raise _unusable(text, "%j already says month and day")
    if "j" not in names and not (has_month and has_day):
        raise _unusable(text, "there is no day or no month")
    if any(name in names for name in _CLOCK):
        if "M" not in names or not ("H" in names or "I" in names):
            raise _unusable(text, "a time of day needs hours and minutes")
        if ("I" in names) != ("p" in names):
            raise _unusable(text, "%I and %p are used together or not at all")
        if "f" in names and "S" not in names:
            raise _unusable(text, "%f needs %S")


def _unusable(text: str, what: str) -> MappingError:
    return MappingError(
        f'format "{text}" cannot be used: {what}',
        where="key time.formats",
        todo="Write the format with %Y, %m, %d, %H, %M, %S and the like",
    )
