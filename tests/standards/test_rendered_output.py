"""What the gateway writes for the demo exports, read by everybody else's tools.

Sources:
  invariants  FHIR R4 4.0.1, StructureDefinitions vitalsigns (vs-1, vs-2, vs-3), Observation (obs-3, obs-6, obs-7) and
              bp (its two slices), http://hl7.org/fhir/R4/vitalsigns.html, .../observation.html, .../bp.html, run by
              fhirpathpy. vs-1 leaves out "as dateTime", because fhirpathpy reads a dateTime as text.
  units       UCUM, http://unitsofmeasure.org, grammar as ucumvert reads it
  LOINC       Users' Guide, appendix C: the check digit is the Luhn digit, here as python-stdnum computes it
  HL7 v2      structures of 2.5.1 and 2.6 as hl7apy has them (strict), and the independent parser hl7
"""

from __future__ import annotations

import json
import tomllib
from collections import Counter
from collections.abc import Callable, Iterator
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import Any

import hl7
import pytest
from fhirpathpy import compile as compiled
from fhirpathpy.models import models
from hl7apy.consts import VALIDATION_LEVEL
from hl7apy.parser import parse_message
from stdnum import luhn
from ucumvert import PintUcumRegistry
from ucumvert.parser import InvalidUcumError

from gateway.conversion import convert
from gateway.vocabulary import LOINC, UCUM

Record = dict[str, Any]

DEMO = Path(__file__).parents[2] / "fixtures" / "demo"
EXPORTS = ["clinic-wide", "homecare-long", "ward-messy"]

SLICE = "component.where(code.coding.where(system='http://loinc.org' and code='{}').exists()).count() = 1"
INVARIANTS = {
    "vs-1": "effective.toString().length() >= 8",
    "vs-2": "(component.empty() and hasMember.empty()) implies (dataAbsentReason.exists() or value.exists())",
    "vs-3": "component.all(value.exists() or dataAbsentReason.exists())",
    "obs-3": "referenceRange.all(low.exists() or high.exists() or text.exists())",
    "obs-6": "dataAbsentReason.empty() or value.empty()",
    "obs-7": "value.empty() or component.code.where(coding.intersect(%resource.code.coding).exists()).empty()",
}
BLOOD_PRESSURE = {"SystolicBP": SLICE.format("8480-6"), "DiastolicBP": SLICE.format("8462-4")}


@cache
def expression(text: str) -> Callable[..., list[Any]]:
    return compiled(text, models["r4"])


def holds(text: str, record: Record) -> bool:
    answer = expression(text)(record, {"resource": record})
    assert answer in ([True], [False]), f"no answer to {text}: {answer}"
    return answer == [True]


@pytest.fixture(scope="module")
def output(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Each demo export converted to FHIR in the container its demo names, and to HL7 v2."""
    folders = {}
    for name in EXPORTS:
        folder = DEMO / name
        demo = tomllib.loads((folder / "demo.toml").read_text(encoding="utf-8"))
        associations = folder / "associations.csv"
        folders[name] = tmp_path_factory.mktemp("output") / name
        convert(
            [path for path in folder.glob("*.csv") if path != associations],
            folder / "mapping.toml",
            folders[name],
            as_="both",
            bundle=demo["bundle"],
            associations=associations if associations.exists() else None,
            received=datetime.fromisoformat(demo["received"]),
        )
    return folders


def resources(folder: Path) -> list[Record]:
    """Every resource written, in the order of the files."""
    found = []
    for path in sorted(folder.glob("fhir/*.ndjson")):
        found += [json.loads(line) for line in path.read_bytes().split(b"\n")[:-1]]
    for path in sorted(folder.glob("fhir/*.bundle.json")):
        found += [entry["resource"] for entry in json.loads(path.read_bytes())["entry"]]
    return found


def observations(folder: Path) -> list[Record]:
    return [record for record in resources(folder) if record["resourceType"] == "Observation"]


def everything(value: Any) -> Iterator[Record]:
    """Every object inside a value."""
    if isinstance(value, dict):
        yield value
    for inner in value.values() if isinstance(value, dict) else value if isinstance(value, list) else ():
        yield from everything(inner)


def messages(folder: Path) -> list[str]:
    """The messages of the batch files, each a text with carriage returns."""
    found: list[str] = []
    for path in sorted(folder.glob("oru/*.hl7")):
        for segment in path.read_bytes().decode().split("\r")[:-1]:
            if segment.startswith("MSH"):
                found.append("")
            if not segment.startswith(("FHS", "BHS", "BTS", "FTS")):
                found[-1] += segment + "\r"
    return found


def codes(record: Record) -> set[str]:
    return {coding["code"] for coding in record["code"]["coding"] if coding["system"] == LOINC}


def test_there_is_something_to_check(output: dict[str, Path]) -> None:
    for name, folder in output.items():
        report = json.loads((folder / "report.json").read_bytes())
        written = Counter(record["resourceType"] for record in resources(folder))
        assert written["Observation"] >= 10, name
        assert written["Device"] >= 1, name
        assert written["Provenance"] >= 1, name
        assert len(messages(folder)) >= 4, name
        assert report["records"]["Observation"] == written["Observation"]
        assert report["records"]["ORU message"] == len(messages(folder))
    every = {code for folder in output.values() for record in observations(folder) for code in codes(record)}
    assert every >= {"85354-9", "85353-1", "8867-4", "2708-6", "8310-5", "9279-1", "29463-7", "8302-2", "39156-5"}


@pytest.mark.parametrize("name", EXPORTS)
@pytest.mark.parametrize("invariant", INVARIANTS)
def test_every_observation_keeps_the_invariants(output: dict[str, Path], name: str, invariant: str) -> None:
    broken = [record for record in observations(output[name]) if not holds(INVARIANTS[invariant], record)]
    assert broken == []


@pytest.mark.parametrize("name", EXPORTS)
@pytest.mark.parametrize("side", BLOOD_PRESSURE)
def test_every_blood_pressure_has_both_slices(output: dict[str, Path], name: str, side: str) -> None:
    pressures = [record for record in observations(output[name]) if "85354-9" in codes(record)]
    assert pressures
    assert all(holds(BLOOD_PRESSURE[side], record) for record in pressures)


def test_the_expressions_find_faults(output: dict[str, Path]) -> None:
    """A check that cannot fail shows nothing: each expression is false for a record of ours made wrong."""
    records = observations(output["ward-messy"])
    pressure = next(record for record in records if "85354-9" in codes(record))
    plain = next(record for record in records if "valueQuantity" in record)
    nothing = {key: part for key, part in plain.items() if key != "valueQuantity"}
    empty = {"code": pressure["component"][0]["code"]}
    reason = {"coding": [{"system": "http://terminology.hl7.org/CodeSystem/data-absent-reason", "code": "error"}]}
    wrong = {
        "vs-1": plain | {"effectiveDateTime": "2026-03"},
        "vs-2": nothing,
        "vs-3": pressure | {"component": [empty]},
        "obs-3": plain | {"referenceRange": [{"type": {"text": "normal"}}]},
        "obs-6": plain | {"dataAbsentReason": reason},
        "obs-7": plain | {"component": [{"code": plain["code"], "valueQuantity": plain["valueQuantity"]}]},
    }
    for name, record in wrong.items():
        assert not holds(INVARIANTS[name], record), name
        assert [other for other in INVARIANTS if other != name and not holds(INVARIANTS[other], record)] == []
    for number, side in enumerate(BLOOD_PRESSURE):
        left = [part for place, part in enumerate(pressure["component"]) if place != number]
        assert not holds(BLOOD_PRESSURE[side], pressure | {"component": left})


def test_every_unit_is_ucum(output: dict[str, Path]) -> None:
    registry = PintUcumRegistry()
    units = {
        part["code"]
        for folder in output.values()
        for record in observations(folder)
        for part in everything(record)
        if part.get("system") == UCUM
    }
    for folder in output.values():
        for message in messages(folder):
            for segment in message.split("\r"):
                fields = segment.split("|")
                if fields[0] == "OBX" and fields[6]:
                    code, _, system = fields[6].split("^")[:3]
                    assert system == "UCUM"
                    units.add(code)
    assert units >= {"mm[Hg]", "/min", "%", "Cel", "kg", "cm", "mmol/L"}
    for unit in units:
        registry.from_ucum(unit)
    with pytest.raises(InvalidUcumError):
        registry.from_ucum("mmHg")


def test_every_loinc_code_has_its_check_digit(output: dict[str, Path]) -> None:
    found = {
        part["code"]
        for folder in output.values()
        for record in observations(folder)
        for part in everything(record)
        if part.get("system") == LOINC
    }
    for folder in output.values():
        for message in messages(folder):
            for segment in message.split("\r"):
                fields = segment.split("|")
                for field in fields[3:5] if fields[0] in ("OBX", "OBR") else ():
                    parts = field.split("^")
                    found |= {parts[at] for at in (0, 3) if len(parts) > at + 2 and parts[at + 2] == "LN"}
    assert len(found) >= 15
    assert [code for code in found if not luhn.is_valid(code.replace("-", ""))] == []


@pytest.mark.parametrize("name", EXPORTS)
def test_hl7apy_reads_every_message_strictly(output: dict[str, Path], name: str) -> None:
    for text in messages(output[name]):
        message = parse_message(text, validation_level=VALIDATION_LEVEL.STRICT)
        assert message.name == "ORU_R01"
        assert message.validate()
        assert len(message.oru_r01_patient_result.oru_r01_order_observation.oru_r01_observation) == text.count("\rOBX|")


@pytest.mark.parametrize("name", EXPORTS)
def test_hl7_reads_every_message_and_gives_it_back(output: dict[str, Path], name: str) -> None:
    controls = []
    for text in messages(output[name]):
        message = hl7.parse(text)
        assert str(message) == text
        assert [str(segment[0]) for segment in message][:2] == ["MSH", "PID"]
        controls.append(str(message.segment("MSH")[10]))
    assert len(set(controls)) == len(controls)
    assert all(len(control) == 20 for control in controls)


@pytest.mark.parametrize("name", EXPORTS)
def test_hl7_reads_the_batch_files(output: dict[str, Path], name: str) -> None:
    for path in output[name].glob("oru/*.hl7"):
        file = hl7.parse_file(path.read_bytes().decode())
        assert str(file.trailer[1]) == "1"
        for batch in file:
            assert str(batch.trailer[1]) == str(len(batch))


@pytest.mark.parametrize("name", EXPORTS)
def test_both_outputs_tell_the_same(output: dict[str, Path], name: str) -> None:
    """Every number in FHIR, with its unit, is in a message of the same set, and nothing besides."""

    def numbers(record: Record) -> Iterator[tuple[str, str]]:
        for part in everything(record):
            if "value" in part and part.get("system") == UCUM:
                yield json.dumps(part["value"]), part["code"]

    in_fhir: Counter[tuple[str, str, str]] = Counter()
    for record in observations(output[name]):
        identity = record["identifier"][0]["value"].partition(".")[0]
        in_fhir.update((identity, format(float(number), "g"), unit) for number, unit in numbers(record))
    in_v2: Counter[tuple[str, str, str]] = Counter()
    for text in messages(output[name]):
        message = hl7.parse(text)
        identity = str(message.segment("OBR")[3]).split("^")[0]
        for observation in message.segments("OBX"):
            if str(observation[2]) in ("NM", "SN"):
                number = str(observation[5]).split("^")[-1]
                in_v2[identity, format(float(number), "g"), str(observation[6]).split("^")[0]] += 1
    assert in_fhir == in_v2


def test_a_transaction_says_how_each_resource_is_known_again(output: dict[str, Path]) -> None:
    """Sent twice, it adds nothing: every create is conditional (R4 http, conditional create)."""
    (path,) = output["clinic-wide"].glob("fhir/*.bundle.json")
    bundle = json.loads(path.read_bytes())
    assert bundle["type"] == "transaction"
    asked = [entry["request"]["ifNoneExist"] for entry in bundle["entry"]]
    assert len(set(asked)) == len(asked)
    for entry in bundle["entry"]:
        kind = entry["resource"]["resourceType"]
        assert entry["request"]["ifNoneExist"].startswith("_tag=" if kind == "Provenance" else "identifier=")


def test_the_set_panel_names_vital_signs_only(output: dict[str, Path]) -> None:
    """R4 vitalspanel: hasMember refers to Observations that follow the vitalsigns profile."""
    (path,) = output["clinic-wide"].glob("fhir/*.bundle.json")
    entries = {entry["fullUrl"]: entry["resource"] for entry in json.loads(path.read_bytes())["entry"]}
    panels = [
        record for record in entries.values() if record["resourceType"] == "Observation" and "hasMember" in record
    ]
    assert panels
    for panel in panels:
        for member in panel["hasMember"]:
            (category,) = entries[member["reference"]]["category"]
            assert category["coding"][0]["code"] == "vital-signs"
    assert any("72514-3" in codes(record) for record in entries.values() if record["resourceType"] == "Observation")
