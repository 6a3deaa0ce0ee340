"""Ages against an anchor. Worked by hand; that ages are whole steps counted back is common practice, no source."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.mapping.model import Age, Time
from gateway.normalise.ages import AgeReader

SENT = datetime(2026, 3, 14, 17, 5, 30, tzinfo=ZoneInfo("America/Chicago"))


def reader(unit: Any = "minutes", zone: str = "America/Chicago", received: int | None = None) -> AgeReader:
    age = Age(column="age", unit=unit, anchor="given")
    return AgeReader(Time(zone=zone, age=age), received)


@pytest.mark.parametrize(
    ("unit", "text", "fhir", "dtm", "precision"),
    [
        ("minutes", "0", "2026-03-14T17:05:00-05:00", "202603141705-0500", "minute"),
        ("minutes", " 12 ", "2026-03-14T16:53:00-05:00", "202603141653-0500", "minute"),
        ("minutes", "1440", "2026-03-13T17:05:00-05:00", "202603131705-0500", "minute"),
        ("seconds", "90", "2026-03-14T17:04:00-05:00", "20260314170400-0500", "second"),
    ],
)
def test_an_age_counts_back_from_the_sending(unit: str, text: str, fhir: str, dtm: str, precision: str) -> None:
    moment = reader(unit).read(text, SENT)
    assert (moment.fhir, moment.dtm, moment.precision, moment.noticed) == (fhir, dtm, precision, ())


def test_a_clock_change_between_reading_and_sending_is_harmless() -> None:
    """US clocks went forward on 2026-03-08 at 02:00 (IANA tz database): 01:59 -06:00 was followed by 03:00 -05:00."""
    sent = datetime(2026, 3, 8, 3, 10, tzinfo=ZoneInfo("America/Chicago"))
    assert reader().read("20", sent).fhir == "2026-03-08T01:50:00-06:00"
    # And back on 2026-11-01: twenty minutes before the second 01:10 is the first 01:50.
    sent = datetime(2026, 11, 1, 1, 10, fold=1, tzinfo=ZoneInfo("America/Chicago"))
    assert reader().read("20", sent).fhir == "2026-11-01T01:50:00-05:00"


def test_the_zone_of_the_record_is_the_mapping_s() -> None:
    sent = datetime(2026, 3, 14, 22, 5, 30, tzinfo=UTC)
    assert reader().read("12", sent).fhir == "2026-03-14T16:53:00-05:00"
    assert reader(zone="+05:30").read("12", sent).fhir == "2026-03-15T03:23:00+05:30"
    sent = datetime(2026, 3, 14, 22, 5, tzinfo=timezone(timedelta(hours=-3)))
    assert reader(zone="offset-in-text").read("5", sent).fhir == "2026-03-14T22:00:00-03:00"


@pytest.mark.parametrize(
    ("text", "rule"),
    [("", "time-missing"), ("1O", "age-unreadable"), ("-3", "age-unreadable"), ("1.5", "age-unreadable"),
     ("12345678", "age-unreadable"), ("١٢", "age-unreadable")],
)  # fmt: skip
def test_what_is_not_an_age_is_held(text: str, rule: str) -> None:
    moment = reader().read(text, SENT)
    assert (moment.fhir, [noticed.rule for noticed in moment.noticed]) == ("", [rule])


def test_without_an_anchor_nothing_can_be_said() -> None:
    moment = reader().read("12", None)
    assert (moment.fhir, [noticed.rule for noticed in moment.noticed]) == ("", ["anchor-missing"])


def test_a_list_sent_after_it_was_received_is_held() -> None:
    received = int(SENT.timestamp()) - 3600
    assert reader(received=received).read("10", SENT).noticed[0].rule == "time-in-future"
    assert reader(received=received).read("60", SENT).fhir


TO_THE_SECOND = ["%Y-%m-%d %H:%M:%S"]
MIXED = [*TO_THE_SECOND, "%d.%m.%Y %H:%M"]
TO_THE_MINUTE = ["%Y-%m-%d %H:%M"]


@pytest.mark.parametrize(
    ("anchor", "formats", "slack"),
    [
        # A column is as exact as the coarsest of its formats.
        ("columns", TO_THE_SECOND, 1), ("columns", MIXED, 60), ("columns", TO_THE_MINUTE, 60),
        # What a person says is to the minute, whatever the formats of other times are.
        ("given", TO_THE_SECOND, 60), ("given", TO_THE_MINUTE, 60), ("given", [], 60),
        # A chunk of a capture may have waited ten seconds.
        ("capture", TO_THE_SECOND, 10), ("capture", TO_THE_MINUTE, 10), ("capture", [], 10),
    ],
)  # fmt: skip
@pytest.mark.parametrize(("unit", "step"), [("minutes", 60), ("seconds", 1)])
def test_how_exactly_a_time_is_known(anchor: Any, formats: list[str], slack: int, unit: Any, step: int) -> None:
    """To the step of the ages or to what the instant of sending is known to, whichever is coarser."""
    columns = ["sent"] if anchor == "columns" else []
    age = Age(column="age", unit=unit, anchor=anchor)
    made = AgeReader(Time(zone="UTC", columns=columns, formats=formats, age=age), None)
    assert (made.step, made.slack, made.resolution) == (step, slack, max(step, slack))
    moment = made.read("90", SENT)
    assert moment.resolution == max(step, slack)
    # Sent at the very end of what was stated, and measured at the very end of the age: both ends are within reach.
    latest = SENT + timedelta(seconds=slack) - timedelta(seconds=90 * step)
    earliest = SENT - timedelta(seconds=91 * step)
    assert latest.timestamp() - moment.epoch <= moment.resolution
    assert moment.epoch - earliest.timestamp() <= moment.resolution
    assert moment.resolution in (latest.timestamp() - moment.epoch, moment.epoch - earliest.timestamp())


@given(st.integers(800_000_000, 4_000_000_000), st.integers(0, 100_000))
def test_the_true_instant_lies_within_a_step_before(instant: int, seconds: int) -> None:
    sent = datetime.fromtimestamp(instant, UTC)
    true = sent - timedelta(seconds=seconds)
    moment = reader(zone="UTC").read(str(seconds // 60), sent)
    assert 0 <= moment.epoch - int(true.timestamp()) < 60
    assert datetime.fromisoformat(moment.fhir).timestamp() == moment.epoch // 60 * 60
