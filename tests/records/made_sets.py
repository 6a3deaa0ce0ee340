"""Sets, readings and mappings made by hand for the tests of the FHIR renderer; all invented."""

from __future__ import annotations

import json
from decimal import Decimal
from typing import Any

from gateway.mapping.model import Mapping
from gateway.model import Moment, Outcome, Party, Reading, SetItem
from gateway.records.fhir import Container, FhirRenderer
from gateway.verify.fhir import FhirVerifier
from gateway.vocabulary import vitals

Record = dict[str, Any]

NAMESPACE = "https://hillside.example/readings"
IDENTITY = "3f1c9d0a7be24865a1d2c3b4e5f60718"
OTHER = "91aa02c4d7e84f3bb6057c1e2d3f4a5b"
EXPORT = "aa" * 32
MAPPED = "0f" * 32
PATIENT = Party("H0417", "https://hillside.example/patients", "HILLSIDE", "MR")
CHANGED = "2026-03-15T01:02:03.456+00:00"
CHANGED_DTM = "20260315010203.456+0000"
MOMENT = Moment("14.03.2026 09:30", "2026-03-14T09:30:00-05:00", "202603140930-0500", 1773498600, "minute")
DAY = Moment("14.03.2026", "2026-03-14", "20260314", 1773464400, "day")


def mapping(
    *,
    namespace: str = NAMESPACE,
    title: str = "Hillside list",
    subject: str = "identifier",
    fhir: Record | None = None,
    **output: Any,
) -> Mapping:
    return Mapping.model_validate(
        {
            "title": title,
            "version": "3",
            "form": "delimited",
            "namespace": namespace,
            "delimited": {"layout": "wide"},
            "time": {"columns": ["time"], "formats": ["%Y-%m-%d %H:%M"], "zone": "America/Chicago"},
            "patient": {"column": "patient", "system": PATIENT.system, "subject": subject},
            "vitals": {"heart_rate": {"column": "HR", "unit": "/min"}},
            "output": {**output, "fhir": fhir or {}},
        }
    )


def renderer(chosen: Mapping | None = None, container: Container = "ndjson", received: str = "") -> FhirRenderer:
    return FhirRenderer(
        chosen or mapping(),
        container,
        export_sha256=EXPORT,
        mapping_sha256=MAPPED,
        gateway_version="9.9",
        received=received,
        changed=CHANGED,
    )


def value(key: str, number: str, unit: str = "", **more: Any) -> Reading:
    return Reading(key, number, Outcome.RECORDED, Decimal(number), unit=unit or vitals()[key].units[0], **more)


def coded(key: str, code: str, **more: Any) -> Reading:
    return Reading(key, code[0].upper(), Outcome.RECORDED, code=code, **more)


def absent(key: str, reason: str = "error", **more: Any) -> Reading:
    return Reading(key, "NOSIG", Outcome.ABSENT, reason=reason, **more)


def one_set(*readings: Reading, **more: Any) -> SetItem:
    chosen: dict[str, Any] = {"identity": IDENTITY, "line": 2, "patient": PATIENT, "moment": MOMENT} | more
    return SetItem(readings=readings, **chosen)


def read(text: bytes) -> Record:
    """A record with its numbers as they are written."""
    found: Record = json.loads(text, parse_float=Decimal, parse_int=Decimal)
    return found


def lines(item: SetItem, chosen: Mapping | None = None) -> list[Record]:
    """The NDJSON records of a set, after the verifier has found them good."""
    chosen = chosen or mapping()
    texts = renderer(chosen).observations(item)
    verifier = FhirVerifier(chosen.output.fhir.profile == "us-core")
    assert verifier.lines(b"\n".join([*texts, b""])) == []
    return [read(text) for text in texts]


def line(item: SetItem, chosen: Mapping | None = None) -> Record:
    """The only NDJSON record of a set."""
    (record,) = lines(item, chosen)
    return record


def whole_bundle(made: FhirRenderer, *items: SetItem) -> bytes:
    """A bundle of some sets as the conversion puts it together: devices, Observations, Provenance."""
    devices = {item.device.value: item.device for item in items if item.device is not None}
    records = [text for item in items for text in made.observations(item)]
    return made.bundle([*[made.device(device) for device in devices.values()], *records, *made.provenances(items)])
