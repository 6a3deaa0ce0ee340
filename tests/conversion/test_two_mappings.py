"""One export read with two mappings, with one ledger: what each holds and records stands beside the other's."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.conversion import Batch
from gateway.ledger import Hold, open_ledger
from tests.conversion.conversion_kit import COMMON, WIDE, WIDE_HEADER, fhir_facts, findings, run

PRESSURES = WIDE[: WIDE.index("[vitals.heart_rate]")]
OTHERS = (
    WIDE[: WIDE.index("[vitals.")].replace('title = "A kit"', 'title = "Others"')
    + '[vitals.spo2]\ncolumn = "SpO2"\nunit = "%"\n'
)
ROWS = [
    "2026-03-14 09:30,P-0007,M1,421,79,64,970,36.8,71.4",
    "2026-03-14 09:40,,M1,121,79,64,97,36.8,71.4",
    "2026-03-14 09:50,P-0008,M1,121,79,64,97,36.8,71.4",
]


def converted(folder: Path, mapping: str, out: str, exports: list[Path] | None = None, **more: Any) -> Batch:
    own = [folder / "a.csv"] if exports is None else exports
    return run(folder, own, mapping, out, ledger=folder / "ledger.db", **more)


def held(folder: Path) -> list[Hold]:
    with open_ledger(folder / "ledger.db") as ledger:
        return [hold for hold in ledger.holds() if hold.state == "open"]


def test_each_keeps_its_holds(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text("\n".join([WIDE_HEADER, *ROWS]) + "\n")
    assert "systolic" in PRESSURES
    converted(tmp_path, PRESSURES, "one")
    first = held(tmp_path)
    converted(tmp_path, OTHERS, "two")
    assert [hold for hold in held(tmp_path) if hold.mapping_title == "A kit"] == first
    assert [(hold.line, hold.vitals) for hold in held(tmp_path) if hold.mapping_title == "Others"] == [
        (2, "spo2"), (3, "spo2"),
    ]  # fmt: skip
    # To read it first with this mapping is not to read it again.
    assert "export-read-before" not in {each["rule"] for each in findings(tmp_path / "two")}
    converted(tmp_path, PRESSURES, "three")
    assert "export-read-before" in {each["rule"] for each in findings(tmp_path / "three")}


def test_a_person_settles_the_one_and_not_the_other(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text("\n".join([WIDE_HEADER, *ROWS]) + "\n")
    for mapping, out in ((PRESSURES, "one"), (OTHERS, "two")):
        converted(tmp_path, mapping, out)
    mine = next(hold for hold in held(tmp_path) if hold.mapping_title == "Others" and hold.line == 3)
    with open_ledger(tmp_path / "ledger.db") as ledger:
        ledger.settle([mine.id], "assign", "P-0009", "N. Ole", "asked the ward", at=datetime.now(UTC))
    converted(tmp_path, OTHERS, "again", exports=[])
    assert {(fact.patient, fact.vital) for fact in fhir_facts(tmp_path / "again")} == {("P-0009", "spo2")}
    assert (3, "A kit") in {(hold.line, hold.mapping_title) for hold in held(tmp_path)}


def test_the_bytes_were_received_when_they_first_came(tmp_path: Path) -> None:
    """A time in the future is not released by reading the export with another mapping later."""
    (tmp_path / "a.csv").write_text(f"{WIDE_HEADER}\n2026-03-16 09:50,P-0008,M1,121,79,64,97,36.8,71.4\n")
    converted(tmp_path, PRESSURES, "one", received=datetime(2026, 3, 15, tzinfo=UTC))
    converted(tmp_path, OTHERS, "two")
    assert [each["rule"] for each in findings(tmp_path / "two")] == ["time-in-future"]
    converted(tmp_path, OTHERS, "three", exports=[])
    assert fhir_facts(tmp_path / "three") == []


SETS = {
    number: COMMON.replace('title = "A kit"', f'title = "Set {number} of each row"').replace(
        'columns = ["When"]', f'columns = ["Time {number}"]'
    )
    + f"""
[delimited]
layout = "wide"
[vitals.systolic]
column = "Sys {number}"
unit = "mmHg"
[vitals.diastolic]
column = "Dia {number}"
unit = "mmHg"
"""
    for number in (1, 2, 3)
}


@settings(max_examples=25, deadline=None)
@given(st.lists(st.lists(st.sampled_from(["", "good", "high"]), min_size=3, max_size=3), min_size=1, max_size=4))
def test_several_sets_in_one_row_are_read_with_a_mapping_for_each(
    tmp_path_factory: pytest.TempPathFactory, rows: list[list[str]]
) -> None:
    """Three pressures in a row, each with its time: each is recorded or held, once, whatever became of the others."""
    folder = tmp_path_factory.mktemp("sets")
    lines = ["Who,On," + ",".join(f"Time {n},Sys {n},Dia {n}" for n in SETS)]
    good: set[tuple[str, str]] = set()
    high: set[tuple[str, str]] = set()
    for at, cells in enumerate(rows):
        row = [f"P-{at:04}", "M1"]
        for number, what in enumerate(cells, 1):
            time = f"2026-03-14 {9 + number:02}:{at:02}"
            row += [
                time if what else "",
                {"": "", "good": f"12{number}", "high": f"42{number}"}[what],
                "79" if what else "",
            ]
            (good if what == "good" else high if what == "high" else set()).add((f"P-{at:04}", time[11:16]))
        lines.append(",".join(row))
    (folder / "a.csv").write_text("\n".join(lines) + "\n")
    for turn in (1, 2):
        for number, mapping in SETS.items():
            converted(folder, mapping, f"out-{turn}-{number}")
    facts = [fact for number in SETS for fact in fhir_facts(folder / f"out-1-{number}") if fact.vital == "systolic"]
    assert sorted((fact.patient, fact.time[11:16]) for fact in facts) == sorted(good)
    assert not [fact for number in SETS for fact in fhir_facts(folder / f"out-2-{number}")]
    assert len([hold for hold in held(folder) if "systolic" in hold.vitals]) == len(high)
