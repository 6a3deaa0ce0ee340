"""Whatever the instant and the zone, the moment agrees with the standard library's zoneinfo."""

from __future__ import annotations

import zoneinfo
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from functools import cache
from itertools import pairwise
from pathlib import Path

import pytest
import tzdata
from hypothesis import given
from hypothesis import strategies as st

from gateway.mapping.model import Time
from gateway.normalise.times import TimeReader

_FORM = "%Y-%m-%d %H:%M:%S"
_ZONES = sorted((Path(tzdata.__file__).parent / "zones").read_text(encoding="ascii").split())
_FIRST = datetime(1990, 1, 3, tzinfo=UTC)
_SECONDS = int((datetime(2120, 1, 1, tzinfo=UTC) - _FIRST).total_seconds())


@pytest.fixture(autouse=True, scope="module")
def _packaged_zones() -> Iterator[None]:
    """Compare within one edition of the tz database, not with the machine's."""
    zoneinfo.reset_tzpath([])
    zoneinfo.ZoneInfo.clear_cache()
    yield
    zoneinfo.reset_tzpath()
    zoneinfo.ZoneInfo.clear_cache()


@cache
def _reader(zone: str, ambiguous: str) -> TimeReader:
    return TimeReader(Time(columns=["t"], formats=[_FORM], zone=zone, ambiguous=ambiguous), None)  # type: ignore[arg-type]


@given(st.sampled_from(_ZONES), st.integers(0, _SECONDS))
def test_every_instant_comes_back_from_its_local_text(zone: str, seconds: int) -> None:
    instant = _FIRST + timedelta(seconds=seconds)
    local = instant.astimezone(zoneinfo.ZoneInfo(zone))
    moment = _reader(zone, "later" if local.fold else "earlier").read(local.strftime(_FORM))
    if moment.noticed and moment.noticed[0].rule == "time-clock-default":
        assert local.strftime("%m-%d") == "01-01"
        return
    assert moment.epoch == int(instant.timestamp())
    assert datetime.fromisoformat(moment.fhir) == instant
    assert datetime.strptime(moment.dtm, "%Y%m%d%H%M%S%z") == instant
    assert datetime.fromisoformat(moment.fhir).utcoffset() == local.utcoffset()


@given(st.sampled_from(_ZONES), st.integers(0, _SECONDS))
def test_a_held_time_is_one_that_zoneinfo_finds_skipped_or_twice(zone: str, seconds: int) -> None:
    _agrees_with_zoneinfo(zone, (_FIRST + timedelta(seconds=seconds)).replace(tzinfo=None))


def _agrees_with_zoneinfo(zone: str, local: datetime) -> None:
    here = local.replace(tzinfo=zoneinfo.ZoneInfo(zone))
    moment = _reader(zone, "hold").read(local.strftime(_FORM))
    offsets = [here.replace(fold=fold).utcoffset() for fold in (0, 1)]
    if (local.year, local.month, local.day) == (2000, 1, 1):
        assert moment.noticed[0].rule == "time-clock-default"
    elif offsets[0] == offsets[1]:
        assert moment.noticed == ()
        assert datetime.fromisoformat(moment.fhir) == here
    else:
        exists = here.astimezone(UTC).astimezone(here.tzinfo).replace(tzinfo=None) == local
        assert moment.noticed[0].rule == ("time-ambiguous" if exists else "time-in-dst-gap")


@cache
def _transition_days(zone: str) -> tuple[datetime, ...]:
    """Days of 2024 on which the zone's offset changes, as naive midnights."""
    there = zoneinfo.ZoneInfo(zone)
    hours = [datetime(2024, 1, 2, tzinfo=UTC) + timedelta(hours=hour) for hour in range(24 * 360)]
    local = [hour.astimezone(there) for hour in hours]
    changes = [after for before, after in pairwise(local) if before.utcoffset() != after.utcoffset()]
    return tuple(change.replace(tzinfo=None, hour=0, minute=0, fold=0) for change in changes)


@given(
    st.sampled_from(["America/New_York", "Europe/Berlin", "Australia/Lord_Howe", "America/Santiago", "America/Havana",
                     "Asia/Beirut", "America/Nuuk", "Africa/Casablanca", "Pacific/Chatham"]),
    st.data(),
)  # fmt: skip
def test_around_every_transition_of_a_year(zone: str, data: st.DataObject) -> None:
    days = _transition_days(zone)
    assert days
    minutes = data.draw(st.integers(-24 * 60, 48 * 60))
    _agrees_with_zoneinfo(zone, data.draw(st.sampled_from(days)) + timedelta(minutes=minutes))


@given(st.text(max_size=80))
def test_any_text_is_answered(text: str) -> None:
    moment = _reader("Europe/Berlin", "hold").read(text)
    assert bool(moment.fhir) != bool(moment.noticed)
