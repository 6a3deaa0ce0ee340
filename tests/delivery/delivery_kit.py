"""Bundles to deliver, made by the renderer from invented sets, and a server's answers to them."""

from __future__ import annotations

import json
from typing import Any

import httpx

from gateway.delivery.fhir_rest import FhirRest, FhirTarget
from gateway.model import Party, SetItem
from tests.records.made_sets import PATIENT, mapping, one_set, renderer, value, whole_bundle

Record = dict[str, Any]

URL = "https://fhir.hillside.example/r4"
DEVICE = Party("SN-4417", "")
OPERATOR = Party("nurse-82", "https://hillside.example/staff")
NOTE = "After a walk to the garden"
SECRETS = (PATIENT.value, DEVICE.value, OPERATOR.value, NOTE)


def sets(count: int) -> list[SetItem]:
    return [
        one_set(
            value("systolic", "118"), value("diastolic", "76"), value("heart_rate", f"{70 + number}"),
            value("temperature", "37.0"),
            identity=f"{number:02x}1c9d0a7be24865a1d2c3b4e5f60718",
            device=DEVICE,
            operator=OPERATOR,
            notes=(NOTE,) if number == 0 else (),
        )
        for number in range(count)
    ]  # fmt: skip


def bundle(count: int = 2, *, panel: bool = True) -> bytes:
    """A transaction bundle of `count` sets: a Device, 3 Observations a set (4 with the panel), and a Provenance."""
    chosen = mapping(fhir={"panel": panel})
    return whole_bundle(renderer(chosen, "transaction"), *sets(count))


def entries(data: bytes) -> list[Record]:
    found: list[Record] = json.loads(data)["entry"]
    return found


def accepted(request: httpx.Request) -> httpx.Response:
    """A server that creates everything."""
    sent = json.loads(request.content)
    kinds = [entry["resource"]["resourceType"] for entry in sent["entry"]]
    return httpx.Response(200, json=response([("201 Created", f"{kind}/{at}") for at, kind in enumerate(kinds)], sent))


def response(statuses: list[tuple[str, str]], sent: Record | None = None) -> Record:
    """A transaction-response (or batch-response, to a batch) of statuses and locations."""
    kind = sent["type"] if sent else "transaction"
    return {
        "resourceType": "Bundle",
        "type": f"{kind}-response",
        "entry": [
            {"response": {"status": status, **({"location": f"{place}/_history/1"} if place else {})}}
            for status, place in statuses
        ],
    }


def outcome(*found: Record) -> Record:
    return {
        "resourceType": "OperationOutcome",
        "issue": [{"severity": "error", "code": "invalid"} | one for one in found],
    }


def target(**settings: Any) -> FhirRest:
    return FhirRest("hillside", FhirTarget.model_validate({"url": URL} | settings))
