"""The tables [time] and [memory]: where the time of a set stands, and what the monitor keeps."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any, ClassVar, Literal

from pydantic import Field

from gateway.mapping import time_formats, zones
from gateway.mapping.places import Path
from gateway.mapping.problems import Problems, lacking, quoted
from gateway.mapping.table import Table, Text
from gateway.mapping.texts import regex
from gateway.mapping.time_formats import has_time_of_day
from gateway.mapping.zones import OFFSET_IN_TEXT

if TYPE_CHECKING:
    from gateway.mapping.model import Mapping


AGE_UNITS = {"days": 86400, "hours": 3600, "minutes": 60, "seconds": 1}
"""Groups of a pattern of ages, and their seconds."""


class Memory(Table):
    """What the monitor keeps, so that lost entries are noticed. For exports whose entries carry ages."""

    entries: int | None = Field(default=None, ge=2, le=100_000, description="how many entries the monitor keeps")
    cycle_minutes: int | None = Field(
        default=None, ge=1, le=1440, description="minutes between automatic measurements, when all entries are such"
    )


class Age(Table):
    """Entries stamped as so long before the list was sent: the anchor is the instant of sending, never of arrival."""

    column: Text = Field(description="the column with the age")
    unit: Literal["minutes", "seconds"] = Field(default="minutes", description="the smallest unit that an age states")
    pattern: str = Field(
        default="",
        description="for ages in several units: a regular expression with the groups days, hours, minutes and seconds",
    )
    anchor: Literal["columns", "capture", "given"] = Field(
        description="columns: the time of sending stands in the columns of [time]; capture: in the capture's own "
        "record; given: on the command line (--sent)"
    )


class Clock(Table):
    """What is known of the monitor's own clock, for exports whose entries carry times.

    Without `columns` no offset is measured: only resets within a list are looked for.
    """

    columns: list[Text] = Field(
        default=[], max_length=3, description="the monitor's own time when it sent the list, joined by one space"
    )
    formats: list[Text] = Field(default=[], description="how that time is written; default: as the times of [time]")
    reference: Literal["columns", "capture", "given"] | None = Field(
        default=None,
        description="where the true time of that moment stands. columns: in reference_columns; capture: in the "
        "capture's own record; given: on the command line (--sent)",
    )
    reference_columns: list[Text] = Field(default=[], max_length=3, description="joined by one space before reading")
    reference_formats: list[Text] = Field(
        default=[], description="how the reference is written; default: as the times of [time]"
    )
    policy: Literal["correct", "report", "hold"] | None = Field(
        default=None,
        description="correct: times are shifted by the offset, beyond the limit held; report: times stay as they are; "
        "hold: times stay, beyond the limit held",
    )
    limit_minutes: int | None = Field(default=None, ge=1, le=525_600, description="the largest offset to live with")
    order: Literal["oldest-first", "newest-first"] = Field(
        description="how the entries of a list follow each other; against it, a reset of the clock is recognised"
    )


class Time(Table):
    """Where the time of a set stands and how it is read."""

    stand_ins: ClassVar[dict[tuple[str, ...], Any]] = {
        (): {"columns": ["-"], "formats": ["%Y-%m-%d"], "zone": "UTC"},
        ("columns",): ["-"],
        ("formats",): ["%Y-%m-%d"],
        ("zone",): "UTC",
    }
    hints: ClassVar[dict[tuple[str, ...], str]] = {
        (): "[time] with columns, formats and zone",
        ("columns",): 'columns = ["Date", "Time"], the columns that hold the time',
        ("formats",): 'formats = ["%Y-%m-%d %H:%M"], written as the export writes its times',
        ("zone",): 'zone = "America/New_York", the IANA zone whose local time the monitor shows',
        ("past_days",): 'past_days = 30, or past_days = "any" for a backfill',
        ("age", "anchor"): 'anchor = "columns", "capture" or "given": where the time of sending is known from',
        ("clock", "reference"): 'reference = "columns", "capture" or "given": where the true time is known from',
        ("clock", "policy"): 'policy = "correct", "report" or "hold": what becomes of times by a wrong clock',
        ("clock", "limit_minutes"): "limit_minutes = 60, the largest offset to live with",
        ("clock", "order"): 'order = "oldest-first" or "newest-first": how the entries of a list follow',
    }

    columns: list[Text] = Field(default=[], max_length=3, description="joined by one space before reading")
    formats: list[Text] = Field(
        default=[],
        description="strptime directives, or iso-8601, epoch-seconds, epoch-milliseconds or spreadsheet-serial; the "
        "first that fits the whole text",
    )
    age: Age | None = Field(default=None, description="when entries carry an age instead of a time")
    clock: Clock | None = Field(default=None, description="what is known of the monitor's own clock")
    zone: Text = Field(description="IANA zone name, or a fixed offset such as +05:30, or 'offset-in-text' with %z")
    ambiguous: Literal["hold", "earlier", "later"] = "hold"
    nonexistent: Literal["hold", "before", "after"] = "hold"
    future_minutes: int = Field(default=5, ge=0, le=1440, description="a time later than this after receipt is held")
    past_days: Annotated[int, Field(ge=1, le=36_500)] | Literal["any"] = Field(
        default=30, description="a time earlier than this before receipt is held; any: none is, for a backfill"
    )


def check(mapping: Mapping, problems: Problems) -> None:
    """Note what is wrong with the two tables."""
    time = mapping.time
    _age(mapping, problems)
    if problems.known(("time", "zone")):
        zones.check(time.zone, problems)
    time_formats.check(("time",), "", time.formats, len(time.columns), time.zone, problems)
    _clock(mapping, problems)


def _age(mapping: Mapping, problems: Problems) -> None:
    """Whether the mapping says where the time stands: in columns, or as an age with an anchor."""
    time = mapping.time
    age = time.age if problems.known(("time", "age")) else None
    if not problems.known(("time", "age")):
        return
    if age is None or age.anchor == "columns" or time.columns or time.formats:
        for name in ("columns", "formats"):
            path: Path = ("time", name)
            if not getattr(time, name) and problems.known(path):
                what, todo = lacking(name, Time.hints[name,])
                problems.add(path, "there is nothing in it" if path in problems.places else what, todo)
    elif time.zone == OFFSET_IN_TEXT and problems.known(("time", "zone")):
        problems.add(
            ("time", "zone"),
            f"the zone is {OFFSET_IN_TEXT}, but no time is read from a text",
            "Name the zone of the place, in which the records tell the time",
        )
    if age is None:
        if ("memory",) in problems.places:
            problems.add(
                ("memory",),
                "[memory] is used where entries carry ages, and this mapping has no [time.age]",
                "Leave [memory] out",
            )
        return
    _age_pattern(age, problems)
    if age.anchor == "capture" and mapping.form == "delimited" and problems.known(("form",)):
        problems.add(
            ("time", "age", "anchor"),
            "a delimited export has no record of when it was captured",
            'Write anchor = "columns" when the export holds the time of sending, else anchor = "given"',
        )
    for at, text in enumerate(time.formats):
        if problems.known(("time", "formats")) and not has_time_of_day(text):
            problems.add(
                ("time", "formats", at),
                f"{quoted(text)} holds no time of day, so {age.unit} cannot be counted back from it",
                "Add hour and minute, and their column to time.columns when they have their own",
            )


def _age_pattern(age: Age, problems: Problems) -> None:
    """Whether the pattern of ages says what its numbers are."""
    path: Path = ("time", "age", "pattern")
    pattern = regex(age.pattern, path, problems) if age.pattern else None
    if pattern is None:
        return
    groups = set(pattern.names)
    if not groups or groups - set(AGE_UNITS):
        what = "names no unit" if not groups else f"names the group {min(groups - set(AGE_UNITS))}, which is no unit"
        example = r"'(?:(?P<hours>\d+) H )?(?P<minutes>\d+) MIN'"
        problems.add(path, what, f"Name the groups {', '.join(AGE_UNITS)}, as in pattern = {example}")
    elif pattern.fits(""):
        problems.add(path, "it fits the empty text", "Make a number necessary: \\d+ rather than \\d*")
    elif age.unit not in groups or (age.unit == "minutes" and "seconds" in groups):
        smallest = "seconds" if "seconds" in groups else "minutes"
        if smallest in groups:
            problems.add(
                path, f"the smallest unit in it is {smallest}, and unit says {age.unit}", f'Write unit = "{smallest}"'
            )
        else:
            problems.add(path, "ages to the hour place no reading", "Add the group minutes, or leave the ages out")


def _clock(mapping: Mapping, problems: Problems) -> None:
    """Whether what is said of the monitor's clock can be used: two times of one moment, and what to do with them."""
    table: Path = ("time", "clock")
    clock, zone = mapping.time.clock, mapping.time.zone
    if clock is None or not problems.known(table):
        return
    if mapping.time.age is not None and problems.known(("time", "age")):
        problems.add(
            table,
            "entries with ages do not depend on the monitor's clock",
            "Leave [time.clock] out, or [time.age] when the entries carry times",
        )
        return
    _compared(mapping, clock, problems)
    for at, text in enumerate(mapping.time.formats):
        if problems.known(("time", "formats")) and not has_time_of_day(text):
            problems.add(
                ("time", "formats", at),
                f"{quoted(text)} holds no time of day, so it cannot be held against a clock",
                "Add hour and minute, or leave [time.clock] out",
            )
    for prefix in ("", "reference_"):
        formats = getattr(clock, f"{prefix}formats")
        joined = getattr(clock, f"{prefix}columns")
        time_formats.check(table, prefix, formats, len(joined), zone, problems)
        for at, text in enumerate(formats):
            if not has_time_of_day(text):
                path: Path = (*table, f"{prefix}formats", at)
                problems.add(path, f"{quoted(text)} holds no time of day", "Add hour and minute")


def _compared(mapping: Mapping, clock: Clock, problems: Problems) -> None:
    """Whether the keys of [time.clock] belong together."""
    table: Path = ("time", "clock")
    if not clock.columns:
        for name in ("formats", "reference", "reference_columns", "reference_formats", "policy", "limit_minutes"):
            if (*table, name) in problems.places:
                problems.add(
                    (*table, name),
                    f"{name} is used to compare the clock, and no columns hold the monitor's own time",
                    "Name them in time.clock.columns, or leave this out: then only resets are looked for",
                )
        return
    for name in ("reference", "policy", "limit_minutes"):
        if getattr(clock, name) is None:
            problems.add((*table, name), *lacking(name, Time.hints["clock", name]))
    if clock.reference == "columns" and not clock.reference_columns:
        problems.add(
            (*table, "reference"),
            "the true time stands in columns, and reference_columns names none",
            "Name them in time.clock.reference_columns",
        )
    for name in ("reference_columns", "reference_formats"):
        if clock.reference in ("capture", "given") and getattr(clock, name):
            problems.add(
                (*table, name),
                f'{name} is not read, because the reference is "{clock.reference}"',
                'Write reference = "columns", or leave this out',
            )
    if clock.reference == "capture" and mapping.form == "delimited" and problems.known(("form",)):
        problems.add(
            (*table, "reference"),
            "a delimited export has no record of when it was captured",
            'Write reference = "columns" when the export holds the true time of its making, else reference = "given"',
        )
    if mapping.device.column is None and mapping.device.fixed is None and problems.known(("device",)):
        problems.add(
            (*table, "columns"),
            "it is not said whose clock this is",
            "Name the monitor in [device], by its column or as fixed",
        )
