"""Patients whom an export knows by name and birth date only: a crosswalk says whose they are."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.errors import InputError, MappingError, UsageError
from gateway.identity import Crosswalk
from gateway.ledger import open_ledger
from tests.conversion.conversion_kit import LONG, WIDE, fhir_facts, findings, run

MAPPING = WIDE.replace('column = "Who"\n', "").replace(
    "[device]", '[patient.crosswalk]\ncolumns = ["Name", "Born"]\n[device]', 1
)
HEADER = "When,Name,Born,On,Sys,Dia,HR,SpO2,Temp,Weight"
VALUES = "M1,121,79,64,97,36.6,70"
PEOPLE = [
    "Name,Born,patient",
    "Invented Alpha,1948-03-02,P-0001",
    "Invented Beta,1950-01-01,P-0002",
    '"Invented, Gamma",1950-01-01,P-0003',
    "Invented Delta,1960-01-01,P-0004",
    "Invented Delta,1960-01-01,P-0005",
    "Invented Delta,1961-01-01,P-0006",
    "Invented Alpha,1948-03-02,P-0001",
]


def told(
    folder: Path,
    rows: list[str],
    people: list[str] | None = PEOPLE,
    mapping: str = MAPPING,
    out: str = "out",
    **more: Any,
) -> list[tuple[int, str]]:
    (folder / "a.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    if people is not None:
        (folder / "people.csv").write_text("\n".join(people) + "\n", encoding="utf-8")
        more["associations"] = folder / "people.csv"
    run(folder, [folder / "a.csv"], mapping, out, **more)
    return [(int(each["line"] or 0), each["rule"]) for each in findings(folder / out)]


def test_all_columns_must_agree(tmp_path: Path) -> None:
    rows = [HEADER] + [
        f"2026-03-14 {9 + at:02}:00,{who},{VALUES}"
        for at, who in enumerate([
            " Invented Alpha ,1948-03-02",
            "Invented Alpha,1948-02-03",  # the day and the month exchanged
            "invented alpha,1948-03-02",
            "Invented Beta,",
            '"Invented, Gamma",1950-01-01',
            "Invented Delta,1960-01-01",
            "Invented Delta,1961-01-01",
            ",1950-01-01",
        ])
    ]  # fmt: skip
    assert told(tmp_path, rows) == [
        (3, "crosswalk-none"), (4, "crosswalk-none"), (5, "patient-missing"), (7, "crosswalk-several"),
        (9, "patient-missing"),
    ]  # fmt: skip
    facts = fhir_facts(tmp_path / "out")
    assert {(fact.patient, fact.time[11:13]) for fact in facts} == {
        ("P-0001", "09"),
        ("P-0003", "13"),
        ("P-0006", "15"),
    }
    said = [each["message"] for each in findings(tmp_path / "out") if each["rule"].startswith("crosswalk")]
    assert said == [
        "No line of the crosswalk agrees in all that is said of the patient; 1 of its lines differ in one column",
        "No line of the crosswalk agrees in all that is said of the patient; 1 of its lines differ in one column",
        "The crosswalk names 2 patients of whom all this is said",
    ]
    # Nobody's name or birth date is in the report or in the findings.
    for path in (tmp_path / "out").rglob("*"):
        if path.is_file() and path.suffix in (".json", ".csv", ".html") and "fhir" not in path.name:
            assert "Invented" not in path.read_text(encoding="utf-8"), path.name


def test_rows_of_a_long_export_are_of_one_set_where_the_person_is_the_same(tmp_path: Path) -> None:
    mapping = LONG.replace('column = "Who"\n', "").replace(
        "[device]", '[patient.crosswalk]\ncolumns = ["Name", "Born"]\n[device]', 1
    )
    rows = [
        "When;Name;Born;On;What;Value;Unit",
        "2026-03-14 09:30;Invented Delta;1961-01-01;M1;Sys;121;mmHg",
        "2026-03-14 09:30;Invented Delta;1961-01-01;M1;Dia;79;mmHg",
        "2026-03-14 09:30;Invented Beta;1950-01-01;M2;HR;64;/min",
        "2026-03-14 09:31;Invented Delta;1960-01-01;M3;HR;65;/min",
    ]
    assert told(tmp_path, rows, mapping=mapping) == [(5, "crosswalk-several")]
    facts = {(fact.patient, fact.vital) for fact in fhir_facts(tmp_path / "out")}
    assert {("P-0006", "systolic"), ("P-0006", "diastolic"), ("P-0002", "heart_rate")} <= facts


def test_what_is_held_is_recorded_when_the_crosswalk_says_who_it_is(tmp_path: Path) -> None:
    rows = [HEADER, f"2026-03-14 09:00,Invented Omega,1948-03-02,{VALUES}",
            f"2026-03-14 10:00,Invented Delta,1960-01-01,{VALUES}"]  # fmt: skip
    ledger = tmp_path / "ledger.db"
    assert told(tmp_path, rows, ledger=ledger) == [(2, "crosswalk-none"), (3, "crosswalk-several")]
    with open_ledger(ledger) as known:
        several = next(hold.id for hold in known.holds() if hold.reasons == "crosswalk-several")
        known.settle([several], "assign", "P-0005", "N. Ole", "looked at the wristband", at=datetime.now(UTC))
    people = [*PEOPLE, "Invented Omega,1948-03-02,P-0009"]
    (tmp_path / "people.csv").write_text("\n".join(people) + "\n", encoding="utf-8")
    again = run(tmp_path, [], MAPPING, "again", ledger=ledger, associations=tmp_path / "people.csv")
    assert again.report.batch.holds is not None
    assert again.report.batch.holds.released == 2
    assert {fact.patient for fact in fhir_facts(tmp_path / "again")} == {"P-0009", "P-0005"}


def test_a_name_where_a_value_belongs_is_not_quoted(tmp_path: Path) -> None:
    row = "2026-03-14 09:00,Invented Alpha,1948-03-02,M1,Invented Alpha,79,64,1948-03-02,36.6,70"
    told(tmp_path, [HEADER, row])
    said = [each["message"] for each in findings(tmp_path / "out")]
    assert len(said) >= 2
    assert not [text for text in said if "Invented" in text or "1948" in text]


@pytest.mark.parametrize(
    ("people", "what"),
    [
        (["Name,patient", "Invented Alpha,P-0001"], "has no column born"),
        (["device,patient,from,to,established,by"], "has no column name, born"),
        ([*PEOPLE[:2], "Invented Beta,,P-0002"], r"line 3: born is empty"),
        ([*PEOPLE[:2], "Invented Beta"], "line 3: it has 1 cells and needs 3"),
        ([*PEOPLE[:2], 'Invented "Beta",1950-01-01,"P-0002'], "quote"),
        (
            [PEOPLE[0] + ",system", "Invented Alpha,1948-03-02,P-0001,https://other.example.org"],
            "line 2: no identifier",
        ),
    ],
)
def test_a_crosswalk_that_cannot_be_used_stops_everything(people: list[str], what: str, tmp_path: Path) -> None:
    with pytest.raises(InputError, match=what) as raised:
        told(tmp_path, [HEADER, f"2026-03-14 09:00,Invented Alpha,1948-03-02,{VALUES}"], people)
    assert "Alpha" not in f"{raised.value}"
    assert "Beta" not in f"{raised.value}"


def test_without_one_it_says_what_to_give(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="knows patients by a crosswalk") as raised:
        told(tmp_path, [HEADER], None)
    assert "--associations" in f"{raised.value}"


@pytest.mark.parametrize(
    ("old", "new", "what"),
    [
        ('["Name", "Born"]', '["Name"]', "crosswalk.columns"),
        ("[patient.crosswalk]", 'column = "Who"\n[patient.crosswalk]', "nothing to look up"),
        ('["Name", "Born"]', '["Name", "When"]', "already"),
    ],
)
def test_mistakes_in_the_mapping(old: str, new: str, what: str, tmp_path: Path) -> None:
    with pytest.raises(MappingError, match=what):
        told(tmp_path, [HEADER], mapping=MAPPING.replace(old, new))


WORDS = st.sampled_from(["Alpha", "Beta", "Gamma"])
DAYS = st.sampled_from(["1948-03-02", "1948-02-03", "1950-01-01"])


@settings(max_examples=200)
@given(st.lists(st.tuples(WORDS, DAYS, st.sampled_from(["P-1", "P-2", "P-3"])), max_size=8), WORDS, DAYS)
def test_it_names_a_patient_only_where_no_other_can_be_meant(
    lines: list[tuple[str, str, str]], name: str, born: str
) -> None:
    people: dict[tuple[str, ...], list[tuple[str, str]]] = {}
    for word, day, patient in lines:
        people.setdefault((word, day), []).append(("", patient))
    meant = {patient for word, day, patient in lines if (word, day) == (name, born)}
    found = Crosswalk(people).who((name, born))
    assert found.patient == (meant.pop() if len(meant) == 1 else "")
    assert bool(found.rule) == (not found.patient)
