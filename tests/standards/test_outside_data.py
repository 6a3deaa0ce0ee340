"""Data that nobody here wrote, converted and compared with what Python's csv module reads of it.

The NHANES I Epidemiologic Follow-up Study as Hernan and Robins' "Causal Inference: What If" publishes it, from the
package `causallib` 0.10.0 of the Python Package Index (file `NHEFS.csv`, 1,629 people; its codebook says what the
columns are and in which units). It has no times: the export is given the day in a line above its header. Where the
index cannot be reached, these tests are skipped and say so.
"""

from __future__ import annotations

import csv
import fcntl
import hashlib
import io
import subprocess
import sys
import zipfile
from decimal import Decimal
from pathlib import Path

import pytest

from tests.conversion.conversion_kit import REPOSITORY, fhir_facts, findings, run

PACKAGE = "causallib==0.10.0"
SHA256 = "ebb0293ce633df7c667fa284706538c6c7e2c66376870d2c1325d0e1a4bbd76e"
INSIDE = "causallib/datasets/data/nhefs/NHEFS.csv"

MAPPING = """
title = "NHEFS"
version = "1"
form = "delimited"
namespace = "https://outside.example.org/readings"
[delimited]
layout = "wide"
above = ['Examined (?P<day>\\S+)']
[time]
columns = ["day"]
formats = ["%Y-%m-%d"]
zone = "America/New_York"
past_days = "any"
[patient]
column = "seqn"
pattern = '\\d{3,5}'
system = "https://outside.example.org/people"
[device]
fixed = "sphygmomanometer"
system = "https://outside.example.org/devices"
[category]
fixed = "adult"
[vitals.systolic]
column = "sbp"
unit = "mmHg"
[vitals.diastolic]
column = "dbp"
unit = "mmHg"
[vitals.weight]
column = "wt82"
unit = "kg"
"""


@pytest.fixture(scope="module")
def nhefs() -> str:
    folder = REPOSITORY / ".venv" / "cache" / "outside-data"
    folder.mkdir(parents=True, exist_ok=True)
    with (folder / "lock").open("w") as only_one:
        fcntl.flock(only_one, fcntl.LOCK_EX)
        wheels = list(folder.glob("causallib-*.whl"))
        if not wheels:
            words = [sys.executable, "-m", "pip", "download", "--quiet", "--no-deps", "--dest", str(folder), PACKAGE]
            done = subprocess.run(words, capture_output=True, text=True, timeout=300, check=False)
            if done.returncode:
                pytest.skip(f"the package index does not give {PACKAGE}: {done.stderr[-200:]}")
            wheels = list(folder.glob("causallib-*.whl"))
    data = wheels[0].read_bytes()
    assert hashlib.sha256(data).hexdigest() == SHA256
    with zipfile.ZipFile(io.BytesIO(data)) as wheel:
        return wheel.read(INSIDE).decode("utf-8-sig")


def test_every_value_of_the_follow_up_study_is_recorded_as_it_stands(nhefs: str, tmp_path: Path) -> None:
    people = list(csv.DictReader(io.StringIO(nhefs)))
    assert len(people) == 1629
    expected = {
        (one["seqn"], vital): one[column]
        for one in people
        for vital, column in (("systolic", "sbp"), ("diastolic", "dbp"), ("weight", "wt82"))
        if one[column]
    }
    assert len(expected) == 1552 + 1548 + 1566
    (tmp_path / "NHEFS.csv").write_text(f"Examined 1982-06-15\n{nhefs}", encoding="utf-8")
    batch = run(tmp_path, [tmp_path / "NHEFS.csv"], MAPPING, verify="full")
    facts = {(fact.patient, fact.vital): fact.value for fact in fhir_facts(tmp_path / "out")}
    held = {(each["line"], each["column"]) for each in findings(tmp_path / "out") if each["effect"] == "hold"}
    wrong = {key: value for key, value in facts.items() if Decimal(value) != Decimal(expected[key])}
    assert wrong == {}
    missing = expected.keys() - facts.keys()
    assert len(missing) == sum(row.held for row in batch.report.reckoning.readings.rows), (
        sorted(missing)[:5],
        sorted(held)[:5],
    )
    assert len(missing) <= len(expected) // 100
