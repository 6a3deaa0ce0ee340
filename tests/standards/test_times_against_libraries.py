"""Every form of time against a library that knows nothing of the gateway.

References: `datetime.strptime` of the standard library and `dateutil` (its tz database is the system's or its own) for
directives, `dateutil.parser.isoparse` for ISO 8601, `arrow` for seconds since 1970, `openpyxl` for the days
of a spreadsheet.
"""

from __future__ import annotations

import tempfile
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import arrow
import pytest
from dateutil import tz
from dateutil.parser import isoparse
from hypothesis import given, settings
from hypothesis import strategies as st
from openpyxl.utils.datetime import from_excel, to_excel

from gateway.mapping.model import Time
from gateway.model import Moment
from gateway.normalise.times import TimeReader
from tests.conversion.conversion_kit import WIDE, WIDE_HEADER, fhir_facts, findings, run

ZONES = ["America/New_York", "Europe/Berlin", "Asia/Kolkata", "Australia/Lord_Howe", "Pacific/Chatham", "UTC", "+05:45"]


def read(text: str, form: str, zone: str = "America/New_York") -> Moment:
    return TimeReader(Time(columns=["t"], formats=[form], zone=zone), None).read(text)


def rule(text: str, form: str, zone: str = "America/New_York") -> str:
    moment = read(text, form, zone)
    assert not moment.fhir
    return moment.noticed[0].rule


def zone_of(name: str) -> Any:
    found = tz.gettz(name) if "/" in name or name == "UTC" else isoparse(f"2000-01-01T00:00:00{name}").tzinfo
    assert found is not None
    return found


_LOCAL = st.datetimes(datetime(1995, 1, 2), datetime(2037, 12, 31))  # noqa: DTZ001 (a clock on the wall)
_SECONDS = st.integers(947_000_000, 2_145_916_800)  # from 2000-01-04 to 2038


@given(_SECONDS, st.sampled_from(ZONES), st.sampled_from(["", ".5", ".123456"]))
def test_seconds_since_1970(seconds: int, zone: str, fraction: str) -> None:
    moment = read(f"{seconds}{fraction}", "epoch-seconds", zone)
    expected = arrow.get(seconds, tzinfo=zone_of(zone))
    assert (moment.epoch, moment.precision, moment.instant) == (seconds, "second", True)
    assert datetime.fromisoformat(moment.fhir).replace(microsecond=0) == expected.datetime
    assert moment.fhir == f"{expected.format('YYYY-MM-DDTHH:mm:ss')}{fraction}{expected.format('ZZ')}"


@given(_SECONDS, st.integers(0, 999), st.sampled_from(ZONES))
def test_milliseconds_since_1970(seconds: int, part: int, zone: str) -> None:
    text = f"{seconds}{part:03}"
    moment = read(text, "epoch-milliseconds", zone)
    expected = arrow.get(int(text), tzinfo=zone_of(zone))  # arrow tells milliseconds by their size
    assert moment.fhir == expected.format("YYYY-MM-DDTHH:mm:ss.SSSZZ")
    assert moment.epoch == seconds


@given(_SECONDS, st.sampled_from(["Z", "+00:00", "-05:00", "+0530", "+02", ""]), st.sampled_from(["T", " "]),
       st.sampled_from(["%H:%M", "%H:%M:%S", "%H:%M:%S.250", "%H:%M:%S,5"]), st.booleans())  # fmt: skip
def test_iso_8601(seconds: int, offset: str, between: str, clock: str, basic: bool) -> None:
    local = datetime.fromtimestamp(seconds, UTC)
    text = f"{local:%Y-%m-%d}{between}{local:{clock}}"
    if basic:
        text = text.replace("-", "").replace(":", "").replace(" ", "T")
        offset = offset.replace(":", "")
    moment = read(text + offset, "iso-8601")
    if not moment.fhir:
        assert not offset
        assert moment.noticed[0].rule in ("time-in-dst-gap", "time-ambiguous")
        return
    expected = isoparse(text.replace(" ", "T") + offset)
    expected = expected if offset else expected.replace(tzinfo=tz.gettz("America/New_York"))
    stated = datetime.fromisoformat(moment.fhir)
    assert stated == expected
    assert stated.utcoffset() == expected.utcoffset()
    assert moment.instant is bool(offset)
    assert moment.epoch == int(expected.timestamp())


@given(_LOCAL, st.integers(5, 15))
def test_days_of_a_spreadsheet(local: datetime, decimals: int) -> None:
    local = local.replace(microsecond=0)
    text = f"{to_excel(local):.{decimals}f}"
    moment = read(text, "spreadsheet-serial", "UTC")
    if (local.month, local.day) in ((1, 1), (1, 6)) and not moment.fhir:
        return  # a day on which clocks start after a reset
    stated = datetime.fromisoformat(moment.fhir).replace(tzinfo=None)
    assert abs(stated - local) <= timedelta(seconds=1 if decimals == 5 else 0)
    assert abs(stated - from_excel(float(text))) < timedelta(seconds=1)


@pytest.mark.parametrize(
    ("text", "fhir"),
    [
        # Source: ECMA-376-1:2016, 18.17.4.1: 1 January 1900 is 1, so 39,448 is 1 January 2008.
        ("39449", "2008-01-02"), ("39449.5", "2008-01-02T12:00:00+00:00"),
        ("45731.395833333", "2025-03-15T09:30:00+00:00"),
        ("45731,25", "2025-03-15T06:00:00+00:00"), ("45731.999999999", "2025-03-16T00:00:00+00:00"),
    ],
)  # fmt: skip
def test_serials_of_known_days(text: str, fhir: str) -> None:
    assert read(text, "spreadsheet-serial", "UTC").fhir == fhir


@pytest.mark.parametrize(
    ("text", "form", "expected"),
    [
        ("45731.3958", "spreadsheet-serial", "time-unreadable"), ("60", "spreadsheet-serial", "time-impossible"),
        ("4.5731E+04", "spreadsheet-serial", "time-unreadable"), ("-5", "spreadsheet-serial", "time-unreadable"),
        ("1.7415E+09", "epoch-seconds", "time-unreadable"), ("1741944600000", "epoch-seconds", "time-unreadable"),
        ("1741944600", "epoch-milliseconds", "time-unreadable"), ("0", "epoch-seconds", "time-unreadable"),
        ("2025-03-14", "iso-8601", "time-unreadable"), ("2025-03-14T25:00", "iso-8601", "time-impossible"),
        ("2025-W11-5T09:30", "iso-8601", "time-unreadable"), ("946684800", "epoch-seconds", "time-unreadable"),
    ],
)  # fmt: skip
def test_what_is_no_such_time_is_held(text: str, form: str, expected: str) -> None:
    # 946,684,800 is 1 January 2000 at midnight in Greenwich, and the evening before in New York.
    if text == "946684800":
        assert read(text, form, "UTC").noticed[0].rule == "time-clock-default"
    else:
        assert rule(text, form) == expected


@settings(max_examples=300)
@given(_LOCAL, st.sampled_from(ZONES),
       st.sampled_from(["%Y-%m-%d %H:%M:%S", "%d.%m.%y %H:%M", "%m/%d/%Y %I:%M %p", "%d %b %Y %H:%M",
                        "%A %d %B %Y %H:%M", "%Y%j%H%M",
                        "%y%m%d%H%M%S", "%d-%b-%y %I:%M:%S %p"]))  # fmt: skip
def test_directives(local: datetime, zone: str, form: str) -> None:
    text = local.strftime(form)
    moment = read(text, form, zone)
    expected = datetime.strptime(text, form).replace(tzinfo=zone_of(zone))
    if not moment.fhir:
        if moment.noticed[0].rule != "time-clock-default":
            assert tz.datetime_ambiguous(expected) or not tz.datetime_exists(expected)
        return
    assert moment.fhir == expected.isoformat()
    assert moment.epoch == int(expected.timestamp())


def test_the_same_instant_is_the_same_set_however_it_is_written(tmp_path: Path) -> None:
    mapping = WIDE.replace('formats = ["%Y-%m-%d %H:%M"]', 'formats = ["iso-8601"]')
    rows = [f"{when},P-0007,M1,121,79,64,97,36.6,70" for when in ("2026-03-14T09:30:00-05:00", "2026-03-14T14:30:00Z")]
    (tmp_path / "a.csv").write_text("\n".join([WIDE_HEADER, *rows]) + "\n")
    run(tmp_path, [tmp_path / "a.csv"], mapping)
    assert [each["rule"] for each in findings(tmp_path / "out")] == ["repeat-in-batch"]
    assert {fact.time for fact in fhir_facts(tmp_path / "out")} == {"2026-03-14T09:30:00-05:00"}


def test_the_hour_that_comes_twice_is_two_hours_to_a_clock_that_counts() -> None:
    """01:30 in New York on 1 November 2026, twice. Source: 15 U.S.C. 260a."""
    mapping = WIDE.replace('formats = ["%Y-%m-%d %H:%M"]', 'formats = ["epoch-seconds"]')
    mapping = mapping.replace("America/Chicago", "America/New_York")
    rows = [f"{when},P-0007,M1,121,79,64,97,36.6,{70 + at}" for at, when in enumerate((1793511000, 1793514600))]
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "a.csv").write_text("\n".join([WIDE_HEADER, *rows]) + "\n")
        run(Path(folder), [Path(folder) / "a.csv"], mapping)
        assert findings(Path(folder) / "out") == []
        assert {fact.time for fact in fhir_facts(Path(folder) / "out")} == {
            "2026-11-01T01:30:00-04:00", "2026-11-01T01:30:00-05:00",
        }  # fmt: skip
