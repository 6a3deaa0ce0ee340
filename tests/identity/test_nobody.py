"""Texts that are nobody's identifier: held for patients, and for devices and the like; the mapping may add to them."""

from __future__ import annotations

from pathlib import Path

import pytest

from gateway.errors import MappingError
from gateway.identity.identifiers import Identifiers
from gateway.identity.nobody import nobody
from gateway.mapping.loader import load
from gateway.mapping.model import Identified, Patient
from tests.conversion.conversion_kit import WIDE, WIDE_HEADER, fhir_facts, findings, run

# What was seen as patients and devices in public data that was converted; common practice, no source.
SEEN = ("NA", "NULL", "unknown", "-", "0", "00000000", "TEST", "1.23E+08", "123.0", "PATIENT ID", "None", "n/a", "#N/A")


@pytest.mark.parametrize("text", SEEN)
def test_no_patient(text: str) -> None:
    patients = Identifiers.of(Patient(system="urn:x", pattern="any"))
    for written in (text, text.lower(), f" {text}".strip()):
        assert patients.judged(written).fault == "nobody"


@pytest.mark.parametrize(
    "text", ["P-0007", "0007311", "100", "12E5", "Nadia-1", "9434765870", "N", "A1", "1.5.2", "Ü-7"]
)
def test_patients(text: str) -> None:
    assert Identifiers.of(Patient(system="urn:x", pattern="any")).judged(text).fault == ""


@pytest.mark.parametrize("text", ["NA", "N/A", "None", "null", "--", "unbekannt", "1.23E+08", "#REF!"])
def test_nothing_else(text: str) -> None:
    assert Identifiers.of(Identified()).judged(text).fault == "nobody"


@pytest.mark.parametrize("text", ["0", "TEST-1", "1.0", "SN-1", "12E5", "Ward 4"])
def test_devices_and_places(text: str) -> None:
    assert Identifiers.of(Identified()).judged(text).fault == ""


def test_the_mapping_adds_to_them() -> None:
    assert nobody("patient", ["9999999"])("9999999")
    assert not nobody("patient")("9999999")
    assert Identifiers.of(Identified(nobody=["Spare"])).judged("SPARE").fault == "nobody"


def converted(folder: Path, rows: list[str], mapping: str = WIDE) -> list[tuple[int, str]]:
    (folder / "a.csv").write_text("\n".join([WIDE_HEADER, *rows, ""]))
    run(folder, [folder / "a.csv"], mapping)
    return [(int(each["line"]), each["rule"]) for each in findings(folder / "out")]


ROWS = [
    "2026-03-14 09:30,NA,M1,121,79,64,97,36.8,71.4",
    "2026-03-14 09:31,P-0007,N/A,121,79,64,97,36.8,71.4",
    "2026-03-14 09:32,P-0007,M1,121,79,64,97,36.8,71.4",
]


def test_their_sets_are_held(tmp_path: Path) -> None:
    assert converted(tmp_path, ROWS) == [(2, "patient-nobody"), (3, "identifier-of-nothing")]
    assert {fact.time[11:16] for fact in fhir_facts(tmp_path / "out")} == {"09:32"}


def test_a_text_may_mean_that_nothing_is_stated(tmp_path: Path) -> None:
    mapping = WIDE.replace("[patient]", '[patient]\nnot_stated = ["NA"]').replace(
        "[device]", '[device]\nnot_stated = ["N/A"]'
    )
    assert converted(tmp_path, ROWS, mapping) == [(2, "patient-missing"), (3, "device-missing")]


def test_the_form_of_patients_must_be_said() -> None:
    with pytest.raises(MappingError, match="nothing says what the patients' identifiers look like") as told:
        load(WIDE.replace('pattern = "any"\n', ""))
    assert 'pattern = "any"' in told.value.problems[0].todo
    # A mapping that a ledger keeps from an earlier version still reads what was held with it.
    assert load(WIDE.replace('pattern = "any"\n', ""), earlier=True).mapping.patient.pattern == ""
