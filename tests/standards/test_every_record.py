"""Each vital, unit, site, method and answer of the vocabulary, from an export to a record that others' tools read.

Units in two parts (5 ft 8 in) are in test_units_published.py.

Sources:
  model       HL7 FHIR R4 as fhir.resources has it (PyPI, its R4B package: Observation is the same in R4 4.0.1)
  invariants  FHIR R4 4.0.1, StructureDefinitions vitalsigns and Observation, run by fhirpathpy
  units       UCUM, http://unitsofmeasure.org, grammar as ucumvert reads it; quantities as pint computes them
  codes       LOINC Users' Guide, appendix C, and SNOMED CT: check digits as python-stdnum computes them
  HL7 v2      structures of 2.5.1 and 2.6 as hl7apy has them (strict)
"""

from __future__ import annotations

import json
from decimal import Decimal
from fractions import Fraction
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from fhir.resources.R4B.observation import Observation
from hl7apy.consts import VALIDATION_LEVEL
from hl7apy.parser import parse_message
from stdnum import luhn, verhoeff
from ucumvert import PintUcumRegistry

from gateway.conversion import convert
from gateway.vocabulary import LOINC, SNOMED, UCUM, Vital, panels, units, vitals
from tests.standards.test_rendered_output import INVARIANTS, holds, messages, resources

VALUES = {
    "systolic": "118", "diastolic": "76", "mean_pressure": "92", "oxygen_flow": "4", "oxygen_concentration": "40",
    "spo2": "97", "temperature": "36.6", "respiratory_rate": "16", "weight": "71.5", "height": "172", "bmi": "24.2",
    "head_circumference": "56", "coma_score": "14",
}  # fmt: skip
"""A value in the first unit of the vital; 72 /min, 95 mg/dL and a score of 4 elsewhere."""
PLAIN = {"rate": "72", "concentration": "95", "score": "4"}


@cache
def registry() -> Any:
    return PintUcumRegistry()


def others(vital: Vital) -> list[str]:
    """Every unit the vital is read in."""
    return [ucum for ucum, unit in units().items() if unit.dimension == vital.dimension and not unit.parts]


def shown(vital: Vital, ucum: str) -> str:
    """The vital's value as an export in `ucum` has it, computed by pint."""
    plain = VALUES.get(vital.key) or PLAIN[vital.dimension]
    if ucum == vital.units[0]:
        return plain
    if vital.dimension == "concentration":
        return "5.3"  # 95 mg/dL; takes the molar mass
    if vital.dimension == "temperature":
        kinds = {"Cel": "36.6", "[degF]": "97.9", "K": "309.8"}
        return kinds[ucum]
    there = registry().Quantity(float(plain), registry().from_ucum(vital.units[0])).to(registry().from_ucum(ucum))
    return f"{Decimal(there.magnitude):.4f}"


def rows_of(vital: Vital) -> list[dict[str, str]]:
    """One row for each unit, site, method and answer."""
    if vital.kind == "coded":
        return [{"value": answer, "unit": ""} for answer in vital.answers]
    first = vital.units[0]
    rows = [{"value": shown(vital, ucum), "unit": ucum} for ucum in others(vital)]
    rows += [{"value": shown(vital, first), "unit": first, "site": site} for site in vital.sites]
    return rows + [{"value": shown(vital, first), "unit": first, "method": method} for method in vital.methods]


def mapping_of(vital: Vital, beside: tuple[str, ...]) -> str:
    """A mapping for the rows, with the other members of its panel at fixed columns."""
    text = """title = "Each record"
version = "1"
form = "delimited"
namespace = "https://north-ward.example.org/each"
[delimited]
layout = "wide"
[time]
columns = ["time"]
formats = ["%Y-%m-%dT%H:%M"]
zone = "UTC"
past_days = "any"
[patient]
column = "patient"
pattern = "[0-9]{4}"
system = "https://north-ward.example.org/patients"
[category]
fixed = "adult"
"""
    for key in (vital.key, *beside):
        each = vitals()[key]
        text += f'[vitals.{key}]\ncolumn = "{"value" if key == vital.key else key}"\n'
        if each.kind == "coded":
            text += "codes = {" + ", ".join(f'"{answer}" = "{answer}"' for answer in each.answers) + "}\n"
            continue
        if key == vital.key:
            text += (
                'unit_column = "unit"\nunits = {' + ", ".join(f'"{ucum}" = "{ucum}"' for ucum in others(each)) + "}\n"
            )
        else:
            text += f'unit = "{each.units[0]}"\n'
        for table, known in (("site", each.sites), ("method", each.methods)):
            if known and key == vital.key:
                text += f'{table} = {{ column = "{table}", values = {{'
                text += ", ".join(f'"{name}" = "{name}"' for name in known) + "} }\n"
        if key == vital.key and len(each.units) > 1:
            text += f'record_unit = "{each.units[0]}"\n' if not each.keep_unit else ""
    return text


@cache
def converted(key: str, folder: Path) -> tuple[list[dict[str, str]], Path]:
    vital = vitals()[key]
    beside = tuple(each for each in panels()[vital.panel].members if each != key) if vital.panel else ()
    rows = rows_of(vital)
    columns = ["time", "patient", "value", "unit", "site", "method", *beside]
    lines = [",".join(columns)]
    for at, row in enumerate(rows):
        cells = {"time": f"2026-03-14T{at // 60:02}:{at % 60:02}", "patient": "1234", **row}
        lines.append(",".join(cells.get(column, VALUES.get(column, "")) for column in columns))
    (folder / "mapping.toml").write_text(mapping_of(vital, beside), encoding="utf-8")
    (folder / "export.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    convert([folder / "export.csv"], folder / "mapping.toml", folder / "out", as_="both", bundle="ndjson")
    return rows, folder / "out"


@pytest.fixture(scope="module")
def folders(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    return {key: tmp_path_factory.mktemp(key) for key in vitals()}


def results(vital: Vital, folder: Path) -> list[dict[str, Any]]:
    """What each record says of the vital: the record itself, or its component."""
    first = {coding.code for unit in vital.units or ("",) for coding in vital.codings_in(unit)[:1]}
    found = []
    for record in resources(folder):
        if record["resourceType"] == "Observation":
            for said in (record, *record.get("component", ())):
                if {coding["code"] for coding in said["code"].get("coding", ())} & first:
                    found.append(said if said is record else {**said, "bodySite": record.get("bodySite")})
    return found


@pytest.mark.parametrize("key", vitals())
class TestEach:
    def test_every_row_is_recorded_and_none_marked(self, key: str, folders: dict[str, Path]) -> None:
        rows, out = converted(key, folders[key])
        report = json.loads((out / "report.json").read_bytes())
        assert not [rule for rule in report["rules"] if rule["severity"] != "information"]
        assert len(results(vitals()[key], out)) == len(rows)

    def test_records_keep_the_published_rules(self, key: str, folders: dict[str, Path]) -> None:
        _, out = converted(key, folders[key])
        for record in resources(out):
            if record["resourceType"] == "Observation":
                Observation.model_validate(record)
                assert [name for name, text in INVARIANTS.items() if not holds(text, record)] == []

    def test_codes_and_units_are_of_their_systems(self, key: str, folders: dict[str, Path]) -> None:
        vital, seen = vitals()[key], set()
        for said in results(vital, converted(key, folders[key])[1]):
            for coding in [*said["code"]["coding"], *said.get("valueCodeableConcept", {}).get("coding", ())]:
                if coding["system"] == LOINC and not coding["code"].startswith("LA"):
                    luhn.validate(coding["code"].replace("-", ""))
                if coding["system"] == SNOMED:
                    verhoeff.validate(coding["code"])
            if "valueQuantity" in said:
                assert said["valueQuantity"]["system"] == UCUM
                seen.add(said["valueQuantity"]["code"])
        for ucum in seen - {"{score}"}:
            registry().from_ucum(ucum)
        assert seen == (set(vital.units) if vital.keep_unit else set(vital.units[:1]))

    def test_values_are_what_the_export_says(self, key: str, folders: dict[str, Path]) -> None:
        vital = vitals()[key]
        rows, out = converted(key, folders[key])
        answers = {answer.coding.code: name for name, answer in vital.answers.items()}
        for row, said in zip(rows, results(vital, out), strict=True):
            if vital.kind == "coded":
                assert answers[said["valueCodeableConcept"]["coding"][0]["code"]] == row["value"]
                continue
            expected = Fraction(row["value"] if row["unit"] in vital.units[:1] or vital.keep_unit
                                else shown(vital, vital.units[0]))  # fmt: skip
            step = Fraction(1, 10 ** vital.decimals_in(said["valueQuantity"]["code"]))
            assert abs(Fraction(str(said["valueQuantity"]["value"])) - expected) <= step

    def test_messages_are_of_the_standard(self, key: str, folders: dict[str, Path]) -> None:
        rows, out = converted(key, folders[key])
        found = messages(out)
        assert len(found) == len(rows)
        for message in found:
            parse_message(message, validation_level=VALIDATION_LEVEL.STRICT, find_groups=True).validate()

    def test_sites_and_methods_are_said(self, key: str, folders: dict[str, Path]) -> None:
        vital = vitals()[key]
        _, out = converted(key, folders[key])
        texts = [
            json.dumps(record, ensure_ascii=False)
            for record in resources(out)
            if record["resourceType"] == "Observation"
        ]
        for table, known in (("site", vital.sites), ("method", vital.methods)):
            for name, each in known.items():
                code = each.snomed.code if each.snomed else each.title
                assert any(code in text for text in texts), (table, name)
