"""Spreadsheets are read as the CSV of their rows. The reference for what is in them is openpyxl, which writes them."""

# ruff: noqa: DTZ001 (what is in a cell is a clock on the wall)

from __future__ import annotations

import csv
import gzip
import io
from datetime import date, datetime, time
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from openpyxl import Workbook

from gateway.adapters._sheets import as_text
from gateway.authoring.draft import draft
from gateway.conversion import convert
from gateway.conversion.options import load_mapping
from gateway.errors import InputError, MappingError
from gateway.ledger import open_ledger
from gateway.mapping.forms.delimited import Delimited
from tests.conversion.conversion_kit import DEMO, LONG, WIDE, WIDE_HEADER, fhir_facts, findings, run

TIMED = WIDE.replace('formats = ["%Y-%m-%d %H:%M"]', 'formats = ["iso-8601"]')
ROWS: list[list[Any]] = [
    WIDE_HEADER.split(","),
    [datetime(2026, 3, 14, 9, 30), "P-0007", "M1", 121, 79, 64, 97, 36.6, 70.5],
    [datetime(2026, 3, 14, 9, 40, 17), "0042", "M1", 122, 78, None, 98, 37.0, None],
]


def book(*sheets: tuple[str, list[list[Any]]], top: int = 0, left: int = 0) -> bytes:
    made = Workbook()
    made.remove(made.active)
    for name, rows in sheets:
        sheet = made.create_sheet(name)
        for down, row in enumerate(rows, start=top + 1):
            for across, value in enumerate(row, start=left + 1):
                sheet.cell(down, across, value)
    out = io.BytesIO()
    made.save(out)
    return out.getvalue()


def keyed(mapping: str, keys: str) -> str:
    return mapping.replace("layout = ", f"{keys}\nlayout = ", 1)


@pytest.mark.parametrize("workers", [1, 2])
def test_values_are_those_of_the_cells(tmp_path: Path, workers: int) -> None:
    # What it is called says nothing about what it is.
    (tmp_path / "list.csv").write_bytes(book(("Readings", ROWS)))
    batch = run(tmp_path, [tmp_path / "list.csv"], TIMED, workers=workers)
    facts = {(fact.patient, fact.time, fact.vital): fact.value for fact in fhir_facts(tmp_path / "out")}
    assert facts["P-0007", "2026-03-14T09:30:00-05:00", "temperature"] == "36.6"
    assert facts["0042", "2026-03-14T09:40:17-05:00", "temperature"] == "37"
    assert len(facts) == 10
    assert findings(tmp_path / "out") == []
    assert batch.report.reckoning.lines.total == batch.report.reckoning.lines.read == 3


def test_lines_are_the_rows_of_the_sheet(tmp_path: Path) -> None:
    rows = [["Spot checks"], [], *ROWS]
    rows[-1][3] = "??"
    (tmp_path / "a.xlsx").write_bytes(gzip.compress(book(("Readings", rows))))
    run(tmp_path, [tmp_path / "a.xlsx"], TIMED, ledger=tmp_path / "ward.db")
    assert {int(each["line"]) for each in findings(tmp_path / "out")} == {5}
    with open_ledger(tmp_path / "ward.db") as ledger:
        assert [hold.line for hold in ledger.holds()] == [5]
    rows[-1][3] = 122


def test_of_several_sheets_one_is_named(tmp_path: Path) -> None:
    (tmp_path / "a.xlsx").write_bytes(book(("Cover", [["x"]]), ("Ward 3", ROWS)))
    with pytest.raises(InputError, match="has 2 sheets: 'Cover', 'Ward 3'"):
        run(tmp_path, [tmp_path / "a.xlsx"], TIMED)
    with pytest.raises(InputError, match="has no sheet 'Ward 4'"):
        run(tmp_path, [tmp_path / "a.xlsx"], keyed(TIMED, 'sheet = { name = "Ward 4" }'))
    run(tmp_path, [tmp_path / "a.xlsx"], keyed(TIMED, 'sheet = { name = "Ward 3" }'))
    assert len(fhir_facts(tmp_path / "out")) == 10


def test_a_range_leaves_out_what_is_around_it(tmp_path: Path) -> None:
    around = [["n", *row, "z"] for row in ROWS]
    rows = [["Title"], *around, ["n", datetime(2026, 3, 14, 9, 50), "P-1", "M1", 123, 77, 66, 99, 36.5, 70]]
    (tmp_path / "a.xlsx").write_bytes(book(("S", rows)))
    run(tmp_path, [tmp_path / "a.xlsx"], keyed(TIMED, 'sheet = { range = "B2:J4" }'))
    assert len(fhir_facts(tmp_path / "out")) == 10


def test_a_long_sheet_in_any_order(tmp_path: Path) -> None:
    when = datetime(2026, 3, 14, 9, 30)
    rows: list[list[Any]] = [["When", "Who", "On", "What", "Value", "Unit"], [when, "P-1", "M1", "Sys", 121, "mmHg"],
            [when, "P-2", "M1", "HR", 64, "/min"], [when, "P-1", "M1", "Dia", 79, "mmHg"]]  # fmt: skip
    (tmp_path / "a.xlsx").write_bytes(book(("S", rows)))
    mapping = LONG.replace('"%Y-%m-%d %H:%M"', '"iso-8601"').replace(
        'layout = "long"', 'layout = "long"\norder = "any"'
    )
    run(tmp_path, [tmp_path / "a.xlsx"], mapping)
    assert {fact.vital for fact in fhir_facts(tmp_path / "out")} == {"systolic", "diastolic", "heart_rate"}


def test_a_number_that_lost_its_digits_is_nobody(tmp_path: Path) -> None:
    rows = [ROWS[0], [*ROWS[1][:1], 1234567890123456789, *ROWS[1][2:]]]
    (tmp_path / "a.xlsx").write_bytes(book(("S", rows)))
    run(tmp_path, [tmp_path / "a.xlsx"], TIMED)
    assert [each["rule"] for each in findings(tmp_path / "out")] == ["patient-nobody"]


@pytest.mark.parametrize(
    "spoil", [lambda data: data[:2000], lambda data: data[:60] + bytes(len(data) - 120) + data[-60:]]
)
def test_one_that_is_damaged_is_refused(tmp_path: Path, spoil: Any) -> None:
    (tmp_path / "a.xlsx").write_bytes(spoil(book(("S", ROWS))))
    with pytest.raises(InputError, match="no spreadsheet that can be read") as caught:
        run(tmp_path, [tmp_path / "a.xlsx"], TIMED)
    assert caught.value.where == str(tmp_path / "a.xlsx")


def test_a_mapping_of_another_form_says_so(tmp_path: Path) -> None:
    (tmp_path / "a.xlsx").write_bytes(book(("S", ROWS)))
    with pytest.raises(InputError, match="This is a spreadsheet"):
        convert([tmp_path / "a.xlsx"], DEMO / "ward-listing" / "mapping.toml", tmp_path / "out")


@pytest.mark.parametrize("text", ["b4:k5", "B4", "B0:C3", "B4-K5"])
def test_a_range_that_is_none_is_told(text: str) -> None:
    with pytest.raises(MappingError) as caught:
        load_mapping(keyed(TIMED, f'sheet = {{ range = "{text}" }}'))
    assert "is no range of cells" in caught.value.problems[0].what


def test_a_draft_is_made_of_one(tmp_path: Path) -> None:
    (tmp_path / "a.xlsx").write_bytes(book(("S", ROWS)))
    assert 'column = "Sys"' in draft(tmp_path / "a.xlsx")


_CELL = st.one_of(
    st.none(), st.integers(-10**12, 10**12), st.booleans(),
    st.decimals(-1000, 1000, places=2).map(float),
    st.datetimes(datetime(1950, 1, 1), datetime(2099, 1, 1)).map(lambda each: each.replace(microsecond=0)),
    st.dates(date(1950, 1, 1), date(2099, 1, 1)),
    st.times().map(lambda each: each.replace(microsecond=0)).filter(lambda each: each > time(0, 0, 1)),
    st.text(alphabet="ab ,;\"'é1", max_size=8).filter(lambda text: not text.startswith("=")),
)  # fmt: skip


@settings(max_examples=80, deadline=None)
@given(st.lists(st.lists(_CELL, min_size=2, max_size=4), min_size=1, max_size=5))
def test_every_cell_says_what_was_written_into_it(rows: list[list[Any]]) -> None:
    data = as_text(io.BytesIO(book(("S", rows))), Delimited(layout="wide")).read().decode("utf-8-sig")
    read = list(csv.reader(io.StringIO(data)))
    for down, row in enumerate(rows):
        for across, cell in enumerate(row):
            text = read[down][across] if down < len(read) and across < len(read[down]) else ""
            match cell:
                case None:
                    assert text == ""
                case bool():
                    assert text == str(cell).upper()
                case int() | float():
                    assert float(text) == cell
                    assert not text.endswith(".0")
                case datetime():
                    # Midnight may be a date to a spreadsheet, which keeps a number for both.
                    assert datetime.fromisoformat(text) == cell
                case date() | time():
                    assert text.removesuffix("T00:00:00") == cell.isoformat()
                case _:
                    assert text == cell
