"""Time texts, as the mapping declares them."""

from __future__ import annotations

import calendar
from datetime import UTC, date, datetime, timedelta, timezone
from typing import Any

import pytest

from gateway.errors import MappingError
from gateway.mapping.model import Time
from gateway.model import Moment
from gateway.normalise.times import TimeReader, joined, zone_edition, zone_for


def reader(*formats: str, zone: str = "America/New_York", received: datetime | None = None, **more: Any) -> TimeReader:
    time = Time(columns=["time"], formats=list(formats), zone=zone, **more)
    return TimeReader(time, None if received is None else int(received.timestamp()))


def rule(moment: Moment) -> str:
    """The one rule noticed; the moment must not be usable."""
    assert (moment.fhir, moment.dtm, moment.epoch, moment.precision) == ("", "", 0, "")
    (noticed,) = moment.noticed
    return noticed.rule


def epoch(*parts: int, hours: float) -> int:
    return int(datetime(*parts, tzinfo=timezone(timedelta(hours=hours))).timestamp())  # type: ignore[misc,arg-type]


@pytest.mark.parametrize(
    ("form", "text", "fhir", "dtm", "precision"),
    [
        ("%Y-%m-%d", "2026-03-14", "2026-03-14", "20260314", "day"),
        ("%Y-%m-%d %H:%M", "2026-03-14 09:30", "2026-03-14T09:30:00-04:00", "202603140930-0400", "minute"),
        ("%Y-%m-%d %H:%M:%S", "2026-01-14 09:30:05", "2026-01-14T09:30:05-05:00", "20260114093005-0500", "second"),
        ("%Y-%m-%dT%H:%M:%S.%f", "2026-01-14T09:30:05.250", "2026-01-14T09:30:05.250-05:00",
         "20260114093005.250-0500", "second"),
        ("%S %M %H %d %m %Y", "05 30 09 14 01 2026", "2026-01-14T09:30:05-05:00", "20260114093005-0500", "second"),
        ("%m/%d/%Y %I:%M %p", "3/4/2026 9:05 PM", "2026-03-04T21:05:00-05:00", "202603042105-0500", "minute"),
        ("%m/%d/%Y %I:%M %p", "03/04/2026 12:00 a.m.", "2026-03-04T00:00:00-05:00", "202603040000-0500", "minute"),
        ("%m/%d/%Y %I:%M %p", "03/04/2026 12:00 pm", "2026-03-04T12:00:00-05:00", "202603041200-0500", "minute"),
        ("%d-%b-%Y %H:%M", "14-MAR-2026 09:30", "2026-03-14T09:30:00-04:00", "202603140930-0400", "minute"),
        ("%d %B %y %H:%M", "14 March 26 09:30", "2026-03-14T09:30:00-04:00", "202603140930-0400", "minute"),
        ("%a %d.%m.%Y", "Sat 14.03.2026", "2026-03-14", "20260314", "day"),
        ("%A %d.%m.%Y", "saturday 14.03.2026", "2026-03-14", "20260314", "day"),
        ("%Y%m%d%H%M%S", "20260314093005", "2026-03-14T09:30:05-04:00", "20260314093005-0400", "second"),
        ("%Y-%j %H:%M", "2026-073 09:30", "2026-03-14T09:30:00-04:00", "202603140930-0400", "minute"),
        ("%Y-%m-%d %H:%M", "\u00a02026-03-14\u00a009:30 ", "2026-03-14T09:30:00-04:00", "202603140930-0400", "minute"),
        ("%H%%%M %Y.%m.%d", "09%30 2026.03.14", "2026-03-14T09:30:00-04:00", "202603140930-0400", "minute"),
    ],
)  # fmt: skip
def test_a_text_is_read_as_declared_with_the_precision_it_has(
    form: str, text: str, fhir: str, dtm: str, precision: str
) -> None:
    moment = reader(form).read(text)
    assert (moment.fhir, moment.dtm, moment.precision, moment.noticed) == (fhir, dtm, precision, ())
    assert moment.text == text


@pytest.mark.parametrize("month", range(1, 13))
def test_every_month_has_its_english_names(month: int) -> None:
    """Against the names of Python's own calendar."""
    for form, name in (("%d %B %Y", calendar.month_name[month]), ("%d %b %Y", calendar.month_abbr[month])):
        for text in (name, name.upper(), name.lower()):
            assert reader(form).read(f"14 {text} 2026").fhir == f"2026-{month:02}-14"


@pytest.mark.parametrize("day", range(9, 16))
def test_every_weekday_has_its_english_names_and_no_other(day: int) -> None:
    """Against the names, and the reckoning, of Python's own calendar."""
    actual = date(2026, 3, day).weekday()
    for form, names in (("%A %Y-%m-%d", calendar.day_name), ("%a %Y-%m-%d", calendar.day_abbr)):
        for weekday, name in enumerate(names):
            for text in (name, name.upper(), name.lower()):
                moment = reader(form).read(f"{text} 2026-03-{day:02}")
                if weekday == actual:
                    assert (moment.fhir, moment.noticed) == (f"2026-03-{day:02}", ())
                else:
                    assert rule(moment) == "time-impossible"
                    assert f"is not a {calendar.day_name[weekday]}" in moment.noticed[0].message


@pytest.mark.parametrize(
    ("directive", "form", "good", "before", "behind"),
    [
        ("Y", "%Y/%m/%d", ("2026",), "", "/3/4"),
        ("y", "%y/%m/%d", ("26",), "", "/3/4"),
        ("m", "%Y/%m/%d", ("3", "03"), "2026/", "/4"),
        ("d", "%Y/%m/%d", ("4", "04"), "2026/3/", ""),
        ("j", "%Y/%j", ("7", "07", "007"), "2026/", ""),
        ("H", "%Y/%m/%d %H:%M", ("9", "09"), "2026/3/4 ", ":05"),
        ("I", "%Y/%m/%d %I:%M %p", ("9", "09"), "2026/3/4 ", ":05 am"),
        ("M", "%Y/%m/%d %H:%M", ("5", "05"), "2026/3/4 9:", ""),
        ("S", "%Y/%m/%d %H:%M:%S", ("5", "05"), "2026/3/4 9:05:", ""),
        ("f", "%Y/%m/%d %H:%M:%S.%f", tuple("123456789"[:digits] for digits in range(1, 10)), "2026/3/4 9:05:07.", ""),
    ],
)
def test_a_number_has_as_many_digits_as_its_directive_takes(
    directive: str, form: str, good: tuple[str, ...], before: str, behind: str
) -> None:
    assert f"%{directive}" in form
    read = reader(form).read
    for digits in range(12):
        fitting = [text for text in good if len(text) == digits]
        for text in fitting:
            assert read(f"{before}{text}{behind}").fhir
        if not fitting:
            assert rule(read(f"{before}{'1' * digits}{behind}")) == "time-unreadable"


def test_the_epoch_is_the_start_of_the_moment() -> None:
    assert reader("%Y-%m-%d").read("2026-01-14").epoch == epoch(2026, 1, 14, hours=-5)
    assert reader("%Y-%m-%d %H:%M").read("2026-07-14 09:30").epoch == epoch(2026, 7, 14, 9, 30, hours=-4)


def test_decimals_of_a_second_beyond_four_are_cut_from_the_dtm_only() -> None:
    moment = reader("%Y-%m-%d %H:%M:%S.%f", zone="UTC").read("2026-03-14 09:30:59.999999")
    assert moment.fhir == "2026-03-14T09:30:59.999999+00:00"
    assert moment.dtm == "20260314093059.9999+0000"


@pytest.mark.parametrize("text", ["", "   ", "\u00a0", "\t"])
def test_a_blank_is_missing(text: str) -> None:
    assert rule(reader("%Y-%m-%d").read(text)) == "time-missing"


@pytest.mark.parametrize(
    "text",
    [
        "14.03.2026", "2026-03-14 09:30", "2026-3-14x", "26-03-14", "2026/03/14", "now", "2026-03-1４",
        "٢٠٢٦-٠٣-١٤", "2026-03-14\n2026-03-15", "2026--03-14", "-2026-03-14", "9" * 65, "1" * 100_000, "\x00",
    ],
)  # fmt: skip
def test_what_does_not_fit_is_unreadable(text: str) -> None:
    assert rule(reader("%Y-%m-%d").read(text)) == "time-unreadable"


def test_the_message_shows_the_shape_and_not_the_text() -> None:
    (noticed,) = reader("%Y-%m-%d").read("Jane Roe 12.05.1961").noticed
    assert "Jane" not in noticed.message
    assert "1961" not in noticed.message
    assert '"aaaa aaa 99.99.9999"' in noticed.message
    assert "%Y-%m-%d" in noticed.message


@pytest.mark.parametrize(
    ("form", "text", "says"),
    [
        ("%Y-%m-%d", "2026-02-29", "day 29 in month 2 of 2026"),
        ("%Y-%m-%d", "2026-04-31", "day 31"),
        ("%Y-%m-%d", "2026-13-01", "month 13"),
        ("%Y-%m-%d", "2026-00-10", "month 0"),
        ("%Y-%m-%d", "2026-01-00", "day 0"),
        ("%Y-%m-%d", "0000-01-01", "year 0000"),
        ("%Y %j", "2026 366", "day 366"),
        ("%Y %j", "2026 000", "day 0"),
        ("%Y %j", "9999 999", "day 999"),
        ("%Y-%m-%d %H:%M", "2026-03-14 24:00", "hour 24"),
        ("%Y-%m-%d %H:%M", "2026-03-14 25:00", "hour 25"),
        ("%Y-%m-%d %H:%M", "2026-03-14 09:60", "minute 60"),
        ("%Y-%m-%d %H:%M:%S", "2026-03-14 09:30:60", "second 60"),
        ("%Y-%m-%d %I:%M %p", "2026-03-14 00:30 AM", "hour 0"),
        ("%Y-%m-%d %I:%M %p", "2026-03-14 13:30 PM", "hour 13"),
        ("%a %Y-%m-%d", "Sun 2026-03-14", "not a Sunday"),
    ],
)
def test_what_does_not_exist_is_impossible(form: str, text: str, says: str) -> None:
    moment = reader(form).read(text)
    assert rule(moment) == "time-impossible"
    assert says in moment.noticed[0].message


def test_leap_days_exist() -> None:
    read = reader("%Y-%m-%d", zone="UTC").read
    assert read("2028-02-29").fhir == "2028-02-29"
    assert read("2400-02-29").fhir == "2400-02-29"
    assert rule(read("2100-02-29")) == "time-impossible"


def test_an_impossible_date_is_not_tried_under_the_next_format() -> None:
    read = reader("%d/%m/%Y", "%m/%d/%Y").read
    assert rule(read("12/31/2026")) == "time-impossible"
    assert read("05/03/2026").fhir == "2026-03-05"


def test_formats_of_different_shape_stand_beside_each_other() -> None:
    read = reader("%Y-%m-%d %H:%M", "%d.%m.%Y").read
    assert read("2026-03-14 09:30").precision == "minute"
    assert read("14.03.2026").fhir == "2026-03-14"


def test_digits_without_separators_need_their_full_width() -> None:
    assert rule(reader("%Y%m%d").read("2026111")) == "time-unreadable"
    assert rule(reader("%d%b%Y %H%M").read("14Mar2026 930")) == "time-unreadable"


@pytest.mark.parametrize(("text", "year"), [("00", 2000), ("26", 2026), ("68", 2068), ("90", 1990), ("99", 1999)])
def test_two_digit_years_follow_posix(text: str, year: int) -> None:
    assert reader("%y-%m-%d").read(f"{text}-06-15").fhir == f"{year}-06-15"
    assert reader("%y-%m-%d").read("69-06-15").fhir == "1969-06-15"


@pytest.mark.parametrize("text", ["1970-01-01", "1980-01-01", "1980-01-06", "1990-01-01", "2000-01-01"])
def test_dates_of_a_reset_clock_are_held(text: str) -> None:
    assert rule(reader("%Y-%m-%d").read(text)) == "time-clock-default"


@pytest.mark.parametrize("text", ["1990-01-02", "2000-01-02", "1999-12-31", "1985-05-05", "1989-12-31"])
def test_dates_near_a_reset_are_dates(text: str) -> None:
    assert reader("%Y-%m-%d").read(text).fhir == text


def test_a_time_in_the_future_is_held() -> None:
    received = datetime(2026, 3, 14, 13, 30, tzinfo=UTC)
    read = reader("%Y-%m-%d %H:%M:%S", received=received).read
    assert read("2026-03-14 09:35:00").noticed == ()
    assert rule(read("2026-03-14 09:35:01")) == "time-in-future"
    day = reader("%Y-%m-%d", received=received).read
    assert day("2026-03-14").noticed == ()
    assert rule(day("2026-03-15")) == "time-in-future"


def test_without_a_receipt_there_is_no_future() -> None:
    assert reader("%Y-%m-%d").read("2999-01-01").fhir == "2999-01-01"


def test_the_allowed_lead_of_the_clock_is_the_mappings() -> None:
    received = datetime(2026, 3, 14, 13, 30, tzinfo=UTC)
    read = reader("%Y-%m-%d %H:%M", received=received, future_minutes=0).read
    assert read("2026-03-14 09:30").noticed == ()
    assert rule(read("2026-03-14 09:31")) == "time-in-future"


class TestOffsetInText:
    @pytest.mark.parametrize(
        ("text", "offset"),
        [
            ("2026-03-14T09:30:00Z", "+00:00"), ("2026-03-14T09:30:00+05:30", "+05:30"),
            ("2026-03-14T09:30:00-0330", "-03:30"), ("2026-03-14T09:30:00+14", "+14:00"),
            ("2026-03-14T09:30:00-14:00", "-14:00"),
        ],
    )  # fmt: skip
    def test_is_kept(self, text: str, offset: str) -> None:
        moment = reader("%Y-%m-%dT%H:%M:%S%z", zone="offset-in-text").read(text)
        assert moment.fhir == f"2026-03-14T09:30:00{offset}"
        assert moment.dtm == f"20260314093000{offset.replace(':', '')}"
        assert moment.epoch == int(datetime.fromisoformat(moment.fhir).timestamp())

    @pytest.mark.parametrize("text", ["2026-03-14 09:30 +14:01", "2026-03-14 09:30 +99:00", "2026-03-14 09:30 -05:60"])
    def test_beyond_what_exists_is_impossible(self, text: str) -> None:
        assert rule(reader("%Y-%m-%d %H:%M %z", zone="offset-in-text").read(text)) == "time-impossible"

    def test_is_needed(self) -> None:
        read = reader("%Y-%m-%d %H:%M %z", zone="offset-in-text").read
        assert rule(read("2026-03-14 09:30")) == "time-unreadable"
        assert rule(read("2026-03-14 09:30 EST")) == "time-unreadable"

    def test_and_percent_z_go_together(self) -> None:
        with pytest.raises(MappingError, match="has no %z"):
            reader("%Y-%m-%d %H:%M", zone="offset-in-text")
        with pytest.raises(MappingError, match="reads an offset from the text"):
            reader("%Y-%m-%d %H:%M %z")


def test_a_fixed_offset_never_changes() -> None:
    read = reader("%Y-%m-%d %H:%M", zone="-05:00").read
    assert read("2026-03-08 02:30").fhir == "2026-03-08T02:30:00-05:00"
    assert read("2026-11-01 01:30").fhir == "2026-11-01T01:30:00-05:00"
    assert read("2026-07-01 01:30").fhir == "2026-07-01T01:30:00-05:00"


@pytest.mark.parametrize(
    "zone", ["Mars/Olympus", "EST5EDT4", "../etc/passwd", "/", "Europe", "Europe/Berlin/x", "CET ", "+25:00"]
)
def test_an_unknown_zone_is_an_error_of_the_mapping(zone: str) -> None:
    with pytest.raises(MappingError, match=r"key time\.zone: there is no time zone"):
        TimeReader(Time(columns=["t"], formats=["%Y-%m-%d"], zone=zone), None)


def test_the_zones_come_from_the_package() -> None:
    import tzdata

    assert zone_edition() == tzdata.IANA_VERSION
    assert zone_for("America/Argentina/Buenos_Aires").key == "America/Argentina/Buenos_Aires"


@pytest.mark.parametrize(
    ("form", "says"),
    [
        ("%d.%m.", "no year"), ("%Y-%m", "no day"), ("%Y-%d", "no month"), ("%Y-%m-%d %H", "hours and minutes"),
        ("%Y-%m-%d %M", "hours and minutes"), ("%Y-%m-%d %I:%M", "%I and %p"), ("%Y-%m-%d %H:%M %p", "%I and %p"),
        ("%Y-%m-%d %G", "%G is not a directive"), ("%c", "%c is not"), ("%Y-%m-%d %", "not a directive"),
        ("%Y-%m-%d %Y", "twice"), ("%Y %y-%m-%d", "twice"), ("%Y-%m-%d %H:%M.%f", "%f needs %S"),
        ("%Y-%j-%m-%d", "%j already"), ("no directive", "no year"),
    ],
)  # fmt: skip
def test_a_format_that_leaves_something_open_is_an_error_of_the_mapping(form: str, says: str) -> None:
    with pytest.raises(MappingError, match=r"key time\.formats: ") as caught:
        reader(form)
    assert says in str(caught.value)


def test_characters_of_a_format_are_literal() -> None:
    read = reader("%Y.%m.%d (%H+%M)").read
    assert read("2026.03.14 (09+30)").precision == "minute"
    assert rule(read("2026-03-14 (09+30)")) == "time-unreadable"


def test_columns_are_joined_by_one_space() -> None:
    assert joined([" 2026-03-14", "09:30 "]) == "2026-03-14 09:30"
    assert joined(["2026-03-14", " "]) == "2026-03-14"
    assert joined(["", " \u00a0"]) == ""


def test_more_distinct_texts_than_are_remembered_are_read_all_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("gateway.normalise.times._REMEMBERED", 3)
    read = reader("%Y-%m-%d %H:%M").read
    first = [read(f"2026-03-{day:02} 09:{day:02}") for day in range(1, 30)]
    assert first == [reader("%Y-%m-%d %H:%M").read(moment.text) for moment in first]


class TestZonesInTheText:
    """The zone that a text names counts, or holds it; it is never passed over."""

    @pytest.mark.parametrize("word", ["Z", "UTC", "GMT", "UT", "+00:00"])
    def test_words_for_zero(self, word: str) -> None:
        moment = reader("%Y-%m-%d %H:%M %z", zone="offset-in-text").read(f"2026-03-14 09:30 {word}")
        assert moment.fhir == "2026-03-14T09:30:00+00:00"

    @pytest.mark.parametrize(
        ("text", "fhir"),
        [
            ("2026-01-14 09:30 EST", "2026-01-14T09:30:00-05:00"),
            ("2026-07-14 09:30 edt", "2026-07-14T09:30:00-04:00"),
            # The hour that happens twice, told apart by its name.
            ("2026-11-01 01:30 EDT", "2026-11-01T01:30:00-04:00"),
            ("2026-11-01 01:30 EST", "2026-11-01T01:30:00-05:00"),
        ],
    )
    def test_short_names(self, text: str, fhir: str) -> None:
        assert reader("%Y-%m-%d %H:%M %Z", zone="America/New_York").read(text).fhir == fhir

    @pytest.mark.parametrize("text", ["2026-07-14 09:30 EST", "2026-01-14 09:30 CET", "2026-03-08 02:30 EST"])
    def test_another_name_than_the_zone_s(self, text: str) -> None:
        moment = reader("%Y-%m-%d %H:%M %Z", zone="America/New_York").read(text)
        assert (moment.fhir, rule(moment)) == ("", "time-zone-differs")
