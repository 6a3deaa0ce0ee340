"""Valid FHIR records typed by hand for the verifiers' tests, without the renderer.

Codes, units and structure follow the FHIR R4 4.0.1 examples (blood-pressure, blood-pressure-dar, satO2,
body-temperature, heart-rate, respiratory-rate, body-weight, body-height, bmi, head-circumference, vitals-panel, mbp);
patients, times and values are invented.
"""

from __future__ import annotations

import json
from copy import deepcopy
from typing import Any

LOINC = "http://loinc.org"
MDC = "urn:iso:std:iso:11073:10101"
SNOMED = "http://snomed.info/sct"
UCUM = "http://unitsofmeasure.org"
BASE = "http://hl7.org/fhir/StructureDefinition/"
US_CORE = "http://hl7.org/fhir/us/core/StructureDefinition/us-core-"
NAMESPACE = "https://hillside.example/spot-check"
IDENTITY = "3f1c9d0a7be24865a1d2c3b4e5f60718"
OTHER = "91aa02c4d7e84f3bb6057c1e2d3f4a5b"

Record = dict[str, Any]


def concept(*codings: tuple[str, str, str]) -> Record:
    return {"coding": [{"system": system, "code": code, "display": display} for system, code, display in codings]}


def quantity(value: float, unit: str, code: str) -> Record:
    return {"value": value, "unit": unit, "system": UCUM, "code": code}


def absent(code: str) -> Record:
    return concept(("http://terminology.hl7.org/CodeSystem/data-absent-reason", code, code.capitalize()))


def interpretation(system: str, code: str) -> list[Record]:
    return [{"coding": [{"system": system, "code": code}]}]


V3 = "http://terminology.hl7.org/CodeSystem/v3-ObservationInterpretation"
STATUS = "http://hl7.org/fhir/uv/pocd/CodeSystem/measurement-status"


def observation(
    key: str, code: Record, profile: str = "", *, identity: str = IDENTITY, category: str = "vital-signs", **rest: Any
) -> Record:
    """An Observation in the order fhir.resources writes its members."""
    tail = (
        "issued",
        "performer",
        "valueQuantity",
        "valueCodeableConcept",
        "dataAbsentReason",
        "interpretation",
        "note",
    )
    last = ("bodySite", "method", "device", "referenceRange", "hasMember", "component")
    record: Record = {"resourceType": "Observation", "id": f"{identity}-{key.replace('_', '-')}"}
    if profile:
        record["meta"] = {"profile": [profile]}
    if "extension" in rest:
        record["extension"] = rest["extension"]
    record["identifier"] = [{"system": NAMESPACE, "value": f"{identity}.{key}"}]
    record["status"] = rest.get("status", "final")
    record["category"] = [
        concept(("http://terminology.hl7.org/CodeSystem/observation-category", category, category.capitalize()))
    ]
    record["code"] = code
    record["subject"] = rest.get(
        "subject", {"identifier": {"system": "https://hillside.example/mrn", "value": "H0417"}}
    )
    if "encounter" in rest:
        record["encounter"] = rest["encounter"]
    record["effectiveDateTime"] = rest.get("effective", "2026-03-14T09:30:00-05:00")
    record |= {name: rest[name] for name in tail if name in rest}
    rest.setdefault("device", {"reference": "Device/monitor-7"})
    record |= {name: rest[name] for name in last if name in rest}
    return record


def component(code: Record, **rest: Any) -> Record:
    return {"code": code, **rest}


SYSTOLIC = concept((LOINC, "8480-6", "Systolic blood pressure"), (SNOMED, "271649006", "Systolic blood pressure"))
DIASTOLIC = concept((LOINC, "8462-4", "Diastolic blood pressure"))
MEAN = concept((LOINC, "8478-0", "Mean blood pressure"), (MDC, "150023", "MDC_PRESS_BLD_NONINV_MEAN"))
PANEL = concept((LOINC, "85354-9", "Blood pressure panel with all children optional"))
SPO2 = concept(
    (LOINC, "2708-6", "Oxygen saturation in Arterial blood"),
    (LOINC, "59408-5", "Oxygen saturation in Arterial blood by Pulse oximetry"),
    (MDC, "150456", "MDC_PULS_OXIM_SAT_O2"),
)


def records() -> dict[str, Record]:
    """Valid records by name, fresh copies."""
    return deepcopy(_RECORDS)


_RECORDS: dict[str, Record] = {
    "blood_pressure": observation(
        "blood_pressure",
        PANEL,
        BASE + "bp",
        bodySite=concept((SNOMED, "368209003", "Right arm")),
        performer=[{"identifier": {"system": "https://hillside.example/staff", "value": "N12"}}],
        component=[
            component(SYSTOLIC, valueQuantity=quantity(107, "mmHg", "mm[Hg]")),
            component(DIASTOLIC, valueQuantity=quantity(60, "mmHg", "mm[Hg]")),
        ],
    ),
    "blood_pressure_with_mean": observation(
        "blood_pressure",
        PANEL,
        BASE + "bp",
        component=[
            component(
                SYSTOLIC,
                valueQuantity=quantity(188, "mmHg", "mm[Hg]"),
                interpretation=interpretation(STATUS, "questionable"),
            ),
            component(DIASTOLIC, valueQuantity=quantity(96, "mmHg", "mm[Hg]")),
            component(MEAN, valueQuantity=quantity(127, "mmHg", "mm[Hg]")),
        ],
    ),
    "blood_pressure_qualified": observation(
        "blood_pressure",
        PANEL,
        BASE + "bp",
        component=[
            component(SYSTOLIC, valueQuantity=quantity(107, "mmHg", "mm[Hg]")),
            component(DIASTOLIC, valueQuantity=quantity(60, "mmHg", "mm[Hg]")),
            component({"text": "How the measurement was started"}, valueCodeableConcept={"text": "started by hand"}),
            component(
                concept((LOINC, "8358-4", "Blood pressure device Cuff size")),
                valueCodeableConcept=concept((SNOMED, "720736009", "Blood pressure cuff, pediatric size")),
            ),
        ],
    ),
    "blood_pressure_absent_side": observation(
        "blood_pressure",
        PANEL,
        BASE + "bp",
        component=[
            component(SYSTOLIC, valueQuantity=quantity(107, "mmHg", "mm[Hg]")),
            component(DIASTOLIC, dataAbsentReason=absent("not-performed")),
        ],
    ),
    "spo2": observation("spo2", SPO2, BASE + "oxygensat", valueQuantity=quantity(95, "%", "%")),
    "heart_rate": observation(
        "heart_rate",
        concept((LOINC, "8867-4", "Heart rate"), (MDC, "147842", "MDC_ECG_HEART_RATE")),
        BASE + "heartrate",
        valueQuantity=quantity(44, "beats/minute", "/min"),
        interpretation=interpretation(STATUS, "questionable"),
        note=[{"text": "after exercise"}],
    ),
    "pulse_oximeter": observation(
        "pulse_oximeter",
        concept(
            (LOINC, "8867-4", "Heart rate"),
            (LOINC, "8889-8", "Heart rate by Pulse oximetry"),
            (MDC, "149530", "MDC_PULS_OXIM_PULS_RATE"),
        ),
        BASE + "heartrate",
        identity=OTHER,
        valueQuantity=quantity(61, "/min", "/min"),
    ),
    "temperature": observation(
        "temperature",
        concept((LOINC, "8310-5", "Body temperature"), (LOINC, "8331-1", "Oral temperature")),
        BASE + "bodytemp",
        valueQuantity=quantity(36.5, "C", "Cel"),
        bodySite=concept((SNOMED, "74262004", "Oral cavity structure")),
        extension=[
            {
                "url": BASE + "event-location",
                "valueReference": {"identifier": {"system": "https://hillside.example/beds", "value": "B4"}},
            }
        ],
        encounter={"identifier": {"value": "V9"}},
    ),
    "respiratory_rate": observation(
        "respiratory_rate",
        concept((LOINC, "9279-1", "Respiratory rate")),
        BASE + "resprate",
        valueQuantity=quantity(26, "breaths/minute", "/min"),
    ),
    "weight": observation(
        "weight",
        concept((LOINC, "29463-7", "Body weight"), (LOINC, "3141-9", "Body weight Measured")),
        BASE + "bodyweight",
        effective="2026-03-14",
        valueQuantity=quantity(185, "lbs", "[lb_av]"),
    ),
    "height": observation(
        "height",
        concept((LOINC, "8302-2", "Body height")),
        BASE + "bodyheight",
        valueQuantity=quantity(66.9, "in", "[in_i]"),
    ),
    "bmi": observation(
        "bmi",
        concept((LOINC, "39156-5", "Body mass index (BMI) [Ratio]")),
        BASE + "bmi",
        valueQuantity=quantity(16.2, "kg/m2", "kg/m2"),
        status="preliminary",
    ),
    "head_circumference": observation(
        "head_circumference",
        concept((LOINC, "9843-4", "Head Occipital-frontal circumference")),
        BASE + "headcircum",
        valueQuantity=quantity(51.2, "cm", "cm"),
    ),
    "mean_pressure": observation(
        "mean_pressure", MEAN, BASE + "vitalsigns", valueQuantity=quantity(80, "mm[Hg]", "mm[Hg]")
    ),
    "spo2_off_scale": observation(
        "spo2",
        SPO2,
        BASE + "oxygensat",
        identity=OTHER,
        valueQuantity={"value": 70, "comparator": "<", "unit": "%", "system": UCUM, "code": "%"},
        interpretation=interpretation(V3, "<"),
    ),
    "temperature_failed": observation(
        "temperature",
        concept((LOINC, "8310-5", "Body temperature")),
        BASE + "bodytemp",
        identity=OTHER,
        dataAbsentReason=absent("error"),
        note=[{"text": "NOSIG: probe off"}],
    ),
    "heart_rate_with_range": observation(
        "heart_rate",
        concept((LOINC, "8867-4", "Heart rate")),
        BASE + "heartrate",
        identity=OTHER,
        valueQuantity=quantity(72, "/min", "/min"),
        referenceRange=[{"low": quantity(60, "/min", "/min"), "text": "at rest"}],
    ),
    "glucose": observation(
        "glucose",
        concept((LOINC, "14743-9", "Glucose [Moles/volume] in Capillary blood by Glucometer")),
        category="laboratory",
        valueQuantity=quantity(5.6, "mmol/L", "mmol/L"),
    ),
    "pain": observation(
        "pain",
        concept((LOINC, "72514-3", "Pain severity - 0-10 verbal numeric rating [Score] - Reported")),
        category="survey",
        valueQuantity=quantity(5, "{score}", "{score}"),
    ),
    "consciousness": observation(
        "consciousness",
        concept((LOINC, "67775-7", "Level of responsiveness")),
        category="exam",
        valueCodeableConcept=concept((SNOMED, "248234008", "Mentally alert")),
    ),
    "vital_signs": observation(
        "vital_signs",
        concept((LOINC, "85353-1", "Vital signs panel")),
        BASE + "vitalspanel",
        hasMember=[
            {"reference": f"Observation/{IDENTITY}-blood-pressure"},
            {"reference": f"Observation/{IDENTITY}-spo2"},
        ],
    ),
}

DEVICE: Record = {
    "resourceType": "Device",
    "id": "monitor-7",
    "identifier": [{"system": "https://hillside.example/devices", "value": "SN-0007"}],
    "status": "active",
    "deviceName": [{"name": "Ward monitor 7", "type": "user-friendly-name"}],
}

PROVENANCE: Record = {
    "resourceType": "Provenance",
    "id": "batch-1",
    "meta": {"tag": [{"system": NAMESPACE + "/provenance", "code": "b7c1"}]},
    "target": [{"reference": f"Observation/{IDENTITY}-spo2"}],
    "recorded": "2026-03-14T09:40:00-05:00",
    "agent": [{"who": {"display": "Spot-check gateway"}}],
    "entity": [
        {"role": "source", "what": {"identifier": {"system": "urn:ietf:rfc:3986", "value": "urn:hash::sha-256:00"}}}
    ],
}


def spo2_us_core() -> Record:
    """US Core pulse oximetry with oxygen flow and concentration as components (structure of its published example)."""
    record = records()["spo2"]
    record["meta"] = {"profile": [US_CORE + "pulse-oximetry"]}
    record["component"] = [
        component(concept((LOINC, "3151-8", "Inhaled oxygen flow rate")), valueQuantity=quantity(6, "l/min", "L/min")),
        component(concept((LOINC, "3150-0", "Inhaled oxygen concentration")), valueQuantity=quantity(40, "%", "%")),
    ]
    return record


DEVICE_URL = "urn:uuid:5d0c7b1e-4a2f-5e6d-9c8b-7a6f5e4d3c2b"


def url(identity: str, number: int) -> str:
    """A UUID of version 8 made from an identity."""
    return (
        f"urn:uuid:{identity[:8]}-{identity[8:12]}-8{identity[13:16]}-a{identity[17:20]}-{identity[20:28]}{number:04x}"
    )


def bundle(kind: str = "transaction", panel: bool = False) -> Record:
    """A bundle with a device, three Observations and a Provenance; with `panel` a vital-signs panel as well."""
    entries: list[Record] = []
    device = {key: value for key, value in deepcopy(DEVICE).items() if key != "id"}
    entries.append({"fullUrl": DEVICE_URL, "resource": device})
    names = ["blood_pressure", "spo2", "respiratory_rate", *(["vital_signs"] if panel else [])]
    for number, name in enumerate(names, 1):
        record = records()[name]
        del record["id"]
        record["device"] = {"reference": DEVICE_URL}
        if name == "vital_signs":
            record["hasMember"] = [{"reference": url(IDENTITY, 1)}, {"reference": url(IDENTITY, 2)}]
        entries.append({"fullUrl": url(IDENTITY, number), "resource": record})
    provenance = {key: value for key, value in deepcopy(PROVENANCE).items() if key != "id"}
    provenance["target"] = [{"reference": url(IDENTITY, number)} for number in range(1, len(names) + 1)]
    if kind == "transaction":
        code = {"system": "http://terminology.hl7.org/CodeSystem/v3-DataOperation", "code": "CREATE"}
        provenance["activity"] = {"coding": [code], "text": "Created where it was missing."}
    entries.append({"fullUrl": "urn:uuid:0b5e7f0c-1111-5222-8333-444455556666", "resource": provenance})
    if kind == "transaction":
        for entry in entries:
            resource = entry["resource"]
            entry["request"] = {"method": "POST", "url": resource["resourceType"]}
            for identifier in resource.get("identifier", ()):
                entry["request"]["ifNoneExist"] = f"identifier={identifier['system']}|{identifier['value']}"
            if resource["resourceType"] == "Provenance":
                entry["request"]["ifNoneExist"] = f"_tag={NAMESPACE}/provenance|b7c1"
    return {"resourceType": "Bundle", "type": kind, "timestamp": "2026-03-14T09:40:00-05:00", "entry": entries}


def compact(record: Record) -> bytes:
    """The record as one line of JSON."""
    return json.dumps(record, separators=(",", ":"), ensure_ascii=False).encode()
