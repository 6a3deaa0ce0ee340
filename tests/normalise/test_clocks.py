"""Clocks of monitors: comparison, correction, and which entries are of an earlier time line. Worked by hand."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

import pytest

from gateway.mapping.model import Clock, Time
from gateway.model import Moment
from gateway.normalise.clocks import CAPTURE_SLACK, ClockReader, Dump, Succession, spoken

ZONE = "America/Chicago"


def reader(policy: Any = "correct", *, zone: str = ZONE, form: str = "%Y-%m-%d %H:%M", limit: int = 60,
           received: int | None = None, **clock: Any) -> ClockReader:  # fmt: skip
    more = {"reference": "columns", "reference_columns": ["r"], **clock}
    asked = Clock(columns=["c"], policy=policy, limit_minutes=limit, order="oldest-first", **more)
    return ClockReader(Time(columns=["t"], formats=[form], zone=zone, clock=asked), received, None)


def settled(made: ClockReader, text: str, shown: str, reference: str) -> Moment:
    return made.settle(made.times.read(text), made.compare(Dump("M1", shown, reference)))


@pytest.mark.parametrize(
    ("shown", "true", "offset"),
    [
        ("2026-03-14 10:07", "2026-03-14 10:00", 420),
        ("2026-03-14 09:53", "2026-03-14 10:00", -420),
        ("2026-03-14 10:00", "2026-03-14 10:00", 0),
        # Two minutes that follow each other are at least apart by the seconds they leave out: not in step.
        ("2026-03-14 10:01", "2026-03-14 10:00", 60),
        ("2026-03-14 09:59", "2026-03-14 10:00", -60),
        ("2026-03-13 10:00", "2026-03-14 10:00", -86400),
    ],
)
def test_offsets_between_minutes(shown: str, true: str, offset: int) -> None:
    assert reader().compare(Dump("M1", shown, true)).offset == offset


@pytest.mark.parametrize("offset", [-61, -60, -2, -1, 0, 1, 2, 60, 61])
def test_offsets_between_seconds(offset: int) -> None:
    """Seconds that follow each other are apart by the part of a second they leave out: not in step."""
    true = datetime(2026, 3, 14, 10, 0, 0)  # noqa: DTZ001 - what a column says
    shown = true + timedelta(seconds=offset)
    made = reader(form="%Y-%m-%d %H:%M:%S")
    standing = made.compare(Dump("M1", str(shown), str(true)))
    assert (standing.offset, standing.state) == (offset, "corrected" if offset else "in-step")
    moment = made.settle(made.times.read("2026-03-14 09:30:00"), standing)
    assert moment.epoch == int(datetime.fromisoformat("2026-03-14T09:30:00-05:00").timestamp()) - offset
    if offset:
        # The monitor's two times and the reference are each known to a second.
        assert moment.own is not None
        assert (moment.own.early, moment.own.width) == (1, 1 + 1 + 1)


@pytest.mark.parametrize(("back", "expected"), [(0, []), (1, []), (2, [1, 2]), (60, [1, 2])])
def test_seconds_that_run_backwards_within_a_list(back: int, expected: list[int]) -> None:
    """Entries to the second may stand a second out of order, and no more; those to the minute, a minute."""
    before = datetime(2026, 3, 14, 9, 30, 30)  # noqa: DTZ001 - what a monitor shows
    texts = ["2026-03-14 09:00:00", str(before), str(before - timedelta(seconds=back)), "2026-03-14 09:45:00"]
    assert held(texts, form="%Y-%m-%d %H:%M:%S") == expected


@pytest.mark.parametrize(
    ("shown", "true", "offset"),
    [
        ("10:00", "10:00:59", 0),  # the minute shown may be its 59th second
        ("10:00", "10:01:00", -60),
        ("10:00", f"09:59:{60 - CAPTURE_SLACK + 1}", 0),  # the list may have been sent nine seconds later
        ("10:00", f"09:59:{60 - CAPTURE_SLACK}", CAPTURE_SLACK),
    ],
)
def test_a_clock_is_in_step_when_no_difference_is_within_what_both_times_leave_open(
    shown: str, true: str, offset: int
) -> None:
    made = reader(reference="capture", reference_columns=[])
    standing = made.compare(Dump("M1", f"2026-03-14 {shown}", f"2026-03-14T{true}.250000-05:00"))
    assert standing.offset == offset


@pytest.mark.parametrize(
    ("entry", "form", "shown", "true", "fhir", "dtm"),
    [
        ("2026-03-14 09:30", "%Y-%m-%d %H:%M", "2026-03-14 10:07", "2026-03-14 10:00",
         "2026-03-14T09:23:00-05:00", "202603140923-0500"),
        ("2026-03-14 00:03", "%Y-%m-%d %H:%M", "2026-03-14 10:07", "2026-03-14 10:00",
         "2026-03-13T23:56:00-05:00", "202603132356-0500"),
        ("2026-03-14 09:30:05.250", "%Y-%m-%d %H:%M:%S.%f", "2026-03-14 10:07:10.0", "2026-03-14 10:00:00.0",
         "2026-03-14T09:22:55.250-05:00", "20260314092255.250-0500"),
    ],
)  # fmt: skip
def test_times_are_shifted_exactly(entry: str, form: str, shown: str, true: str, fhir: str, dtm: str) -> None:
    moment = settled(reader(form=form), entry, shown, true)
    assert (moment.fhir, moment.dtm, moment.noticed) == (fhir, dtm, ())
    assert moment.own is not None
    assert moment.own.fhir[:16] == entry[:16].replace(" ", "T")
    assert moment.epoch == int(datetime.fromisoformat(fhir).timestamp())


def test_a_minute_stays_a_whole_minute() -> None:
    """The monitor shows 10:07, the host had 10:00:40: the reading of 09:30 began at 09:23:40, in the minute 09:23."""
    made = reader(reference="capture", reference_columns=[])
    moment = settled(made, "2026-03-14 09:30", "2026-03-14 10:07", "2026-03-14T10:00:40-05:00")
    assert (moment.fhir, moment.dtm, moment.precision) == (
        "2026-03-14T09:23:00-05:00",
        "202603140923-0500",
        "minute",
    )
    # The clock may have shown 10:07:00 to 10:07:59 at an instant up to ten seconds after 10:00:40, and 09:30 as well.
    assert moment.own is not None
    begin = moment.epoch - moment.own.early
    assert begin == int(datetime.fromisoformat("2026-03-14T09:22:40-05:00").timestamp())
    assert moment.own.width == 60 + 60 + CAPTURE_SLACK


@pytest.mark.parametrize(
    ("policy", "offset", "recorded", "rule"),
    [
        ("correct", 7, "09:23", ""), ("correct", 61, "", "clock-beyond-limit"), ("correct", 0, "09:30", ""),
        ("report", 7, "09:30", ""), ("report", 61, "09:30", ""), ("hold", 7, "09:30", ""),
        ("hold", 61, "", "clock-beyond-limit"), ("hold", 60, "09:30", ""), ("correct", 60, "08:30", ""),
    ],
)  # fmt: skip
def test_policies(policy: str, offset: int, recorded: str, rule: str) -> None:
    shown = f"2026-03-14 {10 + offset // 60:02}:{offset % 60:02}"
    moment = settled(reader(policy), "2026-03-14 09:30", shown, "2026-03-14 10:00")
    assert moment.fhir[11:16] == recorded
    assert [noticed.rule for noticed in moment.noticed] == ([rule] if rule else [])


@pytest.mark.parametrize("shown", ["", "2000-01-01 03:00", "soon", "2026-03-08 02:30"])
@pytest.mark.parametrize(("policy", "usable"), [("correct", False), ("hold", False), ("report", True)])
def test_a_clock_that_cannot_be_compared(policy: str, usable: bool, shown: str) -> None:
    moment = settled(reader(policy), "2026-03-14 09:30", shown, "2026-03-14 10:00")
    assert bool(moment.fhir) is usable
    assert [noticed.rule for noticed in moment.noticed] == ([] if usable else ["clock-unknown"])


def test_a_list_of_no_monitor_cannot_be_compared() -> None:
    made = reader()
    assert made.compare(Dump("", "2026-03-14 10:07", "2026-03-14 10:00")).state == "unknown"


def test_whether_a_time_is_in_the_future_is_asked_after_the_correction() -> None:
    """A clock an hour ahead shows 11:00 at 10:00; the export is received at 10:01."""
    received = int(datetime.fromisoformat("2026-03-14T10:01:00-05:00").timestamp())
    made = reader(received=received)
    assert settled(made, "2026-03-14 10:59", "2026-03-14 11:00", "2026-03-14 10:00").fhir[11:16] == "09:59"
    left = reader("report", received=received)
    (noticed,) = settled(left, "2026-03-14 10:59", "2026-03-14 11:00", "2026-03-14 10:00").noticed
    assert noticed.rule == "time-in-future"


def test_a_clock_that_was_off_over_a_change_to_summer_time() -> None:
    """Clocks in Chicago went forward on 8 March 2026. A clock still an hour behind may have been changed or not."""
    late = ("2026-03-08 09:00", "2026-03-08 10:00")
    (noticed,) = settled(reader(), "2026-03-07 22:00", *late).noticed
    assert noticed.rule == "clock-change-between"
    assert settled(reader(), "2026-03-08 08:00", *late).fhir == "2026-03-08T09:00:00-05:00"
    fixed = settled(reader(zone="-06:00"), "2026-03-07 22:00", "2026-03-08 09:00", "2026-03-08 09:00")
    assert fixed.fhir == "2026-03-07T22:00:00-06:00"


TIMES = ("2026-03-14 09:00", "2026-03-14 09:30", "2026-03-14 09:45", "2026-03-14 10:01")


def held(
    texts: list[str], *, newest_first: bool = False, shown: str = "", zone: str = ZONE,
    form: str = "%Y-%m-%d %H:%M", **time: Any,
) -> list[int]:  # fmt: skip
    """Positions of the entries that are held because of what the list shows of its clock, oldest first."""
    made = reader(zone=zone, form=form)
    times = ClockReader(
        Time(columns=["t"], formats=[form], zone=zone, clock=Clock(order="oldest-first"), **time),
        None,
        None,
    ).times
    list_of = list(enumerate(texts, 1))
    succession = Succession(newest_first, made.times.read(shown) if shown else Moment(""))
    for line, (_, text) in enumerate(reversed(list_of) if newest_first else list_of, 1):
        succession.add(line, times.read(text))
    older = succession.older()
    lines = range(1, len(texts) + 1)
    return sorted(len(texts) + 1 - line if newest_first else line for line in lines if older.holds(line))


@pytest.mark.parametrize("newest_first", [False, True])
@pytest.mark.parametrize(
    ("texts", "shown", "expected"),
    [
        (list(TIMES), "2026-03-14 10:07", []),
        # Set back by hand: everything before that.
        ([TIMES[2], TIMES[3], TIMES[0], TIMES[1]], "", [1, 2]),
        # Twice set back: the last time counts.
        ([TIMES[3], TIMES[2], TIMES[1], TIMES[0]], "", [1, 2, 3]),
        # A reset to a default date, and then set: the clock was changed after the entries of that date.
        ([TIMES[0], "2000-01-01 00:04", "2000-01-01 01:10", TIMES[3]], "", [1, 2, 3]),
        (["2000-01-01 00:04", TIMES[0], TIMES[1]], "", [1]),
        # Later than the monitor's own time when it sent the list.
        ([TIMES[0], "2026-03-14 15:00", "2026-03-14 15:30"], "2026-03-14 10:07", [1, 2, 3]),
        ([TIMES[0], "2026-03-14 15:00", TIMES[1], TIMES[2]], "2026-03-14 10:07", [1, 2]),
        # The minutes of one clock need not be in order to the second.
        ([TIMES[1], "2026-03-14 09:29", TIMES[2]], "2026-03-14 09:44", []),
        # What cannot be read says nothing; what stands between an entry and a reset is on the older side.
        ([TIMES[2], "?", TIMES[0], TIMES[1]], "", [1, 2]),
        # All at midnight: three at least, and none at another time.
        (["2026-03-12 00:00", "2026-03-13 00:00", "2026-03-14 00:00"], "", [1, 2, 3]),
        (["2026-03-13 00:00", "2026-03-14 00:00"], "", []),
        (["2026-03-12 00:00", "2026-03-13 00:00", "2026-03-14 00:00", "2026-03-14 06:00"], "", []),
    ],
)  # fmt: skip
def test_the_older_side_of_a_list(texts: list[str], shown: str, expected: list[int], newest_first: bool) -> None:
    assert held(texts, newest_first=newest_first, shown=shown) == expected


@pytest.mark.parametrize("newest_first", [False, True])
@pytest.mark.parametrize("ambiguous", ["hold", "earlier", "later"])
def test_clocks_that_go_back_in_autumn_are_not_reset(ambiguous: str, newest_first: bool) -> None:
    """Chicago, 1 November 2026: at 02:00 it is 01:00 again (IANA time zone database, northamerica)."""
    night = ["2026-11-01 00:50", "2026-11-01 01:20", "2026-11-01 01:50", "2026-11-01 01:10", "2026-11-01 02:05"]
    assert held(night, newest_first=newest_first, ambiguous=ambiguous) == []
    # Displayed as 03:10 and then as 02:20 the clock was put back by hand after clocks had gone back.
    assert held([*night, "2026-11-01 03:10", "2026-11-01 02:20"], newest_first=newest_first, ambiguous=ambiguous) == [
        1, 2, 3, 4, 5, 6,
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("offset", "words"),
    [(0, "in step"), (420, "7 min ahead"), (-3605, "1 h 5 s behind"), (9 * 86400 + 60, "9 d 1 min ahead")],
)
def test_offsets_in_words(offset: int, words: str) -> None:
    assert spoken(offset) == words
