"""Local times against published transitions.

Source of every transition: the IANA time zone database (https://www.iana.org/time-zones), files northamerica, europe,
australasia, asia and southamerica; the United States' rule is also 15 U.S.C. 260a, the European one Directive
2000/84/EC. The instants were written down from the rules, not computed by the code under test.
"""

from __future__ import annotations

from datetime import datetime
from typing import Any

import pytest

from gateway.mapping.model import Time
from gateway.model import Moment
from gateway.normalise.times import TimeReader


def read(zone: str, text: str, form: str = "%Y-%m-%d %H:%M:%S", **policy: Any) -> Moment:
    return TimeReader(Time(columns=["t"], formats=[form], zone=zone, **policy), None).read(text)


@pytest.mark.parametrize(
    ("zone", "text", "offset"),
    [
        # United States: second Sunday of March 02:00 to first Sunday of November 02:00.
        ("America/New_York", "2026-03-08 01:59:59", "-05:00"), ("America/New_York", "2026-03-08 03:00:00", "-04:00"),
        ("America/New_York", "2026-11-01 00:59:59", "-04:00"), ("America/New_York", "2026-11-01 02:00:00", "-05:00"),
        ("America/Los_Angeles", "2026-03-08 03:00:00", "-07:00"), ("America/Phoenix", "2026-03-08 02:30:00", "-07:00"),
        # European Union: last Sundays of March and October at 01:00 UTC.
        ("Europe/Berlin", "2026-03-29 01:59:59", "+01:00"), ("Europe/Berlin", "2026-03-29 03:00:00", "+02:00"),
        ("Europe/Berlin", "2026-10-25 01:59:59", "+02:00"), ("Europe/Berlin", "2026-10-25 03:00:00", "+01:00"),
        ("Europe/London", "2026-03-29 00:59:59", "+00:00"), ("Europe/London", "2026-03-29 02:00:00", "+01:00"),
        ("Europe/Lisbon", "2026-10-25 02:00:00", "+00:00"),
        # Lord Howe Island moves by half an hour, first Sundays of October and April at 02:00.
        ("Australia/Lord_Howe", "2026-04-05 01:29:59", "+11:00"),
        ("Australia/Lord_Howe", "2026-04-05 02:00:00", "+10:30"),
        ("Australia/Lord_Howe", "2026-10-04 01:59:59", "+10:30"),
        ("Australia/Lord_Howe", "2026-10-04 02:30:00", "+11:00"),
        # Offsets that are not whole hours.
        ("Asia/Kolkata", "2026-07-01 12:00:00", "+05:30"), ("Asia/Kathmandu", "2026-07-01 12:00:00", "+05:45"),
        ("Pacific/Chatham", "2026-07-01 12:00:00", "+12:45"), ("Pacific/Kiritimati", "2026-07-01 12:00:00", "+14:00"),
        ("America/St_Johns", "2026-07-01 12:00:00", "-02:30"),
        # Samoa crossed the date line at the end of 29 December 2011.
        ("Pacific/Apia", "2011-12-29 23:59:59", "-10:00"), ("Pacific/Apia", "2011-12-31 00:00:00", "+14:00"),
        # Past 2037 the rules go on as they stand.
        ("America/New_York", "2038-07-01 12:00:00", "-04:00"), ("America/New_York", "2100-01-15 12:00:00", "-05:00"),
        ("America/New_York", "2100-03-14 03:00:00", "-04:00"), ("Europe/Berlin", "2050-07-01 12:00:00", "+02:00"),
        ("Europe/Berlin", "9999-12-31 23:59:59", "+01:00"),
    ],
)  # fmt: skip
def test_the_offset_in_force(zone: str, text: str, offset: str) -> None:
    moment = read(zone, text)
    assert moment.noticed == ()
    assert moment.fhir == f"{text.replace(' ', 'T')}{offset}"
    assert moment.dtm[-5:] == offset.replace(":", "")
    assert moment.epoch == datetime.fromisoformat(moment.fhir).timestamp()


GAPS = [
    # zone, text, offset before, offset after
    ("America/New_York", "2026-03-08 02:00:00", "-05:00", "-04:00"),
    ("America/New_York", "2026-03-08 02:59:59", "-05:00", "-04:00"),
    ("Europe/Berlin", "2026-03-29 02:30:00", "+01:00", "+02:00"),
    ("Europe/London", "2026-03-29 01:00:00", "+00:00", "+01:00"),
    ("Australia/Lord_Howe", "2026-10-04 02:00:00", "+10:30", "+11:00"),
    ("Australia/Lord_Howe", "2026-10-04 02:29:59", "+10:30", "+11:00"),
    ("Pacific/Apia", "2011-12-30 12:00:00", "-10:00", "+14:00"),
    ("America/New_York", "2100-03-14 02:30:00", "-05:00", "-04:00"),
    ("America/Santiago", "2024-09-08 00:30:00", "-04:00", "-03:00"),
]
FOLDS = [
    # zone, text, offset of the earlier, offset of the later
    ("America/New_York", "2026-11-01 01:00:00", "-04:00", "-05:00"),
    ("America/New_York", "2026-11-01 01:59:59", "-04:00", "-05:00"),
    ("Europe/Berlin", "2026-10-25 02:30:00", "+02:00", "+01:00"),
    ("Europe/London", "2026-10-25 01:30:00", "+01:00", "+00:00"),
    ("Australia/Lord_Howe", "2026-04-05 01:30:00", "+11:00", "+10:30"),
    ("Australia/Lord_Howe", "2026-04-05 01:59:59", "+11:00", "+10:30"),
    ("America/Santiago", "2024-04-06 23:30:00", "-03:00", "-04:00"),
    ("America/Havana", "2024-11-03 00:30:00", "-04:00", "-05:00"),
]


@pytest.mark.parametrize(("zone", "text", "before", "after"), GAPS)
def test_a_skipped_time_is_held_unless_the_mapping_decides(zone: str, text: str, before: str, after: str) -> None:
    held = read(zone, text)
    assert (held.fhir, held.noticed[0].rule) == ("", "time-in-dst-gap")
    for policy, offset in (("before", before), ("after", after)):
        moment = read(zone, text, nonexistent=policy, ambiguous="hold")
        assert moment.fhir == f"{text.replace(' ', 'T')}{offset}"
        assert moment.epoch == datetime.fromisoformat(moment.fhir).timestamp()
        assert [noticed.rule for noticed in moment.noticed] == ["time-gap-resolved"]


@pytest.mark.parametrize(("zone", "text", "earlier", "later"), FOLDS)
def test_a_time_that_happened_twice_is_held_unless_the_mapping_decides(
    zone: str, text: str, earlier: str, later: str
) -> None:
    held = read(zone, text)
    assert (held.fhir, held.noticed[0].rule) == ("", "time-ambiguous")
    moments = [read(zone, text, ambiguous=policy, nonexistent="hold") for policy in ("earlier", "later")]
    assert [moment.fhir for moment in moments] == [f"{text.replace(' ', 'T')}{offset}" for offset in (earlier, later)]
    assert moments[0].epoch < moments[1].epoch
    assert {noticed.rule for moment in moments for noticed in moment.noticed} == {"time-ambiguous-resolved"}


@pytest.mark.parametrize(
    ("zone", "day", "start"),
    [
        ("America/New_York", "2026-03-08", "2026-03-08T00:00:00-05:00"),
        ("America/New_York", "2026-11-01", "2026-11-01T00:00:00-04:00"),
        # At midnight the clocks of Santiago go forward to 01:00; the day begins there.
        ("America/Santiago", "2024-09-08", "2024-09-08T01:00:00-03:00"),
        # In Havana 00:00 to 01:00 happens twice; the day begins with the first.
        ("America/Havana", "2024-11-03", "2024-11-03T00:00:00-04:00"),
        ("Pacific/Apia", "2011-12-31", "2011-12-31T00:00:00+14:00"),
    ],
)
def test_a_date_stays_a_date_on_a_day_of_change(zone: str, day: str, start: str) -> None:
    moment = read(zone, day, "%Y-%m-%d")
    assert (moment.fhir, moment.precision, moment.noticed) == (day, "day", ())
    assert moment.epoch == datetime.fromisoformat(start).timestamp()


def test_a_day_that_never_was_is_held_whatever_the_mapping_says() -> None:
    for policy in ("hold", "before", "after"):
        moment = read("Pacific/Apia", "2011-12-30", "%Y-%m-%d", nonexistent=policy)
        assert (moment.fhir, moment.noticed[0].rule) == ("", "time-in-dst-gap")
