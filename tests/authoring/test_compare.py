"""What two mappings, or a mapping and an earlier result, make of the same exports."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from gateway.authoring import compare
from gateway.cli.main import main

DEMOS = Path(__file__).resolve().parents[2] / "fixtures" / "demo"
CLINIC = DEMOS / "clinic-wide"
EXPORT = CLINIC / "clinic-2026-03-14.csv"


def changed(tmp_path: Path, *swaps: tuple[str, str]) -> Path:
    text = (CLINIC / "mapping.toml").read_text()
    for old, new in swaps:
        assert old in text
        text = text.replace(old, new)
    path = tmp_path / "new.toml"
    path.write_text(text)
    return path


def compared(tmp_path: Path, *swaps: tuple[str, str], details: int = 50) -> compare.Comparison:
    inputs = compare.Inputs([EXPORT], details=details)
    return compare.mappings(CLINIC / "mapping.toml", changed(tmp_path, *swaps), inputs)


def test_the_same_mapping_gives_the_same(tmp_path: Path) -> None:
    found = compared(tmp_path)
    assert not found.differs
    assert found.same.total() == found.readings[0] == found.readings[1] > 100


def test_a_unit_taken_for_another_changes_outcomes(tmp_path: Path) -> None:
    found = compared(tmp_path, ('unit = "[degF]"', 'unit = "Cel"'))
    assert set(found.changed) == {"temperature"}
    assert {(old, new) for _, old, new in found.outcomes} == {("recorded", "held")}
    assert found.sums["temperature: held"][0] == 0
    assert {change.line for change in found.changes if change.vital == "temperature"} >= {5, 6, 7}


def test_another_record_unit(tmp_path: Path) -> None:
    found = compared(tmp_path, ('record_unit = "kg"\ndecimals = 1', 'record_unit = "[lb_av]"'))
    assert found.kinds == {("weight", "unit"): 6, ("weight", "value"): 6}
    assert found.records["Observation"] == (6, 6)


def test_another_vital_from_the_same_column_is_another_code(tmp_path: Path) -> None:
    found = compared(tmp_path, ("[vitals.pulse_oximeter]", "[vitals.pulse]"))
    kinds = {(vital, kind) for vital, kind in found.kinds}
    assert ("pulse", "code") in kinds
    assert ("pulse", "outcome") not in kinds


def test_another_zone_is_another_time(tmp_path: Path) -> None:
    found = compared(tmp_path, ("America/Chicago", "America/New_York"))
    assert {kind for _, kind in found.kinds} == {"time"}


def test_another_patient_system_is_another_identity_and_is_not_named(tmp_path: Path) -> None:
    found = compared(tmp_path, ("example.org/patients", "example.org/people"))
    assert {kind for _, kind in found.kinds} == {"identity"}
    assert "FH00" not in json.dumps(found.as_dict())


def test_another_site_is_beside(tmp_path: Path) -> None:
    assert {kind for _, kind in compared(tmp_path, ('"oral"', '"axillary"')).kinds} == {"beside"}


def test_what_only_the_records_show_is_told(tmp_path: Path) -> None:
    found = compared(tmp_path, ('sending_facility = "FERNHOLLOW"', 'sending_facility = "ELSEWHERE"'))
    assert not found.changed
    assert found.differs
    assert found.records.keys() == {"ORU message"}


def test_lines_that_are_not_read_any_more_are_told(tmp_path: Path) -> None:
    found = compared(tmp_path, ('layout = "wide"', 'layout = "wide"\nfooter = ["03/14/2026 7:02.*"]'))
    assert found.sums["lines: entry"][0] == found.sums["lines: entry"][1] + 1
    assert found.outcomes["systolic", "recorded", "not read"] == 1


def test_changes_are_counted_beyond_those_listed(tmp_path: Path) -> None:
    found = compared(tmp_path, ("America/Chicago", "America/New_York"), details=3)
    assert len(found.changes) == 3
    assert found.as_dict()["changes_not_listed"] == found.kinds.total() - 3


@pytest.mark.parametrize("name", ["clinic-wide", "homecare-long", "bedside-framed"])
def test_a_result_of_another_version(tmp_path: Path, name: str) -> None:
    folder = DEMOS / name
    aside = {"mapping.toml", "demo.toml"}
    inputs = compare.Inputs([path for path in sorted(folder.iterdir()) if path.is_file() and path.name not in aside])
    earlier = tmp_path / "earlier"
    shutil.copytree(folder / "expected", earlier)
    assert not compare.result(folder / "mapping.toml", earlier, inputs).differs
    file = sorted((earlier / "fhir").iterdir())[0]
    text = file.read_text()
    file.write_text(text.replace('"valueQuantity":{"value":1', '"valueQuantity":{"value":2', 1))
    assert file.read_text() != text
    found = compare.result(folder / "mapping.toml", earlier, inputs)
    assert found.kinds.total() == 1
    (change,) = found.changes
    assert change.kind == "value"
    assert change.line > 0


def test_the_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    new = changed(tmp_path, ("[vitals.pulse_oximeter]", "[vitals.pulse]"))
    words = ["compare", str(CLINIC / "mapping.toml"), str(new), str(EXPORT)]
    assert main(words) == 1
    out = capsys.readouterr().out
    assert "pulse_oximeter" in out
    assert "FH00" not in out
    assert main([*words, "--json", "--details", "0"]) == 1
    assert json.loads(capsys.readouterr().out)["differs"] is True
    assert main(["compare", words[1], words[1], words[3]]) == 0
    assert main(["compare", words[1], words[3], "--against", str(CLINIC / "expected")]) == 0
    assert "Nothing differs" in capsys.readouterr().out


@pytest.mark.parametrize("kind", ["no export", "no result", "other exports", "not FHIR", "broken mapping"])
def test_what_cannot_be_compared(tmp_path: Path, kind: str, capsys: pytest.CaptureFixture[str]) -> None:
    mapping, earlier = str(CLINIC / "mapping.toml"), tmp_path / "earlier"
    shutil.copytree(CLINIC / "expected", earlier)
    words = ["compare", mapping, str(EXPORT), "--against", str(earlier)]
    if kind == "no export":
        words = ["compare", mapping, mapping]
    elif kind == "no result":
        (earlier / "report.json").unlink()
    elif kind == "other exports":
        other = tmp_path / "other.csv"
        other.write_bytes(EXPORT.read_bytes() + b"\n")
        words[2] = str(other)
    elif kind == "not FHIR":
        next((earlier / "fhir").iterdir()).write_bytes(b"\x00\xff")
    else:
        words[1] = str(EXPORT)
    assert main(words) == 2
    assert len(capsys.readouterr().err.splitlines()) == 1
