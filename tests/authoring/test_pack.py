"""A regression pack: what was agreed on is compared, and the place of the first difference is told."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from xml.etree import ElementTree

import pytest

from gateway.authoring import pack
from gateway.authoring.results import lasting, pointer_to_difference
from gateway.cli.main import main

DEMOS = Path(__file__).resolve().parents[2] / "fixtures" / "demo"


@pytest.fixture
def small(tmp_path: Path) -> Path:
    shutil.copytree(DEMOS / "ward-clock", tmp_path / "pack" / "clock")
    (tmp_path / "pack" / "clock" / "demo.toml").rename(tmp_path / "pack" / "clock" / "case.toml")
    return tmp_path / "pack"


def test_the_demos_are_a_pack() -> None:
    results = list(pack.run(DEMOS))
    assert len(results) >= 5
    assert [(each.name, each.differences, each.trouble) for each in results if each.differences or each.trouble] == []
    assert pack.exit_status(results) == 0


def test_a_changed_value_is_told_with_its_place(small: Path, capsys: pytest.CaptureFixture[str]) -> None:
    mapping = small / "clock" / "mapping.toml"
    mapping.write_text(mapping.read_text().replace('unit = "mmHg"', 'unit = "kPa"', 1))
    out = small.parent / "junit.xml"
    assert main(["verify-pack", str(small), "--junit", str(out)]) == 1
    told = capsys.readouterr().out
    assert "clock" in told
    assert "fhir/" in told
    assert "at /entry/" in told
    assert "FH000412" not in told
    root = ElementTree.fromstring(out.read_bytes())
    assert root.attrib["failures"] == "1"
    assert "/entry/" in (root.find("testsuite/testcase/failure").attrib["message"])  # type: ignore[union-attr]
    assert main(["verify-pack", str(small), "--accept"]) == 0
    assert "look at the difference" in capsys.readouterr().out
    assert main(["verify-pack", str(small)]) == 0


def test_nothing_agreed_on_is_a_difference(small: Path) -> None:
    shutil.rmtree(small / "clock" / "expected")
    (result,) = pack.run(small)
    assert "--accept" in result.differences[0]
    assert pack.exit_status([result]) == 1


def test_a_record_too_many_or_too_few_is_told(small: Path) -> None:
    expected = small / "clock" / "expected"
    (expected / "oru" / "0009-00001.hl7").write_bytes(b"MSH|\r")
    (expected / "findings.csv").unlink()
    (result,) = pack.run(small)
    assert "oru/0009-00001.hl7: it is expected, and is not written any more" in result.differences
    assert "findings.csv: it is written, and not expected" in result.differences


def test_a_segment_and_field_are_told(small: Path) -> None:
    (file,) = (small / "clock" / "expected" / "oru").iterdir()
    file.write_bytes(file.read_bytes().replace(b"|mm[Hg]^", b"|kPa^", 1))
    (result,) = pack.run(small)
    (told,) = result.differences
    assert "(OBX-6)" in told


@pytest.mark.parametrize(
    ("settings", "told"),
    [
        ("titel = 'x'", "unknown key titel"),
        ("received = '2026-01-01'", "no ISO 8601 time with an offset"),
        ("exports = ['nothing*']", "no export"),
        ("exports = 'x'", "list of texts"),
        ("exports = ['/etc/*']", "pattern"),
        ("mapping = 'none.toml'", "no such file"),
        ("records = 'pdf'", "--as does not know"),
        ("= 3", "not TOML"),
        ("bundle = 3", "is a text"),
    ],
)
def test_a_case_that_cannot_be_run(small: Path, settings: str, told: str) -> None:
    (small / "clock" / "case.toml").write_text(settings)
    (result,) = pack.run(small)
    assert told in result.trouble
    assert pack.exit_status([result]) == 2


def test_a_mapping_of_another_folder(small: Path) -> None:
    case = small / "clock"
    (case / "mapping.toml").rename(small / "agreed.toml")
    settings = case / "case.toml"
    settings.write_text(settings.read_text() + 'mapping = "../agreed.toml"\n')
    (result,) = pack.run(small)
    # The report names the file of the mapping.
    assert result.differences == ["report.json: line 11, at /batch/mapping/file"]


@pytest.mark.parametrize("made", ["missing", "empty"])
def test_no_pack(tmp_path: Path, made: str, capsys: pytest.CaptureFixture[str]) -> None:
    if made == "empty":
        (tmp_path / made).mkdir()
    assert main(["verify-pack", str(tmp_path / made)]) == 2
    assert capsys.readouterr().err.startswith("gateway: ")


def test_junit_is_escaped() -> None:
    result = pack.CaseResult('a"<b>&\x00', differences=["x < \x1b y"])
    root = ElementTree.fromstring(pack.junit("p&q", [result, pack.CaseResult("t", trouble="<no>")]))
    assert root.find("testsuite/testcase").attrib["name"] == 'a"<b>&\ufffd'  # type: ignore[union-attr]
    assert root.attrib == {"tests": "2", "failures": "1", "errors": "1", "time": "0.000"}


@pytest.mark.parametrize(
    ("old", "new", "pointer"),
    [
        ({"a": 1}, {"a": 1}, None),
        ({"a": [1, {"b/c": 2}]}, {"a": [1, {"b/c": 3}]}, "/a/1/b~1c"),
        ({"a": 1, "b": 2}, {"a": 1}, "/b"),
        ([1, 2], [1, 2, 3], "/2"),
        ({"a": 1, "z": 1}, {"a": 2}, "/a"),
        (1, True, ""),
    ],
)
def test_the_first_difference_has_a_pointer(old: object, new: object, pointer: str | None) -> None:
    assert pointer_to_difference(old, new) == pointer


def test_times_and_versions_are_left_out() -> None:
    def report(version: str, seconds: float) -> bytes:
        batch = {"gateway": version, "started": version, "finished": version, "editions": {"IANA time zones": version}}
        return json.dumps(
            {"batch": batch | {"files": [{"name": "a", "bytes": len(version)}]}, "seconds": seconds}
        ).encode()

    assert lasting("report.json", report("1", 1.0)) == lasting("report.json", report("22", 2.0))
    assert lasting("report.json", b"[[") == b"[["
