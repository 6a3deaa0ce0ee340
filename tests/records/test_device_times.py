"""The records of a device's own time: hand-typed good ones pass in both verifiers, each single fault is caught.

Sources: HL7 Personal Health Device guide, PhdCoincidentTimestampObservation (FHIR); IHE proposal CP-PCD-081 (v2).
"""

from __future__ import annotations

import json
from collections.abc import Callable
from copy import deepcopy
from typing import Any

import pytest

from gateway.model import ClockPair, Moment, OwnTime, Party
from gateway.records.oru import OruRenderer
from gateway.verify.fhir import FhirVerifier, deep_fhir
from gateway.verify.oru import OruVerifier, deep_oru
from tests.records import made_sets
from tests.records.made_sets import MOMENT, NAMESPACE, mapping, one_set, renderer, value

Record = dict[str, Any]
DIGEST = "0a8243e44361ac40a15908de428b38e1"
EXTENSION = "http://hl7.org/fhir/uv/phd/StructureDefinition/CoincidentTimeStampReference"
GOOD: Record = {
    "resourceType": "Observation",
    "id": f"{DIGEST}-device-time",
    "identifier": [{"system": NAMESPACE, "value": f"{DIGEST}.device_time"}],
    "status": "final",
    "code": {"coding": [{"system": "urn:iso:std:iso:11073:10101", "code": "67975", "display": "MDC_ATTR_TIME_ABS"}]},
    "subject": {"reference": "Device/25fd7c5ab4f91f38d5e86aa313ceddef"},
    "effectiveDateTime": "2026-03-14T10:00:00-05:00",
    "valueDateTime": "2026-03-14T10:07:00-05:00",
    "note": [{"text": "The clock was 7 min ahead."}],
    "device": {"display": "spot-check gateway"},
}


def told(record: Record) -> list[str]:
    return [problem.what for problem in FhirVerifier(False).lines(json.dumps(record).encode() + b"\n")]


def test_the_good_record_passes() -> None:
    assert told(GOOD) == []
    assert deep_fhir(json.dumps(GOOD).encode()) == ""


def put(key: str, to: Any) -> Callable[[Record], object]:
    return lambda record: record.update({key: to})


FAULTS: list[tuple[str, Callable[[Record], object], str]] = [
    ("no id", lambda r: r.pop("id"), "id is missing"),
    ("another id", put("id", f"{DIGEST[::-1]}-device-time"), "not those of the same record"),
    ("no identity", lambda r: r["identifier"][0].update(value="x.device_time"), "32 hex digits"),
    ("no system", lambda r: r["identifier"][0].pop("system"), "identifier.system"),
    ("not final", put("status", "preliminary"), "always final"),
    ("another code", lambda r: r["code"]["coding"][0].update(code="67983"), "MDC 67975"),
    ("a second code", lambda r: r["code"]["coding"].append({"system": "urn:x:y", "code": "1"}), "MDC 67975"),
    ("about a patient", put("subject", {"reference": "Patient/7"}), "subject refers to"),
    ("about nobody", lambda r: r.pop("subject"), "subject"),
    ("outside a bundle", put("subject", {"reference": "urn:uuid:25fd7c5a-b4f9-8f38-95e8-6aa313ce0000"}), "resolved"),
    ("no true time", lambda r: r.pop("effectiveDateTime"), "effectiveDateTime"),
    ("a day", put("effectiveDateTime", "2026-03-14"), "time of day"),
    ("no time of its own", lambda r: r.pop("valueDateTime"), "valueDateTime"),
    ("without offset", put("valueDateTime", "2026-03-14T10:07:00"), "valueDateTime is not"),
    ("a quantity", put("valueQuantity", {"value": 1}), "does not belong"),
    ("derived", put("derivedFrom", [{"reference": "Observation/1"}]), "does not belong"),
    ("a category", put("category", [{"text": "x"}]), "does not belong"),
    ("no gateway", lambda r: r.pop("device"), "device"),
    ("a blank note", put("note", [{"text": ""}]), "empty"),
]


@pytest.mark.parametrize(("name", "change", "expected"), FAULTS, ids=[name for name, *_ in FAULTS])
def test_each_fault_is_caught(name: str, change: Callable[[Record], object], expected: str) -> None:
    record = deepcopy(GOOD)
    change(record)
    assert any(expected in what for what in told(record)), (name, told(record))


PAIR = ClockPair(
    "2026-03-14T10:07:00-05:00", "202603141007", "2026-03-14T10:00:00-05:00", "202603141000-0500", 420, "7 min ahead."
)
BY_CLOCK: Moment = MOMENT._replace(own=OwnTime("2026-03-14T09:37:00-05:00", MOMENT.epoch + 420, PAIR))
DEVICE = Party("M\\1|^", "https://hillside.example/monitors")


def bundle(container: Any = "transaction") -> Record:
    made = renderer(container=container)
    item = one_set(value("heart_rate", "64"), value("spo2", "97"), moment=BY_CLOCK, device=DEVICE)
    entries = [made.device(DEVICE), made.device_time(DEVICE, PAIR), *made.observations(item), *made.provenances([item])]
    found: Record = json.loads(made.bundle(entries))
    return found


def in_bundle(record: Record, *, quick: bool = False) -> list[str]:
    data = json.dumps(record, separators=(",", ":"), ensure_ascii=False).encode()
    verifier = FhirVerifier(False)
    if quick:
        assert verifier._quick_bundle(data)
        assert verifier._quick_bundle(data)
    return [problem.what for problem in verifier.bundle(data)]


@pytest.mark.parametrize("container", ["transaction", "collection"])
def test_a_bundle_of_them_is_good_and_known_to_the_quick_reading(container: str) -> None:
    assert in_bundle(bundle(container), quick=True) == []


BUNDLE_FAULTS: list[tuple[str, Callable[[Record], object], str]] = [
    ("the device's time is not there", lambda b: b["entry"].pop(1), "points at nothing"),
    (
        "a measurement refers to the device",
        lambda b: b["entry"][2]["resource"]["extension"][0]["valueReference"].update(
            reference=b["entry"][0]["fullUrl"]
        ),
        "another type",
    ),
    (
        "its subject is a measurement",
        lambda b: b["entry"][1]["resource"]["subject"].update(reference=b["entry"][2]["fullUrl"]),
        "another type",
    ),
    ("no ifNoneExist", lambda b: b["entry"][1]["request"].pop("ifNoneExist"), "would record twice"),
    ("twice", lambda b: b["entry"].append(b["entry"][1]), "twice"),
    (
        "an extension without its reference",
        lambda b: b["entry"][2]["resource"]["extension"][0].update(valueReference={"display": "x"}),
        "neither a reference",
    ),
]


@pytest.mark.parametrize(("name", "change", "expected"), BUNDLE_FAULTS, ids=[name for name, *_ in BUNDLE_FAULTS])
def test_each_fault_in_a_bundle_is_caught(name: str, change: Callable[[Record], object], expected: str) -> None:
    record = bundle()
    good = json.dumps(record, separators=(",", ":"), ensure_ascii=False).encode()
    change(record)
    data = json.dumps(record, separators=(",", ":"), ensure_ascii=False).encode()
    verifier = FhirVerifier(False)
    assert verifier.bundle(good) == []
    found = [problem.what for problem in verifier.bundle(data)]
    assert any(expected in what for what in found), (name, found)


def test_a_pair_known_from_an_earlier_bundle_still_needs_its_device() -> None:
    record = bundle()
    verifier = FhirVerifier(False)
    assert verifier.bundle(json.dumps(record, separators=(",", ":")).encode()) == []
    alone = {**record, "entry": record["entry"][1:2]}
    found = [problem.what for problem in verifier.bundle(json.dumps(alone, separators=(",", ":")).encode())]
    assert found == ["a urn:uuid reference points at nothing in the bundle"]


def test_a_line_refers_to_a_line() -> None:
    made = renderer()
    item = one_set(value("heart_rate", "64"), moment=BY_CLOCK, device=DEVICE)
    (text,) = made.observations(item)
    record = made_sets.read(text)
    reference = record["extension"][0]["valueReference"]["reference"]
    assert record["extension"][0]["url"] == EXTENSION
    assert json.loads(made.device_time(DEVICE, PAIR))["id"] == reference.partition("/")[2]
    assert FhirVerifier(False).lines(text + b"\n" + made.device_time(DEVICE, PAIR) + b"\n") == []
    wrong = text.replace(b"-device-time", b"-heart-rate")
    assert any("does not refer" in problem.what for problem in FhirVerifier(False).lines(wrong + b"\n"))


# --- HL7 v2


def message(version: str = "2.5.1", status: str = "preliminary", moment: Moment = BY_CLOCK) -> str:
    chosen = mapping(status=status, oru={"version": version})
    item = one_set(value("heart_rate", "64"), value("spo2", "97"), moment=moment, device=DEVICE)
    return OruRenderer(chosen).message(item)


def said(text: str, version: str = "2.5.1") -> list[str]:
    return [problem.what for problem in OruVerifier(version).messages([text])]


@pytest.mark.parametrize(("version", "kind"), [("2.5.1", "TS"), ("2.6", "DTM")])
@pytest.mark.parametrize("status", ["preliminary", "final"])
def test_the_row_of_a_message(version: str, kind: str, status: str) -> None:
    """Table 0125 of 2.5.1 has no DTM (hl7apy 1.3.5), where a time is a TS."""
    text = message(version, status)
    rows = [row for row in text.split("\r") if row.startswith(("OBX", "NTE"))]
    row = f"OBX|1|{kind}|67975^MDC_ATTR_TIME_ABS^MDC|1.0.0.1|202603141007||||||R|||202603141000-0500"
    assert rows[:2] == [row, "NTE|1||7 min ahead."]
    assert [each.split("|")[1] for each in rows[2:]] == ["2", "3"]
    assert said(text, version) == []
    assert deep_oru(text) == ""


def test_a_true_time_that_is_the_time_of_the_set() -> None:
    same = PAIR._replace(reference_dtm=MOMENT.dtm)
    assert said(message(moment=MOMENT._replace(own=OwnTime(MOMENT.fhir, MOMENT.epoch, same)))) == []


ROW_FAULTS = [
    ("another code", "67975^MDC_ATTR_TIME_ABS", "67975^MDC_ATTR_TIME_REL", "OBX-3"),
    ("another type", "|TS|67975", "|DTM|67975", "OBX-2"),
    ("a number", "|TS|67975", "|NM|67975", "OBX-2"),
    ("another level", "|1.0.0.1|", "|1.1.1.9|", "OBX-4"),
    ("no time", "|202603141007|", "||", "OBX-5"),
    ("an offset", "|202603141007|", "|202603141007-0500|", "OBX-5"),
    ("a day", "|202603141007|", "|20260314|", "OBX-5"),
    ("hour 25", "|202603141007|", "|202603142507|", "OBX-5"),
    ("31 February", "|202603141007|", "|202602311007|", "OBX-5"),
    ("validated", "||||||R|||202603141000", "||||||F|||202603141000", "OBX-11"),
    ("a flag", "||||||R|||202603141000", "|||QUES|||R|||202603141000", "no unit, flag"),
    ("no true time", "R|||202603141000-0500", "R|||", "OBX-14"),
    ("no offset", "R|||202603141000-0500", "R|||202603141000", "OBX-14"),
    ("a day of reference", "R|||202603141000-0500", "R|||20260314", "OBX-14"),
    ("number", "OBX|1|TS", "OBX|2|TS", "OBX-1"),
]


@pytest.mark.parametrize(("name", "old", "new", "expected"), ROW_FAULTS, ids=[name for name, *_ in ROW_FAULTS])
def test_each_fault_of_the_row_is_caught(name: str, old: str, new: str, expected: str) -> None:
    good = message()
    assert good.count(old) == 1
    found = said(good.replace(old, new))
    assert any(what.startswith(expected) or expected in what for what in found), (name, found)


@pytest.mark.parametrize(
    ("number", "content"),
    [
        (6, "min^min^UCUM"), (8, "QUES"), (16, "N12"), (17, "AMEAS^auto-measurement^MDC"), (18, "SN7"),
        (20, "LA^Left arm^HL70163"), (21, "X7^SPOTCHECK"),
    ],
)  # fmt: skip
def test_the_row_has_nothing_that_belongs_to_a_measurement(number: int, content: str) -> None:
    """In 2.6, where OBX-20 and OBX-21 exist."""
    good = message("2.6")
    row = next(each for each in good.split("\r") if each.startswith("OBX|1|"))
    fields = (row.split("|") + [""] * 10)[:22]
    fields[number] = content
    assert said(good.replace(row, "|".join(fields).rstrip("|")), "2.6") == [
        "OBX: a device's time has no unit, flag, observer, method, device or site"
    ]
