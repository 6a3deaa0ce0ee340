"""The invariants of FHIR R4 4.0.1, run by fhirpathpy, against what the gateway's own verifier says.

Expressions: StructureDefinition vitalsigns (vs-1, vs-2, vs-3) and Observation (obs-3, obs-6, obs-7), as published at
http://hl7.org/fhir/R4/vitalsigns.html and http://hl7.org/fhir/R4/observation.html. Invariants of an inner element are
written with all() from the root; vs-1 leaves out "as dateTime", because fhirpathpy reads a dateTime as text.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from typing import Any

import pytest
from fhirpathpy import compile as compiled
from fhirpathpy.models import models

from gateway.verify.fhir import FhirVerifier
from tests.records import handmade_fhir as made
from tests.records.handmade_fhir import LOINC, Record, compact, component, concept, quantity, records

EXPRESSIONS = {
    "vs-1": "effective.toString().length() >= 8",
    "vs-2": "(component.empty() and hasMember.empty()) implies (dataAbsentReason.exists() or value.exists())",
    "vs-3": "component.all(value.exists() or dataAbsentReason.exists())",
    "obs-3": "referenceRange.all(low.exists() or high.exists() or text.exists())",
    "obs-6": "dataAbsentReason.empty() or value.empty()",
    "obs-7": "value.empty() or component.code.where(coding.intersect(%resource.code.coding).exists()).empty()",
}


@cache
def expression(name: str) -> Callable[..., list[Any]]:
    return compiled(EXPRESSIONS[name], models["r4"])


def broken_by_fhirpath(record: Record) -> set[str]:
    broken = set()
    for name in EXPRESSIONS:
        answer = expression(name)(record, {"resource": record})
        assert answer in ([True], [False]), f"{name} has no answer: {answer}"
        if answer == [False]:
            broken.add(name)
    return broken


def broken_by_verifier(record: Record) -> set[str]:
    said = [problem.what.partition(":")[0] for problem in FhirVerifier(False).lines(compact(record))]
    return {name for name in said if name in EXPRESSIONS}


@pytest.mark.parametrize("name", sorted(records()))
def test_good_records_keep_every_invariant(name: str) -> None:
    record = records()[name]
    assert broken_by_fhirpath(record) == set()
    assert FhirVerifier(False).lines(compact(record)) == []


def changed(name: str, **members: Any) -> Record:
    record = records()[name] | members
    return {key: value for key, value in record.items() if value is not None}


def with_component(name: str, *items: Record) -> Record:
    record = records()[name]
    record["component"] = [*record.get("component", ()), *items]
    return record


SPO2_AGAIN = component(made.SPO2, valueQuantity=quantity(95, "%", "%"))
UNLIKE = component(concept((LOINC, "3150-0", "Inhaled oxygen concentration")), valueQuantity=quantity(21, "%", "%"))
EMPTY = component(made.DIASTOLIC)

MUTANTS: list[tuple[str, Record, set[str]]] = [
    ("month", changed("spo2", effectiveDateTime="2026-03"), {"vs-1"}),
    ("year", changed("spo2", effectiveDateTime="2026"), {"vs-1"}),
    ("day", changed("spo2", effectiveDateTime="2026-03-14"), set()),
    ("minute", changed("spo2", effectiveDateTime="2026-03-14T09:30:00Z"), set()),
    ("nothing", changed("spo2", valueQuantity=None), {"vs-2"}),
    ("reason only", changed("spo2", valueQuantity=None, dataAbsentReason=made.absent("error")), set()),
    ("panel without components", changed("blood_pressure", component=None), {"vs-2"}),
    ("panel without members", changed("vital_signs", hasMember=None), {"vs-2"}),
    ("side without value", with_component("blood_pressure", EMPTY), {"vs-3"}),
    ("component only, valued", changed("spo2", valueQuantity=None, component=[UNLIKE]), set()),
    ("component only, empty", changed("spo2", valueQuantity=None, component=[EMPTY]), {"vs-3"}),
    ("value and reason", changed("spo2", dataAbsentReason=made.absent("error")), {"obs-6"}),
    ("coded answer and reason", changed("consciousness", dataAbsentReason=made.absent("error")), {"obs-6"}),
    ("component with the same code", with_component("spo2", SPO2_AGAIN), {"obs-7"}),
    ("component with another code", with_component("spo2", UNLIKE), set()),
    ("same code without a value", changed("spo2", valueQuantity=None, component=[SPO2_AGAIN]), set()),
    ("empty range", changed("spo2", referenceRange=[{"type": {"text": "normal"}}]), {"obs-3"}),
    ("range with a low", changed("spo2", referenceRange=[{"low": quantity(94, "%", "%")}]), set()),
    ("second range empty", changed("spo2", referenceRange=[{"text": "adult"}, {"type": {"text": "x"}}]), {"obs-3"}),
    ("three at once", changed("blood_pressure", effectiveDateTime="2026", dataAbsentReason=made.absent("error"),
                              valueQuantity=quantity(80, "mmHg", "mm[Hg]"), component=[EMPTY, SPO2_AGAIN]),
     {"vs-1", "vs-3", "obs-6"}),
]  # fmt: skip


@pytest.mark.parametrize(("name", "record", "expected"), MUTANTS, ids=[name for name, _, _ in MUTANTS])
def test_verifier_and_fhirpath_agree(name: str, record: Record, expected: set[str]) -> None:
    assert broken_by_fhirpath(record) == expected
    assert broken_by_verifier(record) == expected


def test_every_invariant_is_broken_by_some_mutant() -> None:
    assert set().union(*(expected for _, _, expected in MUTANTS)) == set(EXPRESSIONS)
