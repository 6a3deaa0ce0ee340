"""Delimiters of several characters, and characters that an escape takes the meaning from."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.adapters.delimited import Delimited
from gateway.conversion.options import load_mapping
from gateway.errors import MappingError
from gateway.mapping import columns
from tests.conversion.conversion_kit import GOOD_ROW, WIDE, WIDE_HEADER, fhir_facts, findings, run


def mapping(keys: str) -> str:
    return WIDE.replace('layout = "wide"', f'layout = "wide"\n{keys}')


@pytest.mark.parametrize("delimiter", ["||", "~|", " ; ", "<>"])
def test_cells_stand_between_delimiters_of_several_characters(tmp_path: Path, delimiter: str) -> None:
    rows = [WIDE_HEADER, GOOD_ROW, GOOD_ROW.replace("09:30", "09:40").replace("P-0007", f'"P{delimiter}7"')]
    (tmp_path / "a.csv").write_text("\n".join(row.replace(",", delimiter) for row in rows) + "\n")
    run(tmp_path, [tmp_path / "a.csv"], mapping(f'delimiter = "{delimiter}"'))
    facts = fhir_facts(tmp_path / "out")
    assert len(facts) == 12
    assert {fact.patient for fact in facts} == {"P-0007", f"P{delimiter}7"}
    assert findings(tmp_path / "out") == []


def test_a_row_with_a_delimiter_too_many_is_held(tmp_path: Path) -> None:
    text = "\n".join([WIDE_HEADER, GOOD_ROW.replace(",64,", ",64,,"), GOOD_ROW.replace("09:30", "09:4\x1f0"), ""])
    (tmp_path / "a.csv").write_text(text.replace(",", "||"))
    run(tmp_path, [tmp_path / "a.csv"], mapping('delimiter = "||"'))
    assert [each["rule"] for each in findings(tmp_path / "out")][:1] == ["row-ragged"]
    assert fhir_facts(tmp_path / "out") == []


def test_an_escape_takes_the_meaning_from_what_follows(tmp_path: Path) -> None:
    rows = [
        WIDE_HEADER,
        GOOD_ROW.replace("P-0007", r"P\,7"),
        GOOD_ROW.replace("09:30", "09:40").replace("P-0007", r"P\"7"),
    ]
    (tmp_path / "a.csv").write_text("\n".join(rows) + "\n")
    run(tmp_path, [tmp_path / "a.csv"], mapping(r"escape = '\'"))
    assert {fact.patient for fact in fhir_facts(tmp_path / "out")} == {"P,7", 'P"7'}
    assert findings(tmp_path / "out") == []


@pytest.mark.parametrize(
    ("keys", "what"),
    [
        (r'delimiter = "||||"', "more than 3 characters"), (r'delimiter = "a|"', "letter or digit"),
        (r"delimiter = '\t'", "more than one character"), (r'delimiter = "|\""', "quote must differ"),
        (r'escape = ","', "escape must differ"), (r'escape = "n"', "would be lost"),
    ],
)  # fmt: skip
def test_marks_that_cannot_be_told_apart_are_refused(keys: str, what: str) -> None:
    with pytest.raises(MappingError) as caught:
        load_mapping(mapping(keys))
    assert what in str(caught.value.problems[0])


_CELL = st.text(alphabet="ab1 .|~,;\"'\\é\n", max_size=5)


@settings(max_examples=150)
@given(st.lists(st.lists(_CELL, min_size=2, max_size=2), min_size=1, max_size=6), st.booleans(), st.integers(60, 400))
def test_what_a_writer_escapes_comes_back(cells: list[list[str]], escaped: bool, size: int) -> None:
    """The writer is the csv module's own; a delimiter of two characters is put in place of its one afterwards."""
    rows = [["2026-03-14 09:30", "P-1", "M1", "1", "2", "3", "4", *pair] for pair in cells]
    out = io.StringIO()
    if escaped:
        writer = csv.writer(out, escapechar="\\", doublequote=False, lineterminator="\n")
    else:
        writer = csv.writer(out, delimiter="\x1e", quoting=csv.QUOTE_ALL, lineterminator="\n")
    writer.writerow(WIDE_HEADER.split(","))
    writer.writerows(rows)
    text = out.getvalue() if escaped else out.getvalue().replace("\x1e", "||")
    loaded = load_mapping(mapping("escape = '\\'" if escaped else 'delimiter = "||"')).mapping
    adapter = Delimited(loaded, columns(loaded))
    adapter.block = size
    found, lines = [], 0
    for block in adapter.blocks(io.BytesIO(text.encode()), 1):
        parsed = adapter.parse(block)
        found += [entry[1] for entry in parsed.entries]
        lines += sum(block.lines.values()) + sum(parsed.lines.values())
    assert lines == text.count("\n")
    held = len(rows) - len(found)
    # A cell over lines that looks like rows is held; whatever is read is what was written.
    assert all(cells in rows for cells in found)
    assert held == 0 or any("\n" in cell for row in rows for cell in row)
