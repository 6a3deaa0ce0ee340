"""Nothing is invented: every value in the records is a cell of the export, and every plain cell is in the records."""

from __future__ import annotations

import shutil
import tempfile
from dataclasses import dataclass
from pathlib import Path

import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from gateway.model import Outcome
from tests.conversion.conversion_kit import (
    LONG,
    LONG_HEADER,
    UNITS,
    WIDE,
    WIDE_HEADER,
    Fact,
    fhir_facts,
    oru_facts,
    run,
    written,
)

LABELS = dict(zip(UNITS, ("Sys", "Dia", "HR", "SpO2", "Temp", "Weight"), strict=True))
EXPORTED = dict(zip(UNITS, ("mmHg", "mmHg", "/min", "%", "C", "kg"), strict=True))


@dataclass(frozen=True)
class Cell:
    """A cell as it is exported, with what has to become of it."""

    text: str
    outcome: Outcome | None


def _whole(low: int, high: int) -> st.SearchStrategy[Cell]:
    return st.integers(low, high).map(lambda number: Cell(str(number), Outcome.RECORDED))


def _tenths(low: int, high: int) -> st.SearchStrategy[Cell]:
    return st.integers(low, high).map(lambda number: Cell(f"{number // 10}.{number % 10}", Outcome.RECORDED))


PLAIN = {
    "systolic": _whole(100, 180),
    "diastolic": _whole(50, 85),
    "heart_rate": _whole(50, 110),
    "spo2": _whole(85, 100),
    "temperature": _tenths(355, 399),
    "weight": _tenths(450, 1200),
}
ODD = st.one_of(
    st.just(Cell("", None)),
    st.just(Cell("--", Outcome.ABSENT)),
    st.integers(0, 99).map(lambda number: Cell(f"Zq{number}w", Outcome.HELD)),
    st.integers(81_000, 89_000).map(lambda number: Cell(str(number), Outcome.HELD)),
    st.sampled_from(["1e2", "+72", "72,5", "7 2", "٣٧", "1.2.3", ">90", "72 kPa", "-", "nan", "0x48"]).map(
        lambda text: Cell(text, Outcome.HELD)
    ),
)


@st.composite
def _sets(draw: st.DrawFn) -> list[tuple[int, str, str, dict[str, Cell]]]:
    """Sets as (minute of the day, patient, device, cells by vital); the minute identifies the set."""
    minutes = draw(st.lists(st.integers(0, 1439), min_size=1, max_size=6, unique=True))
    return [
        (
            minute,
            draw(st.sampled_from(["0007", "7", "P 1", "Q&A|x^y~z\\", "é-12"])),
            draw(st.sampled_from(["M1", "m-02"])),
            {vital: draw(st.one_of(PLAIN[vital], ODD)) for vital in UNITS},
        )
        for minute in minutes
    ]


def _expected(
    sets: list[tuple[int, str, str, dict[str, Cell]]],
    layout: str,
) -> tuple[list[Fact], dict[tuple[str, Outcome], int]]:
    """What has to be recorded, and how many readings have each outcome; a row without a value is a reading as well."""
    facts: list[Fact] = []
    counts: dict[tuple[str, Outcome], int] = {}
    for minute, patient, device, cells in sets:
        waiting = Outcome.HELD in (cells["systolic"].outcome, cells["diastolic"].outcome)
        for vital, cell in cells.items():
            outcome = cell.outcome
            if outcome is None:
                if layout == "long":
                    counts[vital, Outcome.ABSENT] = counts.get((vital, Outcome.ABSENT), 0) + 1
                continue
            if outcome is Outcome.RECORDED and waiting and vital in ("systolic", "diastolic"):
                outcome = Outcome.HELD
            counts[vital, outcome] = counts.get((vital, outcome), 0) + 1
            if outcome is Outcome.RECORDED:
                when = f"2026-03-14T{minute // 60:02d}:{minute % 60:02d}:00-05:00"
                facts.append(Fact(patient, device, when, vital, cell.text, UNITS[vital]))
    return sorted(facts), counts


def _when(minute: int) -> str:
    return f"2026-03-14 {minute // 60:02d}:{minute % 60:02d}"


def _wide(sets: list[tuple[int, str, str, dict[str, Cell]]]) -> str:
    lines = [WIDE_HEADER]
    for minute, patient, device, cells in sets:
        values = [f'"{cell.text}"' if "," in cell.text else cell.text for cell in cells.values()]
        lines.append(",".join([_when(minute), patient, device, *values]))
    return "\n".join([*lines, ""])


def _long(sets: list[tuple[int, str, str, dict[str, Cell]]]) -> str:
    lines = [LONG_HEADER]
    for minute, patient, device, cells in sets:
        for vital, cell in cells.items():
            lines.append(";".join([_when(minute), patient, device, LABELS[vital], cell.text, EXPORTED[vital]]))
    return "\n".join([*lines, ""])


@pytest.mark.parametrize("layout", ["wide", "long"])
@given(sets=_sets())
@settings(max_examples=25, phases=[Phase.generate])  # a whole conversion each: shrinking would take minutes
def test_records_hold_exactly_the_plain_cells(layout: str, sets: list[tuple[int, str, str, dict[str, Cell]]]) -> None:
    tmp = Path(tempfile.mkdtemp())
    try:
        export = tmp / "export.csv"
        export.write_text(_wide(sets) if layout == "wide" else _long(sets), encoding="utf-8")
        batch = run(tmp, [export], WIDE if layout == "wide" else LONG, as_="both", bundle="ndjson")
        facts, counts = _expected(sets, layout)
        assert fhir_facts(tmp / "out") == facts
        assert [_as_dtm(fact) for fact in facts] == oru_facts(tmp / "out")
        rows = {row.vital: row for row in batch.report.reckoning.readings.rows}
        for vital in UNITS:
            for outcome in Outcome:
                counted = getattr(rows[vital], outcome.value) if vital in rows else 0
                assert counted == counts.get((vital, outcome), 0), (vital, outcome)
        everything = b"".join(written(tmp / "out").values()).decode()
        for _, _, _, cells in sets:
            for cell in cells.values():
                if cell.text.startswith("Zq") or (cell.outcome is Outcome.HELD and len(cell.text) > 3):
                    assert cell.text not in everything
    finally:
        shutil.rmtree(tmp)


def _as_dtm(fact: Fact) -> Fact:
    moment = fact.time.removesuffix(":00-05:00").translate({ord(mark): None for mark in "-T:"}) + "-0500"
    return Fact(fact.patient, fact.device, moment, fact.vital, fact.value, fact.unit)
