"""What the tests of the whole conversion share: a small mapping, a way to run it, readers of what it wrote."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path
from typing import Any

import hl7

from gateway.conversion import convert
from gateway.conversion.batch import Batch
from gateway.decisions import Action, Effect, Reason, Retract, Settle, decide
from gateway.ledger import HoldFilter, Recovered, SetFilter

REPOSITORY = Path(__file__).resolve().parents[2]
DEMO = REPOSITORY / "fixtures" / "demo"

COMMON = """
title = "A kit"
version = "1"
form = "delimited"
namespace = "https://kit.example.org/readings"

[time]
columns = ["When"]
formats = ["%Y-%m-%d %H:%M"]
zone = "America/Chicago"
past_days = "any"

[patient]
column = "Who"
pattern = "any"
system = "https://kit.example.org/patients"

[device]
column = "On"
system = "https://kit.example.org/monitors"

[category]
fixed = "adult"

[absent]
"--" = "not-performed"
"""

WIDE = (
    COMMON
    + """
[delimited]
layout = "wide"

[vitals.systolic]
column = "Sys"
unit = "mmHg"

[vitals.diastolic]
column = "Dia"
unit = "mmHg"

[vitals.heart_rate]
column = "HR"
unit = "/min"

[vitals.spo2]
column = "SpO2"
unit = "%"

[vitals.temperature]
column = "Temp"
unit = "Cel"

[vitals.weight]
column = "Weight"
unit = "kg"
"""
)

LONG = (
    COMMON
    + """
[delimited]
layout = "long"
delimiter = ";"
label_column = "What"
value_column = "Value"
unit_column = "Unit"

[vitals.systolic]
labels = ["Sys"]
units = ["mmHg"]

[vitals.diastolic]
labels = ["Dia"]
units = ["mmHg"]

[vitals.heart_rate]
labels = ["HR"]
units = ["/min"]

[vitals.spo2]
labels = ["SpO2"]
units = ["%"]

[vitals.temperature]
labels = ["Temp"]
units = { "C" = "Cel" }

[vitals.weight]
labels = ["Weight"]
units = ["kg"]
"""
)

UNITS = {
    "systolic": "mm[Hg]",
    "diastolic": "mm[Hg]",
    "heart_rate": "/min",
    "spo2": "%",
    "temperature": "Cel",
    "weight": "kg",
}
"""Record unit (UCUM) of each vital of the kit's mappings, in the order of its columns."""

LOINC = {
    "8480-6": "systolic",
    "8462-4": "diastolic",
    "8478-0": "mean_pressure",
    "8867-4": "heart_rate",
    "2708-6": "spo2",
    "8310-5": "temperature",
    "29463-7": "weight",
}
"""First LOINC code of the vitals of the kit, from the FHIR R4 vital-signs table (mean: regional practice)."""

WIDE_HEADER = "When,Who,On,Sys,Dia,HR,SpO2,Temp,Weight"
LONG_HEADER = "When;Who;On;What;Value;Unit"
GOOD_ROW = "2026-03-14 09:30,P-0007,M1,121,79,64,97,36.8,71.4"


def gateway(
    *words: str | Path,
    given: bytes | None = None,
    environment: dict[str, str] | None = None,
    prepare: Callable[[], None] | None = None,
    timeout: float = 120,
) -> subprocess.CompletedProcess[str]:
    """Run `python -m gateway` as a user would, with bytes on standard input."""
    done = subprocess.run(
        [sys.executable, "-m", "gateway", *map(str, words)],
        cwd=REPOSITORY,
        env=os.environ | (environment or {}),
        input=given or b"",
        capture_output=True,
        timeout=timeout,
        check=False,
        preexec_fn=prepare,
    )
    out, err = done.stdout.decode(), done.stderr.decode()
    return subprocess.CompletedProcess(done.args, done.returncode, out, err)


def tree(folder: Path) -> dict[str, bytes]:
    """Every file below a folder."""
    return {str(path.relative_to(folder)): path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()}


def written(folder: Path) -> dict[str, bytes]:
    """The record files of a result."""
    return {name: data for name, data in tree(folder).items() if name.startswith(("fhir/", "oru/"))}


def resources(folder: Path) -> Iterator[dict[str, Any]]:
    """Every FHIR resource of a result, numbers exact."""
    for name, data in written(folder).items():
        if name.endswith(".bundle.json"):
            yield from (entry["resource"] for entry in json.loads(data, parse_float=Decimal)["entry"])
        elif name.endswith(".ndjson"):
            yield from (json.loads(line, parse_float=Decimal) for line in data.decode().splitlines())


def observations(folder: Path) -> list[dict[str, Any]]:
    """Every Observation of a result."""
    return [resource for resource in resources(folder) if resource["resourceType"] == "Observation"]


@dataclass(frozen=True, order=True)
class Fact:
    """One recorded value as a reader of the records sees it; texts exactly as they stand there."""

    patient: str
    device: str
    time: str
    vital: str
    value: str
    unit: str


def _value(part: dict[str, Any]) -> tuple[str, str] | None:
    quantity = part.get("valueQuantity")
    return None if quantity is None else (quantity.get("comparator", "") + str(quantity["value"]), quantity["code"])


def fhir_facts(folder: Path) -> list[Fact]:
    """Every value in the FHIR records of a result, by the kit's table of codes."""
    devices = {}
    for resource in resources(folder):
        if resource["resourceType"] == "Device":
            devices[resource.get("id", "")] = resource["identifier"][0]["value"]
    for name, data in written(folder).items():
        if name.endswith(".bundle.json"):
            for entry in json.loads(data)["entry"]:
                if entry["resource"]["resourceType"] == "Device":
                    devices[entry["fullUrl"]] = entry["resource"]["identifier"][0]["value"]
    facts = []
    for observation in observations(folder):
        device = observation["device"]["reference"].removeprefix("Device/")
        for part in [observation, *observation.get("component", [])]:
            found = _value(part)
            if found is not None:
                facts.append(
                    Fact(
                        observation["subject"]["identifier"]["value"],
                        devices[device],
                        observation["effectiveDateTime"],
                        LOINC[part["code"]["coding"][0]["code"]],
                        *found,
                    )
                )
    return sorted(facts)


def oru_messages(folder: Path) -> list[Any]:
    """Every message of a result, read by an independent parser."""
    texts: list[str] = []
    for name, data in written(folder).items():
        if name.startswith("oru/"):
            body = data.decode()
            starts = [at for at in range(len(body)) if body.startswith("MSH|", at) and body[at - 1] == "\r"]
            ends = [*starts[1:], body.index("\rBTS|") + 1]
            texts += [body[start:end] for start, end in zip(starts, ends, strict=True)]
    return [hl7.parse(text) for text in texts]


def oru_facts(folder: Path) -> list[Fact]:
    """Every number in the messages of a result; times as in OBX-14."""
    facts = []
    for message in oru_messages(folder):
        patient = message.unescape(str(message.segment("PID")[3][0][0]))
        for segment in message.segments("OBX"):
            if str(segment[2]) == "NM":
                device = str(segment[18][0][0]) if len(segment) > 18 else ""
                codes = {str(part) for part in segment[3][0]}
                vital = next(LOINC[code] for code in LOINC if any(code in each for each in codes))
                unit = str(segment[6][0][0]) if isinstance(segment[6][0], list) else str(segment[6])
                facts.append(Fact(patient, device, str(segment[14]), vital, str(segment[5]), unit))
    return sorted(facts)


def retract(
    place: str | Path,
    which: SetFilter,
    out: Path | None,
    *,
    who: str,
    why: str,
    reason: Reason = "error",
    mapping: Path | None = None,
    associations: Path | None = None,
    dry_run: bool = False,
    recovered: Callable[[Sequence[Recovered]], None] | None = None,
) -> Effect:
    """Take recorded sets back."""
    decision = Retract(which=which, reason=reason, associations=associations, who=who, why=why)
    return decide(place, decision, mapping=mapping, out=out, dry_run=dry_run, recovered=recovered)


def settle(
    place: str | Path,
    action: Action,
    which: HoldFilter,
    *,
    who: str,
    why: str,
    patient: str | None = None,
    dry_run: bool = False,
) -> Effect:
    """Settle open holds."""
    return decide(place, Settle(action=action, which=which, patient=patient or "", who=who, why=why), dry_run=dry_run)


def run(tmp: Path, exports: Sequence[str | Path], mapping: str, out: str = "out", **options: Any) -> Batch:
    """Convert with a mapping given as text."""
    file = tmp / f"{out}.toml"
    file.write_text(mapping, encoding="utf-8")
    return convert(exports, file, tmp / out, **options)


def findings(folder: Path) -> list[dict[str, str]]:
    """The rows of findings.csv."""
    import csv

    with (folder / "findings.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))
