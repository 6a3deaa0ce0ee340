"""What an export tells in parts: ages in several units, a record number in several columns."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.conversion.options import load_mapping
from gateway.errors import MappingError
from gateway.mapping.model import Age, Time
from gateway.normalise.ages import AgeReader
from tests.conversion.conversion_kit import GOOD_ROW, WIDE, WIDE_HEADER, fhir_facts, findings, run

PATTERN = r"(?:(?P<days>\d+) D )?(?:(?P<hours>\d+) H )?(?P<minutes>\d+) MIN"
SENT = datetime(2026, 3, 14, 12, 0, tzinfo=UTC)


def reader(pattern: str = PATTERN, unit: str = "minutes") -> AgeReader:
    age = Age(column="age", anchor="given", pattern=pattern, unit=unit)  # type: ignore[arg-type]
    return AgeReader(Time(zone="UTC", age=age), None)


@given(st.integers(0, 9), st.integers(0, 23), st.integers(0, 59))
def test_an_age_in_several_units_is_their_sum(days: int, hours: int, minutes: int) -> None:
    text = (f"{days} D " if days else "") + (f"{hours} H " if hours else "") + f"{minutes} MIN"
    moment = reader().read(text, SENT)
    assert datetime.fromisoformat(moment.fhir) == SENT - timedelta(days=days, hours=hours, minutes=minutes)
    assert (moment.precision, moment.resolution) == ("minute", 60)


def test_seconds_too() -> None:
    moment = reader(r"(?P<minutes>\d+):(?P<seconds>\d\d)", "seconds").read("70:05", SENT)
    assert moment.fhir == "2026-03-14T10:49:55+00:00"


@pytest.mark.parametrize("text", ["70", "1 H", "1 H 10 MINUTES", "-5 MIN", "99999999 MIN", "1" * 80 + " MIN"])
def test_an_age_of_another_form_is_held(text: str) -> None:
    moment = reader().read(text, SENT)
    assert [noticed.rule for noticed in moment.noticed] == ["age-unreadable"]


AGES = WIDE.replace(
    'columns = ["When"]\nformats = ["%Y-%m-%d %H:%M"]\n',
    f'age = {{ column = "When", anchor = "given", pattern = \'{PATTERN}\' }}\n',
)


def test_a_list_of_such_ages(tmp_path: Path) -> None:
    rows = [GOOD_ROW.replace("2026-03-14 09:30", age).replace(",64,", f",{number},") for number, age in
            ((61, "1 H 10 MIN"), (62, "55 MIN"), (63, "0 MIN"))]  # fmt: skip
    (tmp_path / "a.csv").write_text("\n".join([WIDE_HEADER, *rows]) + "\n")
    run(tmp_path, [tmp_path / "a.csv"], AGES, sent=SENT)
    pulses = {fact.value: fact.time for fact in fhir_facts(tmp_path / "out") if fact.vital == "heart_rate"}
    assert pulses == {
        "61": "2026-03-14T05:50:00-05:00", "62": "2026-03-14T06:05:00-05:00", "63": "2026-03-14T07:00:00-05:00",
    }  # fmt: skip


def test_ages_that_turn_round_are_of_another_list(tmp_path: Path) -> None:
    rows = [GOOD_ROW.replace("2026-03-14 09:30", age) for age in ("1 H 10 MIN", "55 MIN", "2 H 0 MIN")]
    (tmp_path / "a.csv").write_text("\n".join([WIDE_HEADER, *rows]) + "\n")
    run(tmp_path, [tmp_path / "a.csv"], AGES, sent=SENT)
    assert [(each["line"], each["rule"]) for each in findings(tmp_path / "out")] == [("4", "anchor-missing")]


MISTAKES = [
    (r"(\d+) MIN", "minutes", "names no unit"), (r"(?P<weeks>\d+) W", "minutes", "names the group weeks"),
    (r"(?P<minutes>\d*)", "minutes", "fits the empty text"), (r"(?P<hours>\d+) H", "minutes", "place no reading"),
    (r"(?P<minutes>\d+):(?P<seconds>\d+)", "minutes", "the smallest unit in it is seconds"),
    (r"(?P<minutes>\d+", "minutes", "has a fault"),
]  # fmt: skip


@pytest.mark.parametrize(("pattern", "unit", "what"), MISTAKES)
def test_mistakes_in_a_pattern_of_ages(pattern: str, unit: str, what: str) -> None:
    text = AGES.replace(PATTERN, pattern).replace('anchor = "given"', f'anchor = "given", unit = "{unit}"')
    with pytest.raises(MappingError) as caught:
        load_mapping(text)
    (problem,) = caught.value.problems
    assert what in problem.what
    assert "key time.age.pattern" in (problem.where or "")


NUMBERED = 'sequence = ["Page", "No"]\n' + WIDE


def test_a_record_number_in_two_columns_tells_sets_of_one_minute_apart(tmp_path: Path) -> None:
    header = f"{WIDE_HEADER},Page,No"
    rows = [
        f"{GOOD_ROW.replace(',64,', f',{60 + at},')},{number}" for at, number in enumerate(("1,1", "1,2", "11,", "2,1"))
    ]
    (tmp_path / "a.csv").write_text("\n".join([header, *rows, rows[1]]) + "\n")
    run(tmp_path, [tmp_path / "a.csv"], NUMBERED)
    assert [(each["line"], each["rule"]) for each in findings(tmp_path / "out")] == [("6", "repeat-in-batch")]
    assert sorted(fact.value for fact in fhir_facts(tmp_path / "out") if fact.vital == "heart_rate") == [
        "60",
        "61",
        "62",
        "63",
    ]


@pytest.mark.parametrize(("key", "what"), [("sequence = []", "sequence"), ('sequence = ["No", "No"]', "already")])
def test_mistakes_in_a_record_number(key: str, what: str) -> None:
    with pytest.raises(MappingError) as caught:
        load_mapping(f"{key}\n{WIDE}")
    assert what in str(caught.value.problems[0])
