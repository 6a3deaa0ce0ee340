"""The report as one HTML file: no scripts, nothing fetched, readable on a phone, in print, in the dark."""

from __future__ import annotations

import math
from datetime import datetime
from functools import cache
from typing import TYPE_CHECKING, Any

from gateway.model import Outcome
from gateway.report import charts
from gateway.report.model import (
    MONITOR_EVENT,
    Band,
    DeviceSets,
    Place,
    Report,
    Unit,
    VitalValues,
    counted,
    records_in_words,
)
from gateway.report.text import BYTE_TITLES, CLOCK_STATES, LINE_TITLES, clocks_in_words, holds_lines

if TYPE_CHECKING:
    from jinja2 import Environment

PLACES_SHOWN = 5
"""Places listed for one rule on the page; the JSON lists more and findings.csv all."""

FILES_SHOWN = 40
"""Exports, and files written, listed on the page; the JSON lists all."""

CLOCKS_SHOWN = 40
"""Lists whose clock is shown on the page; the JSON lists more."""

_OUTCOMES = {
    Outcome.RECORDED: "in the records",
    Outcome.HELD: "kept out until somebody has looked",
    Outcome.REPEAT: "already there, not recorded twice",
    Outcome.ABSENT: "declared as having no value",
    Outcome.UNREADABLE: "could not be read",
}


def html(report: Report, drawing: charts.Drawing | None = None) -> str:
    """The whole page; `drawing` is a drawing process that was started early."""
    pictures = charts.draw(report.values, report.timeline, drawing)
    drawn = report.timeline.listed[: charts.DEVICES_DRAWN]
    whole = report.reckoning.lines.unit == "line"
    return (
        _environment()
        .get_template("report.html.j2")
        .render(
            report=report,
            pictures=pictures,
            colours=charts.COLOURS,
            outcomes=_OUTCOMES,
            lines=[
                ((LINE_TITLES[kind][1] if whole else BYTE_TITLES[kind]).capitalize(), count)
                for kind, count in report.reckoning.lines.kinds.items()
                if count
            ],
            monitor_event=MONITOR_EVENT,
            clock_states=CLOCK_STATES,
            clock_words=clocks_in_words(report),
            clocks_shown=CLOCKS_SHOWN,
            places_shown=PLACES_SHOWN,
            files_shown=FILES_SHOWN,
            drawn=drawn,
            titles={row.vital: row.title for row in report.reckoning.readings.rows if row.vital},
        )
    )


def environment(*packages: str) -> Environment:
    """Where pages are rendered: everything escaped, a forgotten value an error, and numbers in groups of three.

    Args:
        packages: whose `templates` are looked through, in this order.
    """
    from jinja2 import ChoiceLoader, Environment, PackageLoader, StrictUndefined

    made = Environment(
        loader=ChoiceLoader([PackageLoader(package, "templates") for package in packages]),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters["number"] = _number
    return made


@cache
def _environment() -> Environment:
    made = environment("gateway.report")
    made.filters.update(
        when=_when,
        span=_span,
        size=_size,
        band=_band,
        place=_place,
        seen=_seen,
        range=_range,
        stop=_stop,
        holds=holds_lines,
        offset=_offset,
        records=records_in_words,
    )
    made.globals["counted"] = counted
    return made


def _stop(text: str) -> str:
    """A sentence with its final stop."""
    return text if text.endswith((".", "!", "?")) else f"{text}."


def _offset(seconds: int | None) -> str:
    """How far a clock was off, with its sign: "+7 min", "-1 h 5 s"."""
    if not seconds:
        return "" if seconds is None else "0"
    days, rest = divmod(abs(seconds), 86_400)
    parts = [(days, "d"), (rest // 3600, "h"), (rest % 3600 // 60, "min"), (rest % 60, "s")]
    return ("+" if seconds > 0 else "\u2212") + " ".join(f"{count:,} {unit}" for count, unit in parts if count)


def _number(value: Any) -> str:
    return f"{value:,}"


def _when(moment: datetime) -> str:
    return moment.strftime("%Y-%m-%d %H:%M:%S ") + (moment.strftime("%z")[:3] + ":" + moment.strftime("%z")[3:5])


def _span(seconds: float) -> str:
    """A stretch of time in words."""
    if seconds < 60:
        return f"{seconds:.1f} s"
    minutes, rest = divmod(round(seconds), 60)
    if minutes < 60:
        return f"{minutes} min {rest} s"
    return f"{minutes // 60:,} h {minutes % 60} min"


def _size(count: int | None) -> str:
    if count is None:
        return ""
    size, unit = float(count), "bytes"
    for larger in ("KiB", "MiB", "GiB", "TiB"):
        if size < 1024:
            break
        size, unit = size / 1024, larger
    return f"{count:,} bytes" if unit == "bytes" else f"{size:,.1f} {unit}"


def _figure(value: float) -> str:
    return f"{value:,.2f}".rstrip("0").rstrip(".")


def _band(band: Band | None) -> str:
    return f"{_figure(band.low)} to {_figure(band.high)}" if band else "no limit"


def _range(spread: VitalValues) -> str:
    """About where the recorded values lie: to the step of the picture, in the decimals usual for the vital."""
    used = [number for number, count in enumerate(spread.bins) if count]
    step = (spread.high - spread.low) / len(spread.bins)
    parts = []
    if used:
        scale = 10**spread.decimals
        low = math.ceil(round((spread.low + used[0] * step) * scale, 6)) / scale
        high = math.floor(round((spread.low + (used[-1] + 1) * step) * scale, 6)) / scale
        low, high = min(low, high), max(low, high)
        parts.append(f"{_figure(low)} to {_figure(high)}")
    parts += [f"{spread.below:,} below {_figure(spread.low)}"] if spread.below else []
    parts += [f"{spread.above:,} above {_figure(spread.high)}"] if spread.above else []
    return ", ".join(parts)


def _place(place: Place, unit: Unit) -> str:
    byte = f"byte {place.offset:,}" if place.offset >= 0 else ""
    if unit == "line":
        return f"{place.line:,}" if place.line else byte
    return ", ".join(part for part in (f"record {place.line:,}" if place.line else "", byte) if part)


def _seen(device: DeviceSets) -> str:
    first, last = device.cells[0].start, device.cells[-1].start
    same = first.date() == last.date()
    return f"{first:%Y-%m-%d}" if same else f"{first:%Y-%m-%d} to {last:%Y-%m-%d}"
