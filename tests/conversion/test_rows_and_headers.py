"""A cell never reaches a vital other than its column's, whatever is done to the separators of a row."""

from __future__ import annotations

import tempfile
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.errors import InputError
from tests.conversion.conversion_kit import (
    GOOD_ROW,
    LONG,
    LONG_HEADER,
    WIDE,
    WIDE_HEADER,
    fhir_facts,
    findings,
    run,
)


def converted(folder: Path, text: str, mapping: str) -> list[tuple[int, str]]:
    """Converts an export; gives what is noticed, as line and rule."""
    (folder / "a.csv").write_text(text, encoding="utf-8")
    run(folder, [folder / "a.csv"], mapping)
    return [(int(each["line"]), each["rule"]) for each in findings(folder / "out")]


def test_a_set_that_lost_a_row_is_held_whole(tmp_path: Path) -> None:
    rows = [
        "2026-03-14 09:30;P-0007;M1;Sys;121;mmHg",
        "2026-03-14 09:30;P-0007;M1;Dia;79;mmHg;",
        "2026-03-14 09:30;P-0007;M1;HR;64;/min",
        "2026-03-14 10:30;P-0007;M1;HR;65;/min",
    ]
    told = converted(tmp_path, "\n".join([LONG_HEADER, *rows]) + "\n", LONG)
    assert told == [(3, "row-ragged"), (2, "set-lost-a-row")]
    assert [(fact.vital, fact.value) for fact in fhir_facts(tmp_path / "out")] == [("heart_rate", "65")]


def test_joined_exports_are_read_by_their_own_headers(tmp_path: Path) -> None:
    swapped = "When,Who,On,Dia,Sys,SpO2,HR,Temp,Weight"
    row = "2026-03-14 10:30,P-0007,M1,80,122,98,65,36.9,71.5"
    told = converted(tmp_path, "\n".join([WIDE_HEADER, GOOD_ROW, swapped, row]) + "\n", WIDE)
    assert told == [(3, "header-changed")]
    found = {(fact.vital, fact.value) for fact in fhir_facts(tmp_path / "out")}
    assert {("systolic", "122"), ("diastolic", "80"), ("heart_rate", "65"), ("spo2", "98")} <= found


COLUMNS = WIDE_HEADER.split(",")
VALUES = {
    "systolic": "Sys",
    "diastolic": "Dia",
    "heart_rate": "HR",
    "spo2": "SpO2",
    "temperature": "Temp",
    "weight": "Weight",
}


@st.composite
def spoilt(draw: st.DrawFn) -> tuple[str, dict[str, dict[str, str]]]:
    """An export in which one thing is done to the separators of some rows; and patient -> column -> cell as it was."""
    rows, truth = [], {}
    for number in range(draw(st.integers(1, 8))):
        # Numbers that would be good ones in each other's columns.
        cells = [f"2026-03-14 09:{number:02}", f"P-{number:04}", "M1"]
        cells += [str(draw(st.integers(60, 99))) for _ in COLUMNS[3:-2]] + ["36.5", "71"]
        cells = ["" if at > 2 and draw(st.integers(0, 5)) == 0 else cell for at, cell in enumerate(cells)]
        own = truth[cells[1]] = dict(zip(COLUMNS, cells, strict=True))
        at = draw(st.integers(0, len(cells) - 1))
        match draw(st.sampled_from(["", "insert", "drop", "blank", "quote", "open", "close", "end", "comma"])):
            case "insert":
                cells.insert(at, "")
            case "drop":
                cells[at : at + 2] = ["".join(cells[at : at + 2])]
            case "blank" if at > 2:
                cells[at], own[COLUMNS[at]] = " ", ""
            case "quote":
                cells[at] = f'"{cells[at]}"'
            case "open":
                cells[at] = f'"{cells[at]}'
            case "close" if at != 1:  # there it is a patient of another name
                cells[at] = f'{cells[at]}"'
            case "end":
                cells.append("")
            case "comma":
                cells[-2:] = ["36", "5", *cells[-1:]]
        rows.append(",".join(cells))
    return "\n".join([WIDE_HEADER, *rows]) + "\n", truth


@settings(max_examples=150)
@given(spoilt())
def test_no_cell_reaches_another_vital_or_patient(made: tuple[str, dict[str, dict[str, str]]]) -> None:
    text, truth = made
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "a.csv").write_text(text, encoding="utf-8")
        batch = run(Path(folder), [Path(folder) / "a.csv"], WIDE)
        for fact in fhir_facts(Path(folder) / "out"):
            assert Decimal(fact.value) == Decimal(truth[fact.patient][VALUES[fact.vital]])
        assert batch.report.reckoning.lines.read == len(text.split("\n")) - 1


@pytest.mark.parametrize("cut", [None, 81])
def test_utf_16_without_a_mark_is_told(tmp_path: Path, cut: int | None) -> None:
    (tmp_path / "a.csv").write_bytes(f"{WIDE_HEADER}\n{GOOD_ROW}\n".encode("utf-16-le")[:cut])
    mapping = WIDE.replace('layout = "wide"', 'layout = "wide"\nencoding = "utf-16"')
    with pytest.raises(InputError, match="does not begin with a byte order mark") as told:
        run(tmp_path, [tmp_path / "a.csv"], mapping)
    assert told.value.where.endswith("a.csv")
    assert "utf-16-le" in told.value.todo
    (tmp_path / "b.csv").write_bytes(f"{WIDE_HEADER}\n{GOOD_ROW}\n".encode("utf-16-le"))
    run(tmp_path, [tmp_path / "b.csv"], mapping.replace('"utf-16"', '"utf-16-le"'), "le")
    assert len(fhir_facts(tmp_path / "le")) == 6


@settings(max_examples=60)
@given(spoilt(), st.integers(0, len(COLUMNS)), st.integers(0, len(COLUMNS)), st.sampled_from(["", "Ward"]))
def test_nor_where_the_header_itself_has_a_separator_too_many(
    made: tuple[str, dict[str, dict[str, str]]], at: int, too: int, name: str
) -> None:
    """Rows that are whole, one with a cell too many at another place, and one spoilt in any way."""
    whole = ["2026-03-14 11:00", "P-0100", "M1", "121", "79", "64", "98", "36.5", "71"][: len(COLUMNS)]
    truth = {**made[1], "P-0100": dict(zip(COLUMNS, whole, strict=True))}
    head, more = list(COLUMNS), list(whole)
    head.insert(at, name)
    more.insert(too, "")
    rows = [*[",".join(whole)] * 3, ",".join(more), made[0].split("\n")[1]]
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "a.csv").write_text("\n".join([",".join(head), *rows]) + "\n", encoding="utf-8")
        run(Path(folder), [Path(folder) / "a.csv"], WIDE)
        for fact in fhir_facts(Path(folder) / "out"):
            assert Decimal(fact.value) == Decimal(truth[fact.patient][VALUES[fact.vital]])
