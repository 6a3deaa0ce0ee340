"""The FHIR verifier: hand-typed good records pass, each single fault is caught, and the quick reading never errs."""

from __future__ import annotations

import random
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.verify.fhir import FhirVerifier, deep_fhir
from tests.records import handmade_fhir as made
from tests.records.handmade_fhir import BASE, LOINC, Record, bundle, compact, concept, quantity, records

Change = Callable[[Record], object]


def told(record: Record, *, us_core: bool = False) -> list[str]:
    return [problem.what for problem in FhirVerifier(us_core).lines(compact(record) + b"\n")]


def whole(text: Record) -> list[tuple[int, str]]:
    return [(problem.index, problem.what) for problem in FhirVerifier(False).bundle(compact(text))]


@pytest.mark.parametrize("name", sorted(records()))
def test_good_records_pass(name: str) -> None:
    assert told(records()[name]) == []


@pytest.mark.parametrize("name", sorted(records()))
def test_good_records_are_known_to_the_quick_reading(name: str) -> None:
    record = records()[name]
    assert FhirVerifier(False)._quick(compact(record), record["id"].encode(), b"", False, [])


def test_a_whole_file_passes_twice() -> None:
    kept = {record["id"]: compact(record) for record in records().values()}
    data = b"\n".join([*kept.values(), compact(made.DEVICE), compact(made.PROVENANCE)]) + b"\n"
    verifier = FhirVerifier(False)
    assert verifier.lines(data) == []
    assert verifier.lines(data) == []
    assert verifier.lines(data.rstrip(b"\n")) == []
    assert verifier.lines(b"") == []


def _first(record: Record, *path: str | int) -> Any:
    found: Any = record
    for step in path:
        found = found[step]
    return found


def put(*path: str | int, to: Any) -> Change:
    def change(record: Record) -> None:
        _first(record, *path[:-1])[path[-1]] = to

    return change


def drop(*path: str | int) -> Change:
    def change(record: Record) -> None:
        del _first(record, *path[:-1])[path[-1]]

    return change


VALUE = ("valueQuantity",)
CODING = ("code", "coding", 0)
FAULTS: list[tuple[str, str, Change, str]] = [
    # name of a good record, what is wrong, how it is made wrong, what the verifier must say
    ("spo2", "no status", drop("status"), "status is missing"),
    ("spo2", "unknown status", put("status", to="finished"), "status"),
    ("spo2", "no category", drop("category"), "category is missing"),
    ("spo2", "empty category", put("category", to=[]), "category"),
    ("spo2", "wrong category", put("category", 0, "coding", 0, "code", to="laboratory"), "category"),
    ("spo2", "category of no system", drop("category", 0, "coding", 0, "system"), "system"),
    ("glucose", "vital-signs on glucose", put("category", 0, "coding", 0, "code", to="vital-signs"), "category"),
    ("spo2", "no code", drop("code"), "code is missing"),
    ("spo2", "only the added code", lambda r: r["code"]["coding"].pop(0), "2708-6"),
    ("pulse_oximeter", "only the method's code", lambda r: r["code"]["coding"].pop(0), "8867-4"),
    ("temperature", "only the site's code", lambda r: r["code"]["coding"].pop(0), "8310-5"),
    ("spo2", "required code not first", lambda r: r["code"]["coding"].reverse(), "come first"),
    ("spo2", "required code twice", lambda r: r["code"]["coding"].append(dict(r["code"]["coding"][0])), "twice"),
    ("heart_rate", "code of another vital", put(*CODING, "code", to="9279-1"), "8867-4"),
    (
        "respiratory_rate",
        "code of another vital beside",
        lambda r: r["code"]["coding"].append({"system": LOINC, "code": "8867-4"}),
        "8867-4",
    ),
    ("heart_rate", "MDC of another vital", put("code", "coding", 1, "code", to="151562"), "MDC"),
    ("heart_rate", "MDC not a number", put("code", "coding", 1, "code", to="MDC_ECG"), "MDC"),
    ("spo2", "LOINC check digit", put("code", "coding", 1, "code", to="59408-6"), "check digit"),
    ("temperature", "SNOMED check digit", put("bodySite", "coding", 0, "code", to="74262005"), "SNOMED"),
    ("spo2", "no subject", drop("subject"), "subject is missing"),
    ("spo2", "two subjects", lambda r: r.update(subject=[r["subject"]]), "subject"),
    ("spo2", "subject without value", drop("subject", "identifier", "value"), "subject"),
    ("spo2", "subject without system", drop("subject", "identifier", "system"), "subject"),
    ("spo2", "subject is a group", put("subject", to={"reference": "Group/7"}), "subject"),
    ("spo2", "subject contained", put("subject", to={"reference": "#p"}), "ref-1"),
    ("spo2", "subject outside a bundle", put("subject", to={"reference": made.DEVICE_URL}), "urn:uuid"),
    ("spo2", "no time", drop("effectiveDateTime"), "effectiveDateTime is missing"),
    ("spo2", "time without offset", put("effectiveDateTime", to="2026-03-14T09:30:00"), "dateTime"),
    ("spo2", "time without seconds", put("effectiveDateTime", to="2026-03-14T09:30-05:00"), "dateTime"),
    ("spo2", "v2 offset", put("effectiveDateTime", to="2026-03-14T09:30:00-0500"), "dateTime"),
    ("spo2", "hour 24", put("effectiveDateTime", to="2026-03-14T24:00:00-05:00"), "dateTime"),
    ("spo2", "31 February", put("effectiveDateTime", to="2026-02-31T09:30:00-05:00"), "does not exist"),
    ("spo2", "month only", put("effectiveDateTime", to="2026-03"), "vs-1"),
    ("spo2", "year only", put("effectiveDateTime", to="2026"), "vs-1"),
    ("spo2", "period", lambda r: r.update(effectivePeriod={"start": r.pop("effectiveDateTime")}), "effectivePeriod"),
    ("spo2", "no value, no reason", drop(*VALUE), "vs-2"),
    ("spo2", "value and reason", put("dataAbsentReason", to=made.absent("error")), "obs-6"),
    (
        "bmi",
        "absent bmi",
        lambda r: r.update(dataAbsentReason=(r.pop("valueQuantity"), made.absent("error"))[1]),
        "requires",
    ),
    ("spo2", "value of another type", lambda r: r.update(valueString=(r.pop("valueQuantity"), "95")[1]), "valueString"),
    (
        "consciousness",
        "number for an answer",
        lambda r: r.update(valueQuantity=quantity(1, "{score}", "{score}")),
        "value",
    ),
    ("spo2", "number as text", put(*VALUE, "value", to="95"), "number"),
    ("spo2", "no number", drop(*VALUE, "value"), "number"),
    ("spo2", "number is true", put(*VALUE, "value", to=True), "number"),
    ("spo2", "no unit text", drop(*VALUE, "unit"), "unit"),
    ("spo2", "no unit code", drop(*VALUE, "code"), "code"),
    ("spo2", "no unit system", drop(*VALUE, "system"), "qty-3"),
    ("spo2", "other unit system", put(*VALUE, "system", to="http://unitsofmeasure.org/"), "UCUM"),
    ("heart_rate", "annotated unit", put(*VALUE, "code", to="{beats}/min"), "/min"),
    ("heart_rate", "unit 1/min", put(*VALUE, "code", to="1/min"), "/min"),
    ("temperature", "coulomb", put(*VALUE, "code", to="C"), "Cel"),
    ("temperature", "degC", put(*VALUE, "code", to="degC"), "Cel"),
    ("weight", "stone", put(*VALUE, "code", to="[stone_av]"), "kg"),
    ("height", "metre", put(*VALUE, "code", to="m"), "cm"),
    ("glucose", "unit of the other code", put(*VALUE, "code", to="mg/dL"), "mmol/L"),
    ("spo2", "unknown comparator", put(*VALUE, "comparator", to="ad"), "comparator"),
    ("spo2_off_scale", "comparator without flag", drop("interpretation"), "off-scale"),
    (
        "spo2_off_scale",
        "flag of the other side",
        put("interpretation", to=made.interpretation(made.V3, ">")),
        "off-scale",
    ),
    ("spo2_off_scale", "flag without comparator", drop(*VALUE, "comparator"), "off-scale"),
    ("heart_rate", "unknown flag", put("interpretation", 0, "coding", 0, "code", to="doubtful"), "interpretation"),
    (
        "heart_rate",
        "flag of no known system",
        put("interpretation", 0, "coding", 0, "system", to="urn:x"),
        "interpretation",
    ),
    (
        "temperature_failed",
        "unknown reason",
        put("dataAbsentReason", "coding", 0, "code", to="cannot-be-obtained"),
        "15",
    ),
    ("temperature_failed", "reason as text only", put("dataAbsentReason", to={"text": "off"}), "dataAbsentReason"),
    ("heart_rate_with_range", "empty range", put("referenceRange", 0, to={"type": {"text": "normal"}}), "obs-3"),
    ("blood_pressure", "panel with a value", put("valueQuantity", to=quantity(80, "mmHg", "mm[Hg]")), "no value"),
    ("blood_pressure", "one side gone", lambda r: r["component"].pop(), "8462-4"),
    ("blood_pressure", "no components", drop("component"), "vs-2"),
    ("blood_pressure_qualified", "cuff twice", lambda r: r["component"].append(r["component"][3]), "8358-4"),
    (
        "blood_pressure_qualified",
        "answer to another question",
        put("component", 3, "valueCodeableConcept", "coding", 0, "code", to="33586001"),
        "not a published answer of LOINC 8358-4",
    ),
    (
        "blood_pressure_qualified",
        "a code where none is published",
        put("component", 2, "valueCodeableConcept", to=concept((made.SNOMED, "720737000", "Adult cuff"))),
        "not a published answer of How the measurement was started",
    ),
    (
        "blood_pressure_qualified",
        "answer of another system",
        put("component", 3, "valueCodeableConcept", "coding", 0, "system", to="urn:x"),
        "not a published answer",
    ),
    (
        "blood_pressure_qualified",
        "cuff in centimetres",
        lambda r: r["component"][3].update(
            valueQuantity=(r["component"][3].pop("valueCodeableConcept"), quantity(12, "cm", "cm"))[1]
        ),
        "an answer or a text",
    ),
    (
        "blood_pressure_qualified",
        "cuff absent",
        lambda r: r["component"][3].update(
            dataAbsentReason=(r["component"][3].pop("valueCodeableConcept"), made.absent("unknown"))[1]
        ),
        "an answer or a text",
    ),
    (
        "blood_pressure_qualified",
        "mode without words",
        put("component", 2, "valueCodeableConcept", to={"text": " "}),
        "text",
    ),
    (
        "blood_pressure_qualified",
        "two questions in one",
        lambda r: r["component"][3]["code"]["coding"].append({"system": LOINC, "code": "8361-8"}),
        "stands alone",
    ),
    (
        "blood_pressure_qualified",
        "pressure as text",
        lambda r: r["component"][0].update(
            valueCodeableConcept=(r["component"][0].pop("valueQuantity"), {"text": "107"})[1]
        ),
        "no coding",
    ),
    (
        "spo2",
        "cuff on a saturation",
        put(
            "component",
            to=[
                {
                    "code": concept((LOINC, "8358-4", "Cuff size")),
                    "valueCodeableConcept": {"text": "adult cuff"},
                }
            ],
        ),
        "not one that belongs",
    ),
    ("blood_pressure", "side twice", lambda r: r["component"].append(r["component"][0]), "8480-6"),
    ("blood_pressure", "side without value", drop("component", 0, "valueQuantity"), "vs-3"),
    ("blood_pressure", "side in kPa", put("component", 0, "valueQuantity", "code", to="kPa"), "mm[Hg]"),
    (
        "blood_pressure",
        "component of another panel",
        put("component", 1, "code", to=concept((LOINC, "8867-4", "x"))),
        "belong",
    ),
    ("blood_pressure", "sides swapped codes", put("component", 1, "code", "coding", 0, "code", to="8480-6"), "8462-4"),
    (
        "blood_pressure_absent_side",
        "reason and value",
        put("component", 1, "valueQuantity", to=quantity(60, "mmHg", "mm[Hg]")),
        "either",
    ),
    ("blood_pressure_with_mean", "wrong MDC", put("component", 2, "code", "coding", 1, "code", to="150021"), "MDC"),
    (
        "spo2",
        "component with the parent's code",
        put("component", to=[{"code": made.SPO2, "valueQuantity": quantity(95, "%", "%")}]),
        "obs-7",
    ),
    ("vital_signs", "no members", drop("hasMember"), "vs-2"),
    ("vital_signs", "a value", put("valueQuantity", to=quantity(1, "1", "1")), "no value"),
    (
        "vital_signs",
        "member of another set",
        put("hasMember", 0, "reference", to=f"Observation/{made.OTHER}-spo2"),
        "set",
    ),
    ("vital_signs", "member twice", lambda r: r["hasMember"].append(r["hasMember"][0]), "twice"),
    (
        "vital_signs",
        "member is a score",
        put("hasMember", 0, "reference", to=f"Observation/{made.IDENTITY}-coma-score"),
        "not a vital sign",
    ),
    ("vital_signs", "member is a device", put("hasMember", 0, "reference", to="Device/7"), "Observation"),
    (
        "spo2",
        "members on a vital",
        put("hasMember", to=[{"reference": f"Observation/{made.IDENTITY}-bmi"}]),
        "hasMember",
    ),
    ("spo2", "no identifier", drop("identifier"), "identifier is missing"),
    ("spo2", "two identifiers", lambda r: r["identifier"].append(r["identifier"][0]), "exactly one"),
    ("spo2", "identifier without system", drop("identifier", 0, "system"), "identifier"),
    ("spo2", "relative namespace", put("identifier", 0, "system", to="spot-check"), "absolute URI"),
    ("spo2", "identifier of another form", put("identifier", 0, "value", to="spo2-17"), "identifier"),
    (
        "spo2",
        "identifier of another vital",
        put("identifier", 0, "value", to=f"{made.IDENTITY}.heart_rate"),
        "same record",
    ),
    ("spo2", "id of another set", put("id", to=f"{made.OTHER}-spo2"), "same record"),
    ("spo2", "no id", drop("id"), "id is missing"),
    ("spo2", "id with underscore", put("id", to=f"{made.IDENTITY}_spo2"), "id"),
    ("spo2", "profile of another vital", put("meta", "profile", 0, to=BASE + "heartrate"), "profile"),
    ("pain", "vital-signs profile on a score", put("meta", to={"profile": [BASE + "vitalsigns"]}), "profile"),
    ("spo2", "unknown element", put("focus", to=[{"reference": "Patient/2"}]), "focus"),
    ("spo2", "narrative nobody asked for", put("text", to={"status": "empty"}), "text"),
    ("spo2", "null", put("valueQuantity", "unit", to=None), "null"),
    ("spo2", "empty text", put("code", "text", to=""), "empty"),
    ("spo2", "empty object", put("bodySite", to={}), "empty"),
    ("heart_rate", "empty note", put("note", 0, "text", to=" "), "note"),
    ("heart_rate", "control character in a note", put("note", 0, "text", to="a\x01b"), "control"),
    ("spo2", "device is a patient", put("device", "reference", to="Patient/7"), "device"),
    ("spo2", "device points nowhere", put("device", to={"display": "monitor"}), "device"),
    ("temperature", "location without reference", drop("extension", 0, "valueReference"), "ext-1"),
    ("temperature", "extension without url", drop("extension", 0, "url"), "extension"),
    (
        "spo2",
        "oxygen flow in a base record",
        lambda r: r.update(component=made.spo2_us_core()["component"]),
        "required list",
    ),
    ("spo2", "another resource", put("resourceType", to="Condition"), "resourceType"),
]


@pytest.mark.parametrize(("name", "fault", "change", "says"), FAULTS, ids=[f"{n}: {f}" for n, f, _, _ in FAULTS])
def test_each_single_fault_is_caught(name: str, fault: str, change: Change, says: str) -> None:
    record = records()[name]
    assert told(record) == [], "the record must be good before it is made wrong"
    change(record)
    problems = told(record)
    assert problems, f"not caught: {fault}"
    assert any(says in what for what in problems), problems


@pytest.mark.parametrize(("name", "fault", "change", "says"), FAULTS, ids=[f"{n}: {f}" for n, f, _, _ in FAULTS])
def test_a_warm_verifier_catches_the_same(name: str, fault: str, change: Change, says: str) -> None:
    verifier = FhirVerifier(False)
    for good in records().values():
        assert verifier.lines(compact(good)) == []
    record = records()[name]
    change(record)
    assert [problem.what for problem in verifier.lines(compact(record))] == told(record)


US_FAULTS: list[tuple[str, Change, str]] = [
    ("no pulse oximetry code", lambda r: r["code"]["coding"].pop(1), "59408-5"),
    ("base profile only", put("meta", "profile", to=[BASE + "oxygensat"]), "US Core"),
    ("no profile", drop("meta"), "US Core"),
    ("flow twice", lambda r: r["component"].append(r["component"][0]), "3151-8"),
    ("flow in l/min code", put("component", 0, "valueQuantity", "code", to="l/min"), "L/min"),
    ("concentration as fraction", put("component", 1, "valueQuantity", "code", to="1"), "%"),
]


def test_us_core_record_passes() -> None:
    assert told(made.spo2_us_core(), us_core=True) == []


@pytest.mark.parametrize(("fault", "change", "says"), US_FAULTS, ids=[fault for fault, _, _ in US_FAULTS])
def test_us_core_faults_are_caught(fault: str, change: Change, says: str) -> None:
    record = made.spo2_us_core()
    change(record)
    assert any(says in what for what in told(record, us_core=True)), fault


def test_us_core_profile_is_not_claimed_by_base_records() -> None:
    record = records()["spo2"]
    record["meta"] = {"profile": [made.US_CORE + "pulse-oximetry"]}
    assert told(record) == ["meta.profile names a profile that is not this quantity's"]


LINE = compact(records()["spo2"])


@pytest.mark.parametrize(
    ("line", "says"),
    [
        (LINE[:-1], "not JSON"),
        (LINE + b"}", "behind"),
        (LINE + b",", "behind"),
        (b"[" + LINE + b"]", "not a JSON object"),
        (b"", "not JSON"),
        (LINE.replace(b":95,", b":NaN,"), "NaN"),
        (LINE.replace(b":95,", b":095,"), "not JSON"),
        (LINE.replace(b":95,", b":.95,"), "not JSON"),
        (LINE.replace(b":95,", b":+95,"), "not JSON"),
        (LINE.replace(b'"status":"final",', b'"status":"final","status":"final",'), "twice"),
        (LINE.replace(b'"unit":"%",', b'"unit":"%","unit":"%",'), "twice"),
        (LINE.replace(b"SpO2", b"\xff").replace(b"Oxygen", b"\xff", 1), "UTF-8"),
        (LINE.replace(made.IDENTITY.encode(), b"\x00"), "not JSON"),
        (LINE.replace(b"H0417", b"H\x01417"), "not JSON"),
        (LINE.replace(b"H0417", b"H\\ud83d417"), "surrogate"),
        (LINE.replace(b'"subject":{"identifier"', b'"subject":{"x":[{"identifier"', 1), "not JSON"),
        (b"[" * 100_000, "nested too deeply"),
    ],
)
def test_broken_json_is_a_problem_and_not_an_exception(line: bytes, says: str) -> None:
    verifier = FhirVerifier(False)
    assert verifier.lines(LINE) == []
    problems = verifier.lines(LINE.replace(made.IDENTITY.encode(), made.OTHER.encode()) + b"\n" + line + b"\n")
    assert [problem.index for problem in problems] == [1] * len(problems)
    assert any(says in problem.what for problem in problems), problems


def test_precision_and_order_are_free_but_digits_are_json() -> None:
    record = records()["temperature"]
    line = compact(record)
    for digits in (b"36.50", b"36", b"-1.0", b"3.65e1"):
        assert FhirVerifier(False).lines(line.replace(b"36.5", digits)) == []
    shuffled = dict(sorted(record.items(), reverse=True))
    assert told(shuffled) == []


def test_a_record_that_stands_twice_is_named() -> None:
    verifier = FhirVerifier(False)
    problems = verifier.lines(b"\n".join([LINE, compact(records()["bmi"]), LINE]))
    assert [(problem.index, problem.what) for problem in problems] == [(2, "the same record stands here twice")]
    device = compact(made.DEVICE)
    assert [problem.index for problem in verifier.lines(b"\n".join([device, device]))] == [1]


UNRECORDED = {"extension": [{"url": BASE + "data-absent-reason", "valueCode": "unknown"}]}

OTHER_FAULTS: list[tuple[Record, Change, str]] = [
    (made.DEVICE, drop("identifier"), "identifier"),
    (made.DEVICE, drop("id"), "id is missing"),
    (made.DEVICE, put("status", to="broken"), "status"),
    (made.DEVICE, put("deviceName", 0, "type", to="nickname"), "deviceName"),
    (made.DEVICE, put("colour", to="grey"), "colour"),
    (made.PROVENANCE, drop("target"), "target"),
    (made.PROVENANCE, drop("recorded"), "recorded"),
    (made.PROVENANCE, put("recorded", to="2026-03-14"), "instant"),
    (made.PROVENANCE, put("_recorded", to=UNRECORDED), "said to be absent"),
    (made.PROVENANCE, lambda r: (r.pop("recorded"), r.update(_recorded={"extension": []})), "instant"),
    (made.PROVENANCE, put("meta", "tag", 0, "system", to="provenance"), "meta.tag"),
    (made.PROVENANCE, drop("meta", "tag", 0, "code"), "meta.tag"),
    (made.PROVENANCE, put("meta", "tag", to=[]), "meta.tag"),
    (made.PROVENANCE, drop("agent"), "agent"),
    (made.PROVENANCE, drop("agent", 0, "who"), "who"),
    (made.PROVENANCE, put("entity", 0, "role", to="cause"), "role"),
    (made.PROVENANCE, put("target", 0, "reference", to=made.DEVICE_URL), "urn:uuid"),
]


@pytest.mark.parametrize(("record", "change", "says"), OTHER_FAULTS)
def test_device_and_provenance(record: Record, change: Change, says: str) -> None:
    from copy import deepcopy

    record = deepcopy(record)
    assert told(record) == []
    change(record)
    assert any(says in what for what in told(record))


def test_the_time_of_a_provenance_may_be_said_to_be_unknown() -> None:
    record = {key: value for key, value in made.PROVENANCE.items() if key != "recorded"}
    assert told({**record, "_recorded": UNRECORDED}) == []


MANY = [{"reference": f"Observation/{made.IDENTITY}-{name}"} for name in ("spo2", "bmi", "pain", "weight")]


@pytest.mark.parametrize(
    ("targets", "says"),
    [
        (MANY, ""),
        ([*MANY, MANY[0]], "twice"),
        ([MANY[0], MANY[0]], "twice"),
        ([*MANY, {"reference": made.DEVICE_URL}], "urn:uuid"),
        ([*MANY, {"reference": "Observation/" + "x" * 65}], "target"),
        ([*MANY, {"reference": "Group/1"}], "target"),
        ([*MANY, {"reference": "Observation/1", "colour": "grey"}], "colour"),
        ([*MANY, {}], "target"),
    ],
)
def test_long_lists_of_targets(targets: list[Record], says: str) -> None:
    problems = told({**made.PROVENANCE, "target": targets})
    assert bool(problems) == bool(says)
    assert says in " ".join(problems)


def test_broken_json_among_many_targets_is_caught() -> None:
    line = compact({**made.PROVENANCE, "target": MANY})
    assert FhirVerifier(False).lines(line) == []
    for broken in (line.replace(b"},{", b"}{", 1), line.replace(b"},{", b"},,{", 1), line.replace(b"-bmi", b"-bmi\\")):
        assert FhirVerifier(False).lines(broken) != []


@pytest.mark.parametrize("panel", [False, True])
@pytest.mark.parametrize("kind", ["transaction", "collection"])
def test_good_bundles_pass(kind: str, panel: bool) -> None:
    text = bundle(kind, panel)
    assert whole(text) == []
    assert FhirVerifier(False)._quick_bundle(compact(text)), "the quick reading must know it"
    encoded = compact(text).replace(
        b"identifier=https://hillside.example", b"identifier=https%3A%2F%2Fhillside.example"
    )
    assert FhirVerifier(False).bundle(encoded) == []


def _mend(text: Record, index: int, change: Change) -> None:
    change(text["entry"][index])


BUNDLE_FAULTS: list[tuple[str, Change, int, str]] = [
    ("total", put("total", to=5), -1, "bdl-1"),
    ("search", put("entry", 1, "search", to={"mode": "match"}), 1, "bdl-2"),
    ("no request", drop("entry", 1, "request"), 1, "bdl-3"),
    ("requests in a collection", put("type", to="collection"), 0, "bdl-3"),
    ("response", put("entry", 1, "response", to={"status": "201"}), 1, "bdl-4"),
    ("empty entry", put("entry", 1, to={"fullUrl": made.url(made.IDENTITY, 9)}), 1, "bdl-5"),
    ("fullUrl twice", put("entry", 2, "fullUrl", to=made.url(made.IDENTITY, 1)), 2, "bdl-7"),
    ("versioned fullUrl", put("entry", 2, "fullUrl", to="https://x.example/Observation/1/_history/2"), 2, "bdl-8"),
    ("no fullUrl", drop("entry", 2, "fullUrl"), 2, "fullUrl"),
    ("upper-case urn", put("entry", 2, "fullUrl", to=made.url(made.IDENTITY, 2).upper()), 2, "fullUrl"),
    ("UUID of another version", put("entry", 2, "fullUrl", to=made.DEVICE_URL.replace("5d0c", "5d0d")), 2, "version 8"),
    (
        "device points nowhere",
        put("entry", 2, "resource", "device", "reference", to=made.url(made.OTHER, 1)),
        2,
        "points at nothing",
    ),
    (
        "device points at an Observation",
        put("entry", 2, "resource", "device", "reference", to=made.url(made.IDENTITY, 1)),
        2,
        "another type",
    ),
    (
        "provenance points nowhere",
        put("entry", 4, "resource", "target", 0, "reference", to=made.url(made.OTHER, 1)),
        4,
        "points at nothing",
    ),
    ("no ifNoneExist", drop("entry", 2, "request", "ifNoneExist"), 2, "ifNoneExist"),
    (
        "ifNoneExist of another",
        put("entry", 2, "request", "ifNoneExist", to=f"identifier={made.NAMESPACE}|x"),
        2,
        "ifNoneExist",
    ),
    (
        "ifNoneExist without system",
        put("entry", 2, "request", "ifNoneExist", to=f"identifier={made.IDENTITY}.spo2"),
        2,
        "ifNoneExist",
    ),
    (
        "ifNoneExist asks for something else",
        put("entry", 2, "request", "ifNoneExist", to=f"_id={made.NAMESPACE}|{made.IDENTITY}.spo2"),
        2,
        "ifNoneExist",
    ),
    (
        "ifNoneExist not encoded",
        put("entry", 2, "request", "ifNoneExist", to=f"identifier={made.NAMESPACE}|{made.IDENTITY}.spo2&a=b"),
        2,
        "percent",
    ),
    ("provenance without ifNoneExist", drop("entry", 4, "request", "ifNoneExist"), 4, "ifNoneExist"),
    ("provenance without tag", drop("entry", 4, "resource", "meta"), 4, "known again"),
    ("provenance asks for another tag", put("entry", 4, "resource", "meta", "tag", 0, "code", to="b7c2"), 4, "tag"),
    (
        "provenance asks by identifier",
        put("entry", 4, "request", "ifNoneExist", to=f"identifier={made.NAMESPACE}/provenance|b7c1"),
        4,
        "tag",
    ),
    ("wrong url", put("entry", 2, "request", "url", to="Device"), 2, "request.url"),
    ("wrong method", put("entry", 2, "request", "method", to="DELETE"), 2, "request.method"),
    ("PUT without id", put("entry", 2, "request", to={"method": "PUT", "url": "Observation/1"}), 2, "PUT"),
    (
        "identifier twice",
        lambda r: r["entry"].append({**r["entry"][2], "fullUrl": made.url(made.OTHER, 5)}),
        5,
        "twice",
    ),
    ("a wrong unit inside", put("entry", 2, "resource", "valueQuantity", "code", to="1"), 2, "valueQuantity"),
    ("no status inside", drop("entry", 1, "resource", "status"), 1, "status"),
    ("a foreign resource", put("entry", 2, "resource", to={"resourceType": "Patient"}), 2, "resourceType"),
    ("batch", put("type", to="batch"), -1, "transaction nor collection"),
    ("unknown type", put("type", to="heap"), -1, "bundle-type"),
    ("no type", drop("type"), -1, "bundle-type"),
    ("no entries", put("entry", to=[]), -1, "entry"),
    ("not a bundle", put("resourceType", to="List"), -1, "Bundle"),
    ("timestamp without offset", put("timestamp", to="2026-03-14T09:40:00"), -1, "timestamp"),
]


@pytest.mark.parametrize(("fault", "change", "index", "says"), BUNDLE_FAULTS, ids=[item[0] for item in BUNDLE_FAULTS])
def test_bundle_faults_are_caught(fault: str, change: Change, index: int, says: str) -> None:
    text = bundle()
    change(text)
    problems = whole(text)
    assert any(place == index and says in what for place, what in problems), problems
    warm = FhirVerifier(False)
    assert warm.bundle(compact(bundle())) == []
    assert [(problem.index, problem.what) for problem in warm.bundle(compact(text))] == problems


@pytest.mark.parametrize(
    ("value", "query", "good"),
    [
        ("SN,7", "SN%5C%2C7", True),
        ("SN,7", "SN%2C7", False),
        ("SN,7", "SN,7", False),
        ("a|b", "a%5C%7Cb", True),
        ("a|b", "a%7Cb", False),
        ("a$b\\c", "a%5C%24b%5C%5Cc", True),
        ("a$b", "a%24b", False),
        ("a\\", "a%5C", False),
        ("a b&c=d", "a%20b%26c%3Dd", True),
        ("Ä", "%C3%84", True),
        ("a", "a%7C", False),
    ],
)
def test_a_search_for_exactly_one_token(value: str, query: str, good: bool) -> None:
    """FHIR R4 search, "escaping": a comma would ask for either of two tokens, a bar would start another part."""
    text = bundle()
    system = text["entry"][0]["resource"]["identifier"][0]["system"]
    text["entry"][0]["resource"]["identifier"][0]["value"] = value
    text["entry"][0]["request"]["ifNoneExist"] = f"identifier={system}|{query}"
    assert (whole(text) == []) is good
    assert (FhirVerifier(False)._quick_bundle(compact(text))) is good


def test_a_device_known_from_a_transaction_is_not_taken_for_granted_elsewhere() -> None:
    verifier = FhirVerifier(False)
    assert verifier.bundle(compact(bundle())) == []
    assert verifier.bundle(compact(bundle())) == []
    mixed = bundle("collection")
    mixed["entry"][0] = bundle()["entry"][0]
    assert any(problem.index == 0 and "bdl-3" in problem.what for problem in verifier.bundle(compact(mixed)))
    twice = bundle()
    twice["entry"].append(twice["entry"][0])
    assert any("bdl-7" in problem.what for problem in verifier.bundle(compact(twice)))
    assert verifier.bundle(compact(bundle("collection"))) == []


def test_broken_bundles_are_problems() -> None:
    data = compact(bundle())
    for broken in (data[:-1], data + b"]", b"", b"null", data.replace(b'"entry":[', b'"entry":[,', 1), b"\xff" + data):
        assert [problem.index for problem in FhirVerifier(False).bundle(broken)] == [-1]


def test_problems_hold_no_identifiers_and_no_values() -> None:
    record = records()["spo2"]
    record["subject"] = {"identifier": {"system": "mrn", "value": "H0417-secret"}, "H0417 secret": 1}
    record["identifier"][0]["value"] = "H0417-secret"
    record["valueQuantity"] = {"value": "95951", "code": "H0417 secret and more", "unit": "%", "system": "H0417"}
    record["performer"] = [{"reference": "H0417/secret"}]
    record["device"] = {"reference": "H0417"}
    text = " ".join(told(record)) + deep_fhir(compact(record))
    assert "secret" not in text
    assert "95951" not in text
    assert "mrn" not in text


# --- quick against plain -------------------------------------------------------------------------------------------


def _plain(line: bytes) -> bool:
    """Whether the plain reading, which alone judges, finds the line good."""
    found: list[Any] = []
    FhirVerifier(False)._whole_line(line, 0, found)
    return not found


_LINES = [compact(record) for record in records().values()]
_WARM = FhirVerifier(False)
_WARM.lines(b"\n".join(_LINES))


@settings(max_examples=300, deadline=None)
@given(st.integers(0, 2**63), st.sampled_from(_LINES), st.sampled_from(_LINES))
def test_the_quick_reading_never_passes_what_the_plain_reading_refuses(seed: int, line: bytes, donor: bytes) -> None:
    chance = random.Random(seed)
    for _ in range(chance.randint(1, 3)):
        at, length = chance.randrange(len(line)), chance.randint(0, 40)
        start = chance.randrange(len(donor))
        cut = b',"' if chance.random() < 0.7 else b""
        if cut:
            at, start = max(line.find(cut, at), 0), max(donor.find(cut, start), 0)
            length = max(line.find(cut, at + 1) - at, 0)
        line = line[:at] + donor[start : start + chance.randint(0, 60)] + line[at + length :]
    name = line[36 : line.find(b'"', 36)]
    if b"\x00" not in line and line.startswith(b'{"resourceType":"Observation","id":"'):
        assert not _WARM._quick(line, name, b"", False, []) or _plain(line)


def test_swapped_pieces_of_good_records_do_not_pass() -> None:
    """Every value of one record put into every other: good only where the plain reading says so."""
    cut = b',"valueQuantity":'
    for line in _LINES:
        for donor in _LINES:
            if cut in line and cut in donor:
                mixed = line[: line.find(cut)] + donor[donor.find(cut) :]
                quick = _WARM._quick(mixed, mixed[36 : mixed.find(b'"', 36)], b"", False, [])
                assert quick == _plain(mixed)


def test_swapped_pieces_do_not_pass_behind_a_good_record_of_their_set() -> None:
    """The same through `lines`, whose look-up is shorter for further records of a set."""
    cut = b',"effectiveDateTime":'
    passed = refused = 0
    for first in _LINES:
        for line in _LINES:
            for donor in _LINES:
                if first[:68] != line[:68] or first is line or cut not in line or cut not in donor:
                    continue
                mixed = line[: line.find(cut)] + donor[donor.find(cut) :]
                good = not any(problem.index == 1 for problem in _WARM.lines(first + b"\n" + mixed + b"\n"))
                same = first[36 : first.find(b'"', 36)] == mixed[36 : mixed.find(b'"', 36)]
                assert good == (_plain(mixed) and not same)
                passed, refused = passed + good, refused + (not good)
    assert passed > 10
    assert refused > 10


def test_what_is_remembered_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    for module in ("judged", "quick"):
        monkeypatch.setattr(f"gateway.verify.fhir.{module}.REMEMBERED", 50)
    verifier = FhirVerifier(False)
    for number in range(300):
        record = records()["temperature"]
        record["valueQuantity"]["value"] = number / 10
        record["subject"]["identifier"]["value"] = f"P{number}"
        record["effectiveDateTime"] = f"2026-03-14T09:{number % 60:02d}:{number % 59:02d}-05:00"
        assert verifier.lines(compact(record)) == []
        judged = verifier._judged
        remembered = (judged.pieces, judged.parts, judged._days, judged._clocks, judged.fits)
        assert all(len(kept) <= 50 for kept in remembered)
        assert sum(len(tails) for kind in verifier._further.values() for tails in kind.tails.values()) <= 50


@pytest.mark.parametrize("name", sorted(records()))
def test_fhir_resources_reads_the_good_records_too(name: str) -> None:
    assert deep_fhir(compact(records()[name])) == ""


def test_deep_fhir_says_where() -> None:
    record = records()["spo2"]
    del record["status"]
    record["note"] = [{"txt": "H0417"}]
    said = deep_fhir(compact(record))
    assert "note" in said
    assert "H0417" not in said
    assert deep_fhir(b"{") != ""
    assert deep_fhir(b'{"resourceType":"Patient"}') != ""


@pytest.mark.parametrize("status", [{"a": "b"}, ["final"]])
def test_a_status_that_is_no_text_is_a_problem(status: object) -> None:
    record = records()["spo2"]
    record["status"] = status
    assert "status is not a code of observation-status" in [
        each.what for each in FhirVerifier(False).lines(compact(record))
    ]
