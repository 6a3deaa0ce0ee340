"""Pictures for the report: static SVG, drawn by Altair and vl-convert in a short process of their own.

Drawing needs about 160 MiB once and no longer than a second or two; a process of its own gives that memory back and
keeps the converting process small. This file is both sides: imported, it prepares the work and starts the process;
run as a program, it draws. The program therefore imports nothing of the gateway.

Every colour is one of `COLOURS`; the page gives each of them a light and a dark value by a CSS attribute selector.
"""

from __future__ import annotations

import json
import subprocess
import sys
from collections import Counter
from contextlib import suppress
from typing import TYPE_CHECKING, Any, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Sequence
    from types import TracebackType

    from gateway.report.model import TimelineReport, VitalValues

BAR = "#3b6ea5"
HOLD = "#a63603"
FLAG = "#8a5a00"
INK = "#44474b"
GRID = "#d9dbde"
COLOURS = {"bar": BAR, "hold": HOLD, "flag": FLAG, "ink": INK, "grid": GRID}

DEVICES_DRAWN = 12
STRETCHES_DRAWN = 72
SECONDS_ALLOWED = 60.0

_ALLOWED = frozenset(
    {"svg", "g", "path", "line", "rect", "text", "tspan", "circle", "title", "desc", "clipPath", "defs"}
)


class Pictures(NamedTuple):
    """SVG text by what it shows.

    Attributes:
        values: vital -> picture of its distribution.
        timeline: picture of the sets per device, "" when there is nothing to draw.
        problem: why there are no pictures, "" when there is no problem.
    """

    values: dict[str, str]
    timeline: str = ""
    problem: str = ""


class Drawing:
    """The drawing process: started early, it has loaded its libraries by the time there is something to draw.

    Use it in a `with` statement; leaving it ends the process.
    """

    def __init__(self) -> None:
        pipe = subprocess.PIPE
        self._process: subprocess.Popen[bytes] | None = None
        self._problem = ""
        try:
            self._process = subprocess.Popen([sys.executable, "-P", __file__], stdin=pipe, stdout=pipe, stderr=pipe)
        except OSError as error:
            self._problem = f"the drawing process could not run ({type(error).__name__})"

    def __enter__(self) -> Drawing:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._process is not None:
            self._process.kill()
            with suppress(OSError, ValueError):
                self._process.communicate()

    def draw(self, work: dict[str, Any]) -> tuple[dict[str, Any], str]:
        """The pictures of the work, and what went wrong; to be asked once."""
        if self._process is None:
            return {}, self._problem
        try:
            out, err = self._process.communicate(json.dumps(work).encode(), timeout=SECONDS_ALLOWED)
        except (OSError, subprocess.TimeoutExpired) as error:
            return {}, f"the drawing process could not run ({type(error).__name__})"
        if self._process.returncode:
            last = err.decode("utf-8", "replace").strip().splitlines()[-1:] or [""]
            return {}, f"the drawing process ended with status {self._process.returncode}: {last[0][:200]}"
        drawn: dict[str, Any] = json.loads(out)
        return drawn, ""


def draw(values: Sequence[VitalValues], timeline: TimelineReport, drawing: Drawing | None = None) -> Pictures:
    """Draw every picture of a report in one process of its own.

    A report without pictures is still a report: when the process fails, `problem` says so and the numbers stand.

    Args:
        values: distributions to draw.
        timeline: the time line to draw.
        drawing: a drawing process that was started early; None starts one.
    """
    work = {"values": [_bars(spread) for spread in values], "timeline": _points(timeline)}
    if not work["values"] and not work["timeline"]:
        return Pictures({})
    with drawing or Drawing() as process:
        drawn, problem = process.draw(work)
    if problem:
        return Pictures({}, problem=problem)
    try:
        pictures = {spread.vital: embedded(svg) for spread, svg in zip(values, drawn["values"], strict=True)}
        return Pictures(pictures, embedded(drawn["timeline"]) if drawn["timeline"] else "")
    except ValueError as error:
        return Pictures({}, problem=str(error))


def embedded(svg: str) -> str:
    """SVG ready to stand inside a page: without name spaces, sized by the page, and proven to be shapes and text only.

    Raises:
        ValueError: the picture holds an element that a static picture has no use for.
    """
    from xml.etree import ElementTree

    root = ElementTree.fromstring(svg)
    for element in root.iter():
        element.tag = element.tag.rpartition("}")[2]
        if element.tag not in _ALLOWED:
            raise ValueError(f"a picture holds the unexpected element {element.tag[:40]}")
        for name in list(element.attrib):
            if name.startswith(("{", "on")) or "href" in name:
                del element.attrib[name]
    width = root.attrib.pop("width", "320")
    root.attrib.pop("height", None)
    root.attrib.pop("version", None)
    root.attrib["style"] = f"max-width:{float(width):.0f}px"
    root.attrib["aria-hidden"] = "true"
    return ElementTree.tostring(root, encoding="unicode")


def _bars(spread: VitalValues) -> dict[str, Any]:
    """One distribution as plain data."""
    step = (spread.high - spread.low) / len(spread.bins)

    def inside(band: Any) -> list[float]:
        return [edge for edge in (band.low, band.high) if spread.low <= edge <= spread.high] if band else []

    return {
        "low": spread.low,
        "high": spread.high,
        "bars": [
            {"from": spread.low + step * number, "to": spread.low + step * (number + 1), "count": count}
            for number, count in enumerate(spread.bins)
            if count
        ],
        "hold": inside(spread.hold),
        "flag": inside(spread.flag),
    }


def _points(timeline: TimelineReport) -> dict[str, Any]:
    """The time line as plain data, in so few stretches that dots do not run into each other."""
    drawn = timeline.listed[:DEVICES_DRAWN]
    starts = [int(cell.start.timestamp()) for device in drawn for cell in device.cells]
    if not starts:
        return {}
    step = timeline.step
    for wider in (timeline.step, 10800, 21600, 43200, 86400, 604800, 2419200, 31536000, 315360000):
        step = max(step, wider)
        if max(starts) // step - min(starts) // step < STRETCHES_DRAWN:
            break
    points = []
    for number, device in enumerate(drawn):
        cells: Counter[int] = Counter()
        for cell in device.cells:
            cells[int(cell.start.timestamp()) // step] += cell.sets
        points += [{"row": number, "at": cell * step * 1000, "sets": sets} for cell, sets in sorted(cells.items())]
    names = [f"{number + 1}  {device.device or 'no device named'}" for number, device in enumerate(drawn)]
    return {"points": points, "names": names, "step": step, "from": min(starts), "to": max(starts)}


def _specs_of_values(work: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Every distribution as a Vega-Lite specification: one chart, told once, with other data each time."""
    import altair as alt

    low_to_high = alt.Scale(domain=[0, 1], nice=False, zero=False)
    counts = alt.Axis(tickCount=3, tickMinStep=1, format=",d")
    bars = (
        alt.Chart(alt.NamedData("bars"))
        .mark_rect(color=BAR)
        .encode(
            x=alt.X("from:Q", scale=low_to_high, title=None, axis=alt.Axis(tickCount=6, labelFlush=False)),
            x2="to:Q",
            y=alt.Y("count:Q", title=None, axis=counts),
            y2=alt.datum(0),
        )
    )
    rules = [
        alt.Chart(alt.NamedData(name)).mark_rule(color=colour, strokeWidth=2, strokeDash=dash).encode(x="edge:Q")
        for name, colour, dash in (("flag", FLAG, [4, 3]), ("hold", HOLD, [1, 0]))
    ]
    chart = alt.layer(bars, *rules).properties(width=290, height=92)
    told = json.dumps(_styled(chart).to_dict(validate=False))
    specs = []
    for one in work:
        spec = json.loads(told)
        encoding = spec["layer"][0]["encoding"]
        encoding["x"]["scale"]["domain"] = [one["low"], one["high"]]
        if max((bar["count"] for bar in one["bars"]), default=0) >= 10_000:
            encoding["y"]["axis"]["format"] = "~s"
        edges = {name: [{"edge": edge} for edge in one[name]] for name in ("hold", "flag")}
        specs.append({**spec, "datasets": {"bars": one["bars"], **edges}})
    return specs


def _spec_of_timeline(work: dict[str, Any]) -> dict[str, Any]:
    """The time line as a Vega-Lite specification: a row of dots per device, larger for more sets."""
    import altair as alt

    days = (work["to"] - work["from"]) / 86400
    dates = "%d %b %H:%M" if days < 3 else "%d %b %Y" if days < 700 else "%Y"
    rows = alt.Y(
        "name:N",
        sort=work["names"],
        title=None,
        axis=alt.Axis(labelLimit=190, labelPadding=9, domain=False, ticks=False),
    )
    times = alt.X(
        "at:T",
        scale=alt.Scale(type="utc"),
        title=None,
        axis=alt.Axis(tickCount=6, grid=False, format=dates, labelFlush=False),
    )
    largest = max(point["sets"] for point in work["points"])
    size = alt.Size(
        "sets:Q",
        scale=alt.Scale(domain=[0, largest], range=[10, 190]),
        legend=alt.Legend(
            title="sets in one dot", orient="bottom", symbolFillColor=BAR, symbolStrokeWidth=0, tickCount=3,
            values=sorted({1, (largest + 1) // 2, largest}), format=",d",
        ),
    )  # fmt: skip
    dots = (
        alt.Chart(alt.NamedData("points"))
        .mark_circle(color=BAR, opacity=0.75)
        .encode(x=times, y=rows, size=size)
        .properties(width=560, height=alt.Step(24))
    )
    points = [{**point, "name": work["names"][point["row"]]} for point in work["points"]]
    spec: dict[str, Any] = _styled(dots).to_dict(validate=False)
    return {**spec, "datasets": {"points": points}}


def _styled(chart: Any) -> Any:
    return (
        chart.configure(background="transparent", font="sans-serif", aria=False, padding=2)
        .configure_view(stroke=None)
        .configure_axis(
            labelColor=INK, domainColor=INK, tickColor=INK, gridColor=GRID, labelFontSize=11, labelPadding=3, tickSize=4
        )
        .configure_axisX(grid=False)
        .configure_legend(labelColor=INK, titleColor=INK, titleFontWeight="normal")
    )


def _main() -> None:
    import altair  # noqa: F401 - loaded now, while the work is still being prepared
    import vl_convert

    # The first picture costs most: it is drawn while the batch still runs, and thrown away.
    vl_convert.vegalite_to_svg({"data": {"values": [{"x": 1}]}, "mark": "bar", "encoding": {}}, vl_version="6.1")
    work = json.load(sys.stdin.buffer)

    def svg(spec: dict[str, Any]) -> str:
        return str(vl_convert.vegalite_to_svg(spec, vl_version="6.1"))

    drawn = {
        "values": [svg(spec) for spec in _specs_of_values(work["values"])],
        "timeline": svg(_spec_of_timeline(work["timeline"])) if work["timeline"] else "",
    }
    sys.stdout.write(json.dumps(drawn))


if __name__ == "__main__":
    _main()
