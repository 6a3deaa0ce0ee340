"""Cells that stand elsewhere than in their row: above the header, in a row of units, in the row above."""

from __future__ import annotations

import io
from itertools import takewhile
from pathlib import Path

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from gateway.adapters.delimited import Delimited
from gateway.conversion.options import load_mapping
from gateway.errors import InputError, MappingError
from gateway.ledger import open_ledger
from gateway.mapping import columns
from tests.conversion.conversion_kit import LONG, WIDE, fhir_facts, findings, run


def told(folder: Path, mapping: str, *lines: str, out: str = "out", **options: object) -> list[tuple[int, str]]:
    (folder / "a.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    run(folder, [folder / "a.csv"], mapping, out, **options)
    return [(int(each["line"]), each["rule"]) for each in findings(folder / out)]


ABOVE = (
    WIDE.replace(
        'layout = "wide"',
        "layout = \"wide\"\nabove = ['Serial number[,;: ]*(?P<Serial>[A-Z0-9-]+),*', '(?i)printed (?P<Day>[0-9-]+),*']",
    )
    .replace('column = "On"', 'column = "Serial"')
    .replace('columns = ["When"]', 'columns = ["Day", "When"]')
)
SHEET = [
    "Spot-check list,,,",
    "Serial number,SC-1042,,",
    "PRINTED 2026-03-14,,",
    "",
    "When,Who,Sys,Dia,HR,SpO2,Temp,Weight",
]


def test_cells_above_the_header_are_columns_of_every_row(tmp_path: Path) -> None:
    rows = ["09:30,P-0007,121,79,64,97,36.6,70", "09:40,P-0008,122,78,65,98,36.7,71"]
    assert told(tmp_path, ABOVE, *SHEET, *rows) == []
    facts = fhir_facts(tmp_path / "out")
    assert {(fact.patient, fact.device, fact.time[:16]) for fact in facts} == {
        ("P-0007", "SC-1042", "2026-03-14T09:30"), ("P-0008", "SC-1042", "2026-03-14T09:40"),
    }  # fmt: skip


def test_where_they_are_not_there_the_rows_lack_them(tmp_path: Path) -> None:
    lines = [SHEET[0], SHEET[2], *SHEET[3:], "09:30,P-0007,121,79,64,97,36.6,70"]
    assert told(tmp_path, ABOVE, *lines) == [(5, "device-missing")]


def test_of_a_long_export_too_and_after_holds(tmp_path: Path) -> None:
    mapping = LONG.replace('layout = "long"', "layout = \"long\"\nabove = ['Serial;(?P<Serial>.+)']").replace(
        'column = "On"', 'column = "Serial"'
    )
    lines = ["Serial;SC-1042", "When;Who;What;Value;Unit", "2026-03-14 09:30;P-0007;Sys;121;mmHg",
             "2026-03-14 09:30;P-0007;Dia;79;mmHg", "2026-03-14 09:30;P-0007;HR;640;/min"]  # fmt: skip
    for order in ("by-set", "any"):
        text = mapping.replace("above", f'order = "{order}"\nabove')
        assert [rule for _, rule in told(tmp_path, text, *lines, out=order, ledger=tmp_path / f"{order}.db")]
        assert {fact.device for fact in fhir_facts(tmp_path / order)} == {"SC-1042"}
        with open_ledger(tmp_path / f"{order}.db") as ledger:
            assert [hold.device for hold in ledger.holds()] == ["SC-1042"]
        again = run(tmp_path, [], text, f"{order}-again", ledger=tmp_path / f"{order}.db")
        assert again.report.batch.holds is not None
        assert again.report.batch.holds.taken_up == 1


UNITS = WIDE.replace('layout = "wide"', 'layout = "wide"\nunit_row = true').replace(
    'column = "Temp"\nunit = "Cel"',
    'column = "Temp"\nunit_column = "unit of Temp"\nunits = { "C" = "Cel", "F" = "degF" }',
)
HEADER = "When,Who,On,Sys,Dia,HR,SpO2,Temp,Weight"


@pytest.mark.parametrize(("unit", "text", "value"), [("C", "36.6", "36.6"), ("F", "98.6", "37.0")])
def test_a_row_of_units_says_what_the_values_are_in(tmp_path: Path, unit: str, text: str, value: str) -> None:
    row = f"2026-03-14 09:30,P-0007,M1,121,79,64,97,{text},70"
    assert told(tmp_path, UNITS, HEADER, f",,,mmHg,mmHg,/min,%,{unit},kg", row) == []
    assert {fact.value for fact in fhir_facts(tmp_path / "out") if fact.vital == "temperature"} == {value}


def test_without_it_nothing_is_read(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no row of units"):
        told(tmp_path, UNITS, HEADER, "Total: 5")
    with pytest.raises(InputError, match="below the header stands nothing"):
        told(tmp_path, UNITS, HEADER)


def test_below_a_second_header_the_units_are_not_known(tmp_path: Path) -> None:
    row = "2026-03-14 09:30,P-0007,M1,121,79,64,97,36.6,70"
    lines = [HEADER, ",,,,,,,C,", row, HEADER, ",,,,,,,F,", row.replace("36.6", "98.6")]
    assert told(tmp_path, UNITS, *lines)[0] == (4, "header-lacks-columns")
    assert {fact.value for fact in fhir_facts(tmp_path / "out") if fact.vital == "temperature"} == {"36.6"}


FILLED = WIDE.replace('layout = "wide"', 'layout = "wide"\nfilled = ["Who", "On"]')


def test_a_blank_cell_means_what_the_one_above_says(tmp_path: Path) -> None:
    lines = [HEADER, "2026-03-14 09:30,P-0007,M1,121,79,64,97,36.6,70", "2026-03-14 09:40,,,122,79,64,97,36.6,70",
             "2026-03-14 09:50,P-0008,,123,79,64,97,36.6,70", "2026-03-14 09:55,,M2,124,79,64,97,36.6,70"]  # fmt: skip
    assert told(tmp_path, FILLED, *lines) == []
    facts = {
        (fact.value, fact.patient, fact.device) for fact in fhir_facts(tmp_path / "out") if fact.vital == "systolic"
    }
    assert facts == {("121", "P-0007", "M1"), ("122", "P-0007", "M1"), ("123", "P-0008", "M1"), ("124", "P-0008", "M2")}


def test_below_a_row_that_cannot_be_read_a_blank_is_nobodys(tmp_path: Path) -> None:
    lines = [HEADER, "2026-03-14 09:30,P-0007,M1,121,79,64,97,36.6,70",
             "2026-03-14 09:40,P-0008,M1,122,79,64,97,36,6,70", "2026-03-14 09:50,,,123,79,64,97,36.6,70",
             "2026-03-14 09:55,P-0008,M1,124,79,64,97,36.6,70"]  # fmt: skip
    assert told(tmp_path, FILLED, *lines) == [(3, "row-ragged"), (4, "row-above-lost")]
    pressures = {fact.value: fact.patient for fact in fhir_facts(tmp_path / "out") if fact.vital == "systolic"}
    assert pressures == {"121": "P-0007", "124": "P-0008"}


def test_a_first_row_that_leaves_it_blank_has_none(tmp_path: Path) -> None:
    assert told(tmp_path, FILLED, HEADER, "2026-03-14 09:30,,M1,121,79,64,97,36.6,70") == [(2, "patient-missing")]


@settings(max_examples=40)
@given(
    st.lists(
        st.tuples(st.booleans(), st.sampled_from(["", "ragged", "blank line", "header"])), min_size=1, max_size=40
    ),
    st.integers(80, 600),
)
def test_rows_have_their_own_patient_however_the_export_is_cut(rows: list[tuple[bool, str]], size: int) -> None:
    begun = [what for _, what in takewhile(lambda row: row[1] != "header", rows)]
    assume(2 * begun.count("ragged") <= len(begun))  # else it is the header that is wrong
    lines, owner, current = [HEADER], {}, ""
    for number, (states, what) in enumerate(rows):
        if what == "header":
            lines.append(HEADER)
        elif what == "blank line":
            lines.append("")
        current = f"P-{number:04}" if states else current
        row = f"2026-03-14 09:30,{current if states else ''},M1,121,79,64,97,36.6,70"
        if what == "ragged":
            lines.append(f"{row},9")
            current = "lost"
            continue
        lines.append(row)
        owner[len(lines)] = current
    loaded = load_mapping(FILLED).mapping
    adapter = Delimited(loaded, columns(loaded))
    adapter.block = size
    found, counted = {}, 0
    for block in adapter.blocks(io.BytesIO(("\n".join(lines) + "\n").encode()), 1):
        parsed = adapter.parse(block)
        counted += sum(block.lines.values()) + sum(parsed.lines.values())
        found.update({line: cells[1] for line, cells in parsed.entries})
    assert counted == len(lines)
    assert found == {line: who for line, who in owner.items() if who != "lost"}


MISTAKES = [
    ("above = ['Serial']", "it gives no column"), ("above = ['(?P<a>x*)']", "fits the empty text"),
    ("above = ['a(?P<a>x)', 'b(?P<a>x)']", "given by an earlier line"),
    ('header = false\ncolumns = ["When", "Who", "On", "Sys", "Dia", "HR", "SpO2", "Temp", "Weight"]\nunit_row = true',
     "there is no header"),
    ('filled = ["Who"]\nonly = { column = "Who", values = ["x"] }', "left blank in rows"),
    ('filled = ["Who", "Temp"]', "measured before"),
]  # fmt: skip


@pytest.mark.parametrize(("keys", "what"), MISTAKES)
def test_mistakes_are_told(keys: str, what: str) -> None:
    with pytest.raises(MappingError) as caught:
        load_mapping(WIDE.replace('layout = "wide"', f'layout = "wide"\n{keys}'))
    assert what in caught.value.problems[0].what


FILLED_LONG = LONG.replace('layout = "long"', 'layout = "long"\nfilled = ["When", "Who", "On"]')


def test_in_the_long_layout_the_first_row_of_a_set_may_say_it_all(tmp_path: Path) -> None:
    lines = ["When;Who;On;What;Value;Unit", "2026-03-14 09:30;P-0007;M1;Sys;121;mmHg", ";;;Dia;79;mmHg",
             ";;;HR;64;/min", "2026-03-14 09:40;P-0008;;Sys;122;mmHg", ";;;Dia;;mmHg",
             "2026-03-14 09:50;;M2;HR;65;/min"]  # fmt: skip
    assert told(tmp_path, FILLED_LONG, *lines) == [(6, "value-blank")]
    facts = {(fact.value, fact.patient, fact.device, fact.time[11:16]) for fact in fhir_facts(tmp_path / "out")}
    assert facts == {
        ("121", "P-0007", "M1", "09:30"), ("79", "P-0007", "M1", "09:30"), ("64", "P-0007", "M1", "09:30"),
        ("122", "P-0008", "M1", "09:40"), ("65", "P-0008", "M2", "09:50"),
    }  # fmt: skip


@settings(max_examples=80)
@given(
    st.lists(
        st.tuples(st.lists(st.booleans(), min_size=1, max_size=4), st.sampled_from(["", "", "ragged", "blank line"])),
        min_size=1,
        max_size=20,
    ),
    st.integers(30, 500),
)
def test_no_set_of_filled_rows_is_cut_in_two(sets: list[tuple[list[bool], str]], size: int) -> None:
    lines, owner, known = ["When;Who;On;What;Value;Unit"], {}, True
    for number, (rows, what) in enumerate(sets):
        for at, states in enumerate(rows):
            key = f"2026-03-14 09:{number:02};P-{number:04};M1" if at == 0 or states else ";;"
            known = known or at == 0 or states
            if what == "ragged" and at == len(rows) - 1:
                lines.append(f"{key};HR;6;4;/min")
                known = False
                continue
            if what == "blank line":
                lines.append("")
            lines.append(f"{key};HR;64;/min")
            if known:
                owner[len(lines)] = f"P-{number:04}"
    assume(sum(line.count(";") > 5 for line in lines) < len(lines) / 3)
    loaded = load_mapping(FILLED_LONG).mapping
    adapter = Delimited(loaded, columns(loaded))
    adapter.block = size
    found, counted, block_of = {}, 0, dict[str, int]()
    for block in adapter.blocks(io.BytesIO(("\n".join(lines) + "\n").encode()), 1):
        parsed = adapter.parse(block)
        counted += sum(block.lines.values()) + sum(parsed.lines.values())
        for line, cells in parsed.entries:
            found[line] = cells[1]
            assert block_of.setdefault(cells[1], block.number) == block.number
    assert counted == len(lines)
    assert found == owner


@pytest.mark.parametrize(
    ("keys", "what"),
    [('filled = ["Who"]\norder = "any"', "the row above says nothing"), ('filled = ["Value"]', "is no value")],
)
def test_what_cannot_be_filled_in_the_long_layout(keys: str, what: str) -> None:
    with pytest.raises(MappingError) as caught:
        load_mapping(LONG.replace('layout = "long"', f'layout = "long"\n{keys}'))
    assert what in caught.value.problems[0].what
