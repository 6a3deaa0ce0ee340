"""The columns in which the times of an export stand, and the formats that fit them."""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import cache
from itertools import product

from gateway.authoring.draft.page import Page, counted, some_of
from gateway.authoring.draft.reading import Table

_LONGEST_TIME = 64
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


_ENOUGH = 1_000
"""Cells of a column; where not one of so many is a time, none is looked for behind them."""


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
    lost: set[str] = set()
    for number, (line, text) in enumerate(filled):
        if text not in known:
            forms = by_shape.get(_shape(text), []) if len(text) <= _LONGEST_TIME else []
            fits = known[text] = [form for form in forms if _fits(text, form)]
            if not fits:
                lost.add(text)
            for form in forms if fits else ():
                if form not in fits:
                    found.unfit.setdefault(form, line)
        if number == _ENOUGH and len(lost) == len(known):
            break
    for text, count in Counter(text for _, text in filled).items():
        for form in known.get(text, ()):
            found.fits[form] += count
    found.lost += [line for line, text in filled if text in lost]
    found.unfit = {form: line for form, line in found.unfit.items() if _rival(form, found)}
    return found


def _rival(form: str, found: _Times) -> bool:
    """Whether a format that was ruled out is worth telling of: the same parts in another order."""
    return any(sorted(form) == sorted(best) for best in found.best)


def propose_time(table: Table, named: list[int], out: Page) -> None:
    """Propose where the time stands and how it is written."""
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


def _say_times(names: list[str], times: _Times, best: list[str], out: Page) -> list[str]:
    """Tell the columns of the time and how it is read; gives the formats when they are decided."""
    listed = " and ".join(f"'{name}'" for name in names)
    out.says(f"time: {times.cells - len(times.lost)} of {times.cells} filled cells of {listed} are times")
    for form, line in times.unfit.items():
        if form not in best:
            out.says(f"{form} is ruled out by line {line}")
    if times.lost:
        out.says(f"{counted(len(times.lost), 'cell')} with no time in that form ({some_of(times.lost)}) will be held")
    out.has("columns", names)
    if len(best) == 1:
        if "%y" in best[0]:
            out.says("years have two digits: 00 to 68 are read as 2000 to 2068")
        out.has("formats", best)
        return best
    what = "what comes first, day, month or year" if best else "how are they written"
    out.asks("formats", f"{what}? Every cell can be read as {' and as '.join(best[:6])}; ask who knows the monitor.")
    return []
