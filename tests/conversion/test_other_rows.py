"""Long exports that hold more than measurements: rows of other kinds, rows without a value, rows with a status."""

from __future__ import annotations

from pathlib import Path

import pytest

from gateway.errors import InputError, MappingError
from gateway.model import LineKind
from tests.conversion.conversion_kit import GOOD_ROW, LONG, LONG_HEADER, WIDE, WIDE_HEADER, fhir_facts, findings, run

HEADER = f"{LONG_HEADER};Kind;State"
SET = "2026-03-14 09:30;P-0007;M1"
ONLY = LONG.replace('layout = "long"', 'layout = "long"\nonly = { column = "Kind", values = ["VITALS", "VS"] }')
STATUS = LONG.replace(
    'layout = "long"',
    'layout = "long"\nstatus_column = "State"\n'
    'statuses = { "DONE" = "obtained", "NOT DONE" = "not-performed", "REFUSED" = "asked-declined" }',
)


def told(folder: Path, mapping: str, *rows: str) -> tuple[list[tuple[int, str]], dict[str, str], dict[str, int]]:
    """Converts rows; gives what is noticed, the values by vital, and the readings by outcome."""
    (folder / "a.csv").write_text("\n".join([HEADER, *rows]) + "\n", encoding="utf-8")
    batch = run(folder, [folder / "a.csv"], mapping)
    noticed = [(int(each["line"]), each["rule"]) for each in findings(folder / "out")]
    all_ = batch.report.reckoning.readings.all
    counts = {name: getattr(all_, name) for name in ("recorded", "held", "repeat", "absent", "unreadable")}
    assert sum(counts.values()) == all_.total
    return noticed, {fact.vital: fact.value for fact in fhir_facts(folder / "out")}, counts


def test_rows_of_other_kinds_are_left_out_and_counted(tmp_path: Path) -> None:
    rows = [
        f"{SET};Sys;121;mmHg;VITALS;", f"{SET};Glucose;5.4;mmol/L;LAB;", f"{SET};Dia;79;mmHg;VS;",
        f"{SET};Comment;slept well;;TEXT;", "2026-03-14 10:30;P-0007;M1;HR;64;/min;VITALS;",
    ]  # fmt: skip
    noticed, values, counts = told(tmp_path, ONLY, *rows)
    assert noticed == []
    # The rows between them do not part the two values of one blood pressure.
    assert values == {"systolic": "121", "diastolic": "79", "heart_rate": "64"}
    assert counts["recorded"] == 3


@pytest.mark.parametrize("quoted", [False, True])
def test_left_out_rows_have_a_line_of_their_own_in_the_reckoning(tmp_path: Path, quoted: bool) -> None:
    label = '"Glu;cose"' if quoted else "Glucose"
    rows = [f"{SET};Sys;121;mmHg;VITALS;", f"{SET};{label};5.4;;LAB;", f"{SET};Dia;79;mmHg;VITALS;", ""]
    (tmp_path / "a.csv").write_text("\n".join([HEADER, *rows]), encoding="utf-8")
    report = run(tmp_path, [tmp_path / "a.csv"], ONLY).report
    kinds = report.reckoning.lines.kinds
    assert {kind: count for kind, count in kinds.items() if count} == {
        LineKind.HEADER: 1, LineKind.ENTRY: 2, LineKind.LEFT_OUT: 1,
    }  # fmt: skip


def test_of_a_wide_export_as_well(tmp_path: Path) -> None:
    mapping = WIDE.replace('layout = "wide"', 'layout = "wide"\nonly = { column = "Kind", values = ["spot"] }')
    text = f"{WIDE_HEADER},Kind\n{GOOD_ROW},spot\n{GOOD_ROW.replace('09:30', '09:40')},monitor\n"
    (tmp_path / "a.csv").write_text(text, encoding="utf-8")
    report = run(tmp_path, [tmp_path / "a.csv"], mapping).report
    assert report.reckoning.lines.kinds[LineKind.LEFT_OUT] == 1
    assert report.reckoning.recorded_sets == 1


def test_an_export_without_the_column_is_not_read(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text(f"{LONG_HEADER}\n{SET};Sys;121;mmHg\n", encoding="utf-8")
    with pytest.raises(InputError, match="lacks 'Kind'"):
        run(tmp_path, [tmp_path / "a.csv"], ONLY)


def test_a_row_without_a_value_is_counted(tmp_path: Path) -> None:
    rows = [f"{SET};Sys;121;mmHg;;", f"{SET};Dia;;mmHg;;", f"{SET};HR; ;/min;;"]
    noticed, values, counts = told(tmp_path, LONG, *rows)
    assert noticed == [(3, "value-blank"), (4, "value-blank")]
    assert values == {"systolic": "121"}
    assert counts == {"recorded": 1, "held": 0, "repeat": 0, "absent": 2, "unreadable": 0}


def test_a_blank_row_says_nothing_against_one_with_a_value(tmp_path: Path) -> None:
    rows = [f"{SET};HR;;/min;;", f"{SET};HR;64;/min;;", f"{SET};HR;;/min;;"]
    _, values, counts = told(tmp_path, LONG, *rows)
    assert values == {"heart_rate": "64"}
    assert counts == {"recorded": 1, "held": 0, "repeat": 2, "absent": 0, "unreadable": 0}


def test_a_status_gives_the_reason_why_there_is_no_value(tmp_path: Path) -> None:
    rows = [f"{SET};Sys;121;mmHg;;DONE", f"{SET};Dia;;mmHg;;NOT DONE", f"{SET};HR;64;/min;;", f"{SET};SpO2;;%;;REFUSED"]
    noticed, values, counts = told(tmp_path, STATUS, *rows)
    assert noticed == [(3, "absent-declared"), (5, "absent-declared")]
    assert values == {"systolic": "121", "heart_rate": "64"}
    assert counts == {"recorded": 2, "held": 0, "repeat": 0, "absent": 2, "unreadable": 0}
    (bundle,) = (tmp_path / "out" / "fhir").glob("*.json")
    # Source: http://terminology.hl7.org/CodeSystem/data-absent-reason, FHIR R4.
    assert '"not-performed"' in bundle.read_text(encoding="utf-8")


def test_a_value_and_a_status_that_denies_it_are_held(tmp_path: Path) -> None:
    noticed, values, counts = told(tmp_path, STATUS, f"{SET};HR;64;/min;;NOT DONE", f"{SET};SpO2;97;%;;LATE")
    assert noticed == [(2, "status-against-value"), (3, "undeclared-status")]
    assert values == {}
    assert counts["held"] == 2


MISTAKES = [
    ('only = { column = "Kind", values = [] }', "no rows are meant"),
    ('only = { column = "Kind" }', "values"),
    ('status_column = "State"', "nothing says what the texts"),
    ('statuses = { "DONE" = "obtained" }', "no column holds these texts"),
    ('status_column = "State"\nstatuses = { "DONE" = "done" }', "not-performed"),
]


@pytest.mark.parametrize(("key", "what"), MISTAKES)
def test_mistakes_are_told_at_their_line(tmp_path: Path, key: str, what: str) -> None:
    with pytest.raises(MappingError) as caught:
        told(tmp_path, LONG.replace('layout = "long"', f'layout = "long"\n{key}'), f"{SET};HR;64;/min;;")
    (problem,) = caught.value.problems
    assert "line " in (problem.where or "")
    assert what in f"{problem.what} {problem.todo}"
