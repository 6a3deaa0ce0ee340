"""Long exports in any order: the same records as from sorted ones, and the default says that it needs them sorted."""

from __future__ import annotations

import io
import random
import tempfile
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.adapters.delimited import Delimited
from gateway.conversion.batch import Batch
from gateway.conversion.options import load_mapping
from gateway.errors import InputError, MappingError
from gateway.ledger import open_ledger
from gateway.mapping import columns
from gateway.model import LineKind
from tests.conversion.conversion_kit import LONG, LONG_HEADER, WIDE, fhir_facts, findings, run

ANY = LONG.replace('layout = "long"', 'layout = "long"\norder = "any"')
LABELS = {
    "Sys": ("121", "mmHg"),
    "Dia": ("79", "mmHg"),
    "HR": ("64", "/min"),
    "SpO2": ("97", "%"),
    "Temp": ("36.6", "C"),
}


def rows_of(sets: int, labels: tuple[str, ...] = tuple(LABELS)) -> list[str]:
    made = []
    for number in range(sets):
        when = f"2026-04-{1 + number // 1440 % 28:02} {number // 60 % 24:02}:{number % 60:02}"
        for label in labels:
            value, unit = LABELS[label]
            made.append(f"{when};P-{number:05};M{number % 7};{label};{value};{unit}")
    return made


def converted(folder: Path, rows: list[str], mapping: str = ANY, out: str = "out", **options: object) -> Batch:
    (folder / "a.csv").write_text("\n".join([LONG_HEADER, *rows]) + "\n", encoding="utf-8")
    return run(folder, [folder / "a.csv"], mapping, out, **options)


def test_an_export_by_vital_is_refused_before_anything_is_recorded(tmp_path: Path) -> None:
    rows = sorted(rows_of(30), key=lambda row: row.split(";")[3])
    with pytest.raises(InputError, match="The rows of a set do not follow each other") as caught:
        converted(tmp_path, rows, LONG)
    assert 'order = "any"' in caught.value.todo
    assert caught.value.where == f"{tmp_path / 'a.csv'}, lines 2 and 32"
    assert not (tmp_path / "out").exists()


def test_two_measurements_in_one_minute_are_no_unsorted_export(tmp_path: Path) -> None:
    """The same vitals twice under one time: what they are is for the rules to say, as ever."""
    rows = rows_of(3)
    converted(tmp_path, [*rows, rows[2].replace(";64;", ";66;")], LONG)
    assert "label-repeated-in-set" not in {each["rule"] for each in findings(tmp_path / "out")}


@pytest.mark.parametrize("workers", [1, 2])
def test_rows_by_vital_give_whole_sets(tmp_path: Path, workers: int) -> None:
    rows = rows_of(40_000 if workers > 1 else 2_000)
    by_vital = sorted(rows, key=lambda row: row.split(";")[3])
    batch = converted(tmp_path, by_vital, workers=workers, bundle="ndjson")
    assert batch.report.reckoning.sets == len(rows) // 5
    assert batch.report.reckoning.readings.all.recorded == len(rows)
    assert batch.report.reckoning.lines.kinds[LineKind.ENTRY] == len(rows)
    assert findings(tmp_path / "out") == []


def records(out: Path) -> list[str]:
    """The Observations; a Provenance names the export by its hash."""
    lines = [line for file in (out / "fhir").glob("*.ndjson") for line in file.read_text().splitlines()]
    return sorted(line for line in lines if '"resourceType":"Observation"' in line)


@settings(max_examples=60)
@given(
    st.integers(1, 12),
    st.randoms(use_true_random=False),
    st.lists(st.sampled_from(["total: 5", "", LONG_HEADER, "2026-04-01 00:01;P-00001;M1;HR;;", '"open']), max_size=3),
)
def test_the_records_are_the_same_for_any_order_of_rows(sets: int, chance: random.Random, others: list[str]) -> None:
    rows = [*rows_of(sets), *[row for row in others if row.count(";") in (0, 5) and "open" not in row]]
    mapping = ANY.replace('layout = "long"', 'layout = "long"\nfooter = ["total.*"]')
    shuffled = rows.copy()
    chance.shuffle(shuffled)
    with tempfile.TemporaryDirectory() as folder:
        one = converted(Path(folder), rows, mapping, "one", bundle="ndjson")
        two = converted(Path(folder), shuffled, mapping, "two", bundle="ndjson")
        assert one.report.reckoning.readings == two.report.reckoning.readings
        assert one.report.reckoning.lines.kinds == two.report.reckoning.lines.kinds
        assert records(Path(folder) / "one") == records(Path(folder) / "two")
        assert len(records(Path(folder) / "one")) > 0


@settings(max_examples=40)
@given(st.integers(1, 10), st.randoms(use_true_random=False), st.integers(100, 2_000))
def test_small_blocks_lose_no_line_and_part_no_set(sets: int, chance: random.Random, size: int) -> None:
    rows = [*rows_of(sets), '"2026-04-01 00:01";"P-00001";"M1";"SpO2";"9', '7";"%"', "too;short", '"never ends;']
    chance.shuffle(rows)
    text = "\n".join([LONG_HEADER, *rows])
    mapping = load_mapping(ANY + "\n").mapping
    adapter = Delimited(mapping, columns(mapping))
    adapter.block = size
    seen: dict[tuple[str, ...], int] = {}
    kinds: dict[LineKind, int] = {}
    lines: list[int] = []
    for block in adapter.blocks(io.BytesIO(text.encode()), 1):
        parsed = adapter.parse(block)
        for kind, count in (*block.lines.items(), *parsed.lines.items()):
            kinds[kind] = kinds.get(kind, 0) + count
        for line, cells in parsed.entries:
            lines.append(line)
            # Every set is in one block.
            assert seen.setdefault(tuple(cells[:3]), block.number) == block.number
            assert text.split("\n")[line - 1].split(";")[0].strip('"') == cells[0]
    assert sum(kinds.values()) == text.count("\n") + 1
    assert len(set(lines)) == len(lines)


def test_a_row_that_cannot_be_read_holds_the_set_it_is_of(tmp_path: Path) -> None:
    rows = sorted(rows_of(4), key=lambda row: row.split(";")[3])
    lost = next(at for at, row in enumerate(rows) if ";P-00002;" in row and ";Dia;" in row)
    rows[lost] = rows[lost].replace(";79;", ";7;9;")
    converted(tmp_path, rows)
    told = {(each["rule"], int(each["line"])) for each in findings(tmp_path / "out")}
    first = min(at for at, row in enumerate(rows) if ";P-00002;" in row and at != lost) + 2
    assert told == {("row-ragged", lost + 2), ("set-lost-a-row", first)}
    assert {fact.patient for fact in fhir_facts(tmp_path / "out")} == {"P-00000", "P-00001", "P-00003"}


def test_a_row_of_which_only_the_time_is_left_holds_the_sets_of_that_time(tmp_path: Path) -> None:
    rows = rows_of(4)
    random.Random(1).shuffle(rows)
    converted(tmp_path, [*rows, "x;2026-04-01 00:02;P-00002"])
    held = [each for each in findings(tmp_path / "out") if each["rule"] == "set-lost-a-row"]
    assert len(held) == 1
    assert {fact.patient for fact in fhir_facts(tmp_path / "out")} == {"P-00000", "P-00001", "P-00003"}


def test_what_is_held_of_such_an_export_is_taken_up_again(tmp_path: Path) -> None:
    rows = sorted(rows_of(6), key=lambda row: row.split(";")[3])
    strict = ANY + "\n[plausibility.limits.adult]\nheart_rate = { hold = [0, 1] }\n"
    converted(tmp_path, rows, strict, "one", ledger=tmp_path / "ward.db")
    with open_ledger(tmp_path / "ward.db") as ledger:
        assert ledger.hold_counts().holds == 6
    batch = run(tmp_path, [], ANY, "two", ledger=tmp_path / "ward.db")
    assert batch.report.batch.holds is not None
    assert batch.report.batch.holds.open == 0
    assert {fact.vital for fact in fhir_facts(tmp_path / "two")} == {"heart_rate"}


def test_in_the_wide_layout_there_is_no_order_to_declare(tmp_path: Path) -> None:
    with pytest.raises(MappingError) as caught:
        converted(tmp_path, [], WIDE.replace('layout = "wide"', 'layout = "wide"\norder = "any"'))
    assert "in the wide layout each row is a set" in str(caught.value.problems[0])
