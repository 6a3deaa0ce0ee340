"""The patient category by birth date or age: finer limits for children, and never a category that is not sure."""

from __future__ import annotations

from datetime import date, timedelta
from fractions import Fraction
from pathlib import Path

import pytest
from dateutil.relativedelta import relativedelta
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway import vocabulary
from gateway.conversion.understanding.who import by_age, by_birth
from gateway.errors import MappingError
from gateway.vocabulary.tables import AGES, CATEGORIES
from tests.conversion.conversion_kit import WIDE, fhir_facts, findings, run

BORN = WIDE.replace(
    '[category]\nfixed = "adult"', '[category.born]\ncolumn = "Born"\nformats = ["%Y-%m-%d", "%d.%m.%Y"]'
)
AGE = WIDE.replace('[category]\nfixed = "adult"', '[category.age]\ncolumn = "Born"\nunit = "years"')
HEADER = "When,Who,On,Sys,Dia,HR,SpO2,Temp,Weight,Born"


def told(folder: Path, mapping: str, *rows: str, out: str = "out") -> list[tuple[int, str, str]]:
    assert mapping != WIDE
    (folder / "a.csv").write_text("\n".join([HEADER, *rows]) + "\n")
    run(folder, [folder / "a.csv"], mapping, out)
    return [(int(each["line"]), each["rule"], each["vital"]) for each in findings(folder / out)]


@pytest.mark.parametrize(
    ("born", "day", "part"),
    [
        ("2026-03-14", "2026-03-14", "neonate"), ("2026-02-15", "2026-03-14", "neonate"),
        ("2026-02-14", "2026-03-14", "infant:0-3"), ("2025-12-15", "2026-03-14", "infant:0-3"),
        ("2025-12-14", "2026-03-14", "infant:3-12"), ("2025-03-15", "2026-03-14", "infant:3-12"),
        ("2025-03-14", "2026-03-14", "child:1-4"), ("2022-03-15", "2026-03-14", "child:1-4"),
        ("2022-03-14", "2026-03-14", "child:4-13"), ("2013-03-15", "2026-03-14", "child:4-13"),
        ("2013-03-14", "2026-03-14", "adult"), ("1948-03-02", "2026-03-14", "adult"),
        ("2024-02-29", "2025-02-28", "infant:3-12"), ("2024-02-29", "2025-03-01", "child:1-4"),
        ("2026-03-15", "2026-03-14", None), ("1890-01-01", "2026-03-14", None),
    ],
)  # fmt: skip
def test_the_part_follows_the_calendar(born: str, day: str, part: str | None) -> None:
    assert by_birth(date.fromisoformat(born), date.fromisoformat(day)) == part


@settings(max_examples=400)
@given(st.dates(date(1930, 1, 1), date(2026, 3, 14)), st.integers(0, 365 * 20))
def test_months_are_those_of_dateutil(born: date, days: int) -> None:
    """An independent library counts the months."""
    day = born + timedelta(days)
    apart = relativedelta(day, born)
    months = apart.years * 12 + apart.months
    part = by_birth(born, day)
    if days < 28:
        assert part == "neonate"
    elif months >= 156:
        assert part == "adult"
    else:
        assert part is not None
        low, high = AGES[part]
        assert low <= months < high


@pytest.mark.parametrize(
    ("number", "unit", "part"),
    [
        (0, "years", "unknown"), (1, "years", "child:1-4"), (4, "years", "child:4-13"), (12, "years", "child:4-13"),
        (13, "years", "adult"), (130, "years", "adult"), (131, "years", None), (0, "months", "unknown"),
        (2, "months", "infant:0-3"), (3, "months", "infant:3-12"), (12, "months", "child:1-4"), (0, "days", "neonate"),
        (27, "days", "neonate"), (28, "days", "infant:0-3"), (400, "days", "child:1-4"), (60_000, "days", None),
    ],
)  # fmt: skip
def test_an_age_in_whole_units(number: int, unit: str, part: str | None) -> None:
    assert by_age(number, unit) == part


def test_each_row_has_the_limits_of_its_own_age(tmp_path: Path) -> None:
    """Bedside PEWS, worst sub-scores, Crit Care 2009: a pulse from 170 at 1 to 4 years, from 150 at 4 to 12."""
    rows = [
        f"2026-03-14 {hour:02}:00,P-{hour:04},M1,100,60,155,97,36.8,{weight},{born}"
        for hour, weight, born in ((9, "12", "2024-01-01"), (10, "20", "01.01.2019"), (11, "70", "1980-01-01"))
    ]
    assert told(tmp_path, BORN, *rows) == [(3, "outside-flag-limits", "heart_rate")]
    assert len({fact.patient for fact in fhir_facts(tmp_path / "out")}) == 3


def test_what_is_no_age_has_the_widest_limits_and_is_told(tmp_path: Path) -> None:
    rows = [
        f"2026-03-14 {hour:02}:00,P-{hour:04},M1,100,60,64,97,36.8,12,{born}"
        for hour, born in ((9, "2031-01-01"), (10, "March"), (11, ""))
    ]
    assert told(tmp_path, BORN, *rows) == [(2, "undeclared-category", ""), (3, "undeclared-category", "")]
    row = "2026-03-14 09:00,P-0001,M1,100,60,155,97,36.8,20"
    assert told(tmp_path, AGE, f"{row},three", out="words") == [(2, "undeclared-category", "")]
    assert told(tmp_path, AGE, f"{row},7", out="seven") == [(2, "outside-flag-limits", "heart_rate")]


def test_a_part_is_never_wider_than_what_its_limits_hold() -> None:
    for vital in vocabulary.vitals():
        for part in AGES:
            whole, own = (vocabulary.limits("proposal", name, vital) for name in (part.partition(":")[0], part))
            if whole is None or own is None:
                continue
            assert own.hold == whole.hold
            assert own.flag is not None
            assert own.hold is not None
            assert own.hold[0] <= own.flag[0] < own.flag[1] <= own.hold[1], (vital, part)
    assert vocabulary.limits("proposal", "child:1-4", "heart_rate").flag == (Fraction(61), Fraction(169))  # type: ignore[union-attr]
    assert {part.partition(":")[0] for part in AGES} < set(CATEGORIES)


@pytest.mark.parametrize(
    ("table", "what"),
    [
        (
            '[category]\nfixed = "adult"\n[category.born]\ncolumn = "Born"\nformats = ["%Y-%m-%d"]',
            "told by born as well",
        ),
        ('[category.born]\ncolumn = "Born"\nformats = ["%H:%M"]', "not the format of a day"),
        ('[category.born]\ncolumn = "Born"', "formats"),
        ('[category.age]\ncolumn = "Born"\nunit = "weeks"', "weeks"),
    ],
)
def test_mistakes_are_told(table: str, what: str, tmp_path: Path) -> None:
    with pytest.raises(MappingError, match=what):
        told(tmp_path, WIDE.replace('[category]\nfixed = "adult"', table), "")
