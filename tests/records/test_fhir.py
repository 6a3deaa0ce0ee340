"""The FHIR renderer: every choice of the mapping, every optional part, and texts that try to break out of their place.

Facts of FHIR R4 4.0.1 (http://hl7.org/fhir/R4/) and US Core are in tests/standards; here the records are compared
with what the set and the mapping say.
"""

from __future__ import annotations

import base64
import itertools
import json
import re
import uuid
from dataclasses import replace
from decimal import Decimal
from urllib.parse import unquote

import pytest

from gateway.mapping.model import AbsentReason
from gateway.model import Moment, Outcome, Party, Reading, SetItem
from gateway.records import fhir
from gateway.records.fhir import CREATED_WHERE_MISSING, Container, FhirRenderer
from gateway.verify.fhir import FhirVerifier, deep_fhir
from gateway.vocabulary import LOINC, MDC, SNOMED, UCUM, panels, vitals
from tests.records.made_sets import (
    DAY,
    EXPORT,
    IDENTITY,
    MAPPED,
    MOMENT,
    NAMESPACE,
    OTHER,
    PATIENT,
    Record,
    absent,
    coded,
    line,
    lines,
    mapping,
    one_set,
    read,
    renderer,
    value,
    whole_bundle,
)

BASE = "http://hl7.org/fhir/StructureDefinition/"
US_CORE = "http://hl7.org/fhir/us/core/StructureDefinition/us-core-"
INTERPRETATION = "http://terminology.hl7.org/CodeSystem/v3-ObservationInterpretation"
ABSENT = "http://terminology.hl7.org/CodeSystem/data-absent-reason"
PRESSURE = (value("systolic", "121"), value("diastolic", "79"), value("mean_pressure", "93"))
PARTS = {
    "device": Party("SN-0007", "https://hillside.example/monitors"),
    "operator": Party("N12", "https://hillside.example/staff"),
    "encounter": Party("V9", "https://hillside.example/visits"),
    "location": Party("B4", "https://hillside.example/beds"),
}


def codes(concept: Record) -> list[tuple[str, str]]:
    return [(coding["system"], coding["code"]) for coding in concept["coding"]]


def quantity(number: str, unit: str, code: str) -> Record:
    return {"value": Decimal(number), "unit": unit, "system": UCUM, "code": code}


# --- one record, whole -----------------------------------------------------------------------------------------------


HEART_RATE: Record = {
    "resourceType": "Observation",
    "id": f"{IDENTITY}-heart-rate",
    "meta": {"profile": [BASE + "heartrate"]},
    "identifier": [{"system": NAMESPACE, "value": f"{IDENTITY}.heart_rate"}],
    "status": "preliminary",
    "category": [
        {
            "coding": [
                {
                    "system": "http://terminology.hl7.org/CodeSystem/observation-category",
                    "code": "vital-signs",
                    "display": "Vital Signs",
                }
            ]
        }
    ],
    "code": {
        "coding": [
            {"system": LOINC, "code": "8867-4", "display": "Heart rate"},
            {"system": MDC, "code": "147842", "display": "MDC_ECG_HEART_RATE"},
        ],
        "text": "Heart rate",
    },
    "subject": {"type": "Patient", "identifier": {"system": PATIENT.system, "value": "H0417"}},
    "effectiveDateTime": "2026-03-14T09:30:00-05:00",
    "valueQuantity": {"value": 71, "unit": "/min", "system": UCUM, "code": "/min"},
}


def test_a_plain_record_is_this_and_nothing_besides() -> None:
    assert line(one_set(value("heart_rate", "71"))) == HEART_RATE


def test_a_bundle_entry_is_the_same_record_without_an_id() -> None:
    item = one_set(value("heart_rate", "71"))
    url = "urn:uuid:3f1c9d0a-7be2-8865-a1d2-c3b4e5f60006"
    resource = {key: part for key, part in HEART_RATE.items() if key != "id"}
    (collected,) = renderer(container="collection").observations(item)
    assert read(collected) == {"fullUrl": url, "resource": resource}
    (sent,) = renderer(container="transaction").observations(item)
    query = f"identifier={NAMESPACE}|{IDENTITY}.heart_rate"
    request = {"method": "POST", "url": "Observation", "ifNoneExist": query}
    assert read(sent) == {"fullUrl": url, "resource": resource, "request": request}


@pytest.mark.parametrize("text", ["37.0", "37", "0.10", "-0.5", "0", "1234567890.123456789", "66.899999999999991"])
def test_digits_are_those_of_the_value(text: str) -> None:
    (record,) = renderer().observations(one_set(value("weight", text)))
    assert f'"value":{text},'.encode() in record


def test_no_exponent_is_written() -> None:
    (record,) = renderer().observations(one_set(value("weight", "1E+3")))
    assert b'"value":1000,' in record


def test_a_date_stays_a_date() -> None:
    assert line(one_set(value("weight", "80"), moment=DAY))["effectiveDateTime"] == "2026-03-14"


# --- choices of the mapping ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("status", ["final", "preliminary"])
def test_status_of_every_record(status: str) -> None:
    chosen = mapping(status=status, fhir={"panel": True})
    records = lines(one_set(*PRESSURE, value("spo2", "97"), coded("consciousness", "alert")), chosen)
    assert [record["status"] for record in records] == [status] * 4


def test_profile_follows_the_choice() -> None:
    item = one_set(*PRESSURE, value("temperature", "37.0"), value("pain", "3"), value("oxygen_flow", "2"))
    base = [record.get("meta") for record in lines(item)]
    assert base == [{"profile": [BASE + "bp"]}, {"profile": [BASE + "bodytemp"]}, None, None]
    us_core = [record.get("meta") for record in lines(item, mapping(fhir={"profile": "us-core"}))]
    expected = [{"profile": [US_CORE + name]} for name in ("blood-pressure", "body-temperature")]
    assert us_core == [*expected, None, None]


@pytest.mark.parametrize("key", [key for key, vital in vitals().items() if not vital.panel and vital.us_core])
def test_every_us_core_profile_is_named(key: str) -> None:
    record = line(one_set(value(key, "40")), mapping(fhir={"profile": "us-core"}))
    assert record["meta"] == {"profile": [vitals()[key].us_core]}


def test_bundle_limit_is_handed_on() -> None:
    assert renderer(mapping(fhir={"bundle_limit": 7})).limit == 7


def test_subject_by_reference() -> None:
    chosen = mapping(subject="reference", fhir={"panel": True})
    for record in lines(one_set(*PRESSURE, value("spo2", "97")), chosen):
        assert record["subject"] == {"reference": "Patient/H0417"}


@pytest.mark.parametrize("name", ["H 0417", "H/0417", "H|7", "Ä7", '"', "x" * 65, "#p"])
def test_a_patient_that_is_no_fhir_id_cannot_be_referred_to(name: str) -> None:
    (text,) = renderer(mapping(subject="reference")).observations(
        one_set(value("spo2", "97"), patient=Party(name, PATIENT.system))
    )
    assert json.loads(text)["subject"]["reference"] == f"Patient/{name}"
    assert FhirVerifier(False).lines(text) != []


def test_parties_of_another_system_do_not_borrow_the_first_ones() -> None:
    made = renderer()
    reading = value("heart_rate", "71")
    first = one_set(reading, **PARTS)
    others = {role: Party(party.value, f"https://elsewhere.example/{role}") for role, party in PARTS.items()}
    second = one_set(reading, patient=Party("H0417", "https://elsewhere.example/patients"), **others)
    made.observations(first)
    assert made.observations(second) == renderer().observations(second)
    assert "hillside.example/patients" not in made.observations(second)[0].decode()


# --- optional parts --------------------------------------------------------------------------------------------------


def expected_parts(given: dict[str, Party], device: str) -> Record:
    def identifier(role: str) -> Record:
        party = given[role]
        return {"identifier": ({"system": party.system} if party.system else {}) | {"value": party.value}}

    parts: Record = {}
    if "device" in given:
        parts["device"] = {"reference": device}
    if "operator" in given:
        parts["performer"] = [identifier("operator")]
    if "encounter" in given:
        parts["encounter"] = identifier("encounter")
    if "location" in given:
        parts["extension"] = [{"url": BASE + "event-location", "valueReference": identifier("location")}]
    return parts


COMBINATIONS = [part for size in range(5) for part in itertools.combinations(PARTS, size)]


@pytest.mark.parametrize("names", COMBINATIONS, ids=["+".join(names) or "none" for names in COMBINATIONS])
def test_every_combination_of_optional_parts(names: tuple[str, ...]) -> None:
    given = {name: PARTS[name] for name in names}
    item = one_set(value("heart_rate", "71"), **given)
    device = renderer().device_id(PARTS["device"])
    assert line(item) == HEART_RATE | expected_parts(given, device)


def test_parts_without_a_system() -> None:
    given = {name: Party(party.value) for name, party in PARTS.items()}
    record = line(one_set(value("heart_rate", "71"), **given))
    assert record == HEART_RATE | expected_parts(given, renderer().device_id(given["device"]))


def test_notes_stand_in_order_and_before_the_original() -> None:
    reading = value("temperature", "37.0", source_value=Decimal("98.6"), source_unit="[degF]")
    item = one_set(reading, notes=("after exercise", "second"))
    assert [note["text"] for note in line(item)["note"]] == ["after exercise", "second"]
    notes = [note["text"] for note in line(item, mapping(keep_original=True))["note"]]
    assert notes[:2] == ["after exercise", "second"]
    assert len(notes) == 3
    assert "37.0" in notes[2]  # the verbatim text, which value() makes of the number
    assert "degF" in notes[2]


def test_the_original_is_kept_only_of_what_was_converted() -> None:
    chosen = mapping(keep_original=True)
    kept = value("temperature", "37.0", source_value=Decimal("37.0"), source_unit="Cel")
    assert "note" not in line(one_set(kept), chosen)
    item = one_set(
        Reading("systolic", "16,0", Outcome.RECORDED, Decimal(120), unit="mm[Hg]", source_value=Decimal("16.0"),
                source_unit="kPa"),
        value("diastolic", "80", source_value=Decimal(80), source_unit="mm[Hg]"),
    )  # fmt: skip
    (note,) = line(item, chosen)["note"]
    assert "16,0" in note["text"]
    assert "kPa" in note["text"]
    assert "80" not in note["text"]
    assert "note" not in line(item)


def test_a_text_that_says_its_unit_gets_no_other_beside_it() -> None:
    height = Reading(
        "height",
        "5'10\"",
        Outcome.RECORDED,
        Decimal("177.8"),
        unit="cm",
        source_value=Decimal(70),
        source_unit="[in_i]",
    )
    (note,) = line(one_set(height), mapping(keep_original=True))["note"]
    assert note["text"] == 'Exported as "5\'10"".'


@pytest.mark.parametrize(
    ("key", "site"), [(key, site) for key, vital in vitals().items() for site in vital.sites if not vital.panel]
)
def test_every_site(key: str, site: str) -> None:
    vital, place = vitals()[key], vitals()[key].sites[site]
    record = line(one_set(value(key, "38", site=site)))
    expected = [(LOINC, coding.code) for coding in vital.codings]
    expected += [(LOINC, place.loinc.code)] if place.loinc else []
    mdc = place.mdc or vital.mdc
    expected += [(MDC, mdc.code)] if mdc else []
    assert codes(record["code"]) == expected
    assert record["bodySite"]["text"] == place.title
    if place.snomed:
        assert codes(record["bodySite"]) == [(SNOMED, place.snomed.code)]
    else:
        assert "coding" not in record["bodySite"], "no code is ever made up"


@pytest.mark.parametrize(
    ("key", "method"), [(key, name) for key, vital in vitals().items() for name in vital.methods if not vital.panel]
)
def test_every_method(key: str, method: str) -> None:
    way = vitals()[key].methods[method]
    found = line(one_set(value(key, "38", method=method)))["method"]
    assert found["text"] == way.title
    assert ("coding" in found) is (way.snomed is not None)
    if way.snomed:
        assert codes(found) == [(SNOMED, way.snomed.code)]


def test_site_and_method_of_a_panel_stand_on_the_panel() -> None:
    readings = [value(key, "90", site="left_arm", method="oscillometric") for key in ("systolic", "diastolic")]
    record = line(one_set(*readings))
    assert codes(record["bodySite"]) == [(SNOMED, "368208006")]
    assert record["method"]["text"] == vitals()["systolic"].methods["oscillometric"].title
    assert all(not part.keys() & {"bodySite", "method"} for part in record["component"])


@pytest.mark.parametrize(("comparator", "scale"), [("<", "<"), ("<=", "<"), (">", ">"), (">=", ">")])
def test_comparators(comparator: str, scale: str) -> None:
    record = line(one_set(value("temperature", "42", comparator=comparator)))
    assert record["valueQuantity"] == quantity("42", "degC", "Cel") | {"comparator": comparator}
    assert [codes(each) for each in record["interpretation"]] == [[(INTERPRETATION, scale)]]


def test_questionable_readings_are_marked_where_the_mapping_wants_it() -> None:
    item = one_set(value("spo2", "65", flagged=True, comparator="<"))
    status = "http://hl7.org/fhir/uv/pocd/CodeSystem/measurement-status"
    found = [codes(each)[0] for each in line(item)["interpretation"]]
    assert found == [(INTERPRETATION, "<"), (status, "questionable")]
    found = [codes(each)[0] for each in line(item, mapping(mark_questionable=False))["interpretation"]]
    assert found == [(INTERPRETATION, "<")]
    plain = one_set(value("spo2", "65", flagged=True))
    assert "interpretation" not in line(plain, mapping(mark_questionable=False))


@pytest.mark.parametrize("reason", AbsentReason.__args__)  # type: ignore[attr-defined]
def test_every_reason_for_absence(reason: str) -> None:
    record = line(one_set(absent("temperature", reason)))
    assert record["dataAbsentReason"] == {"coding": [{"system": ABSENT, "code": reason}]}
    assert not any(name.startswith("value") for name in record)
    meant = line(one_set(absent("temperature", reason, meaning="probe off")))["dataAbsentReason"]
    assert meant == record["dataAbsentReason"] | {"text": "probe off"}


@pytest.mark.parametrize(
    ("reading", "right", "wrong", "says"),
    [
        (coded("consciousness", "alert"), "248234008", "6942003", "is not a published answer"),
        (coded("consciousness", "confusion"), "130987000", "422107005", "is not a published answer"),
        (coded("coma_eye", "eye_4"), "LA6556-0", "LA6561-0", "is not a published answer"),
        (value("temperature", "36.8", site="bladder"), "89837001", "368209003", "bodySite"),
        (value("spo2", "97", site="finger"), "7569003", "9736006", "bodySite"),
        (value("heart_rate", "64", method="auscultation"), "37931006", "7569003", "method"),
    ],
)
def test_the_verifier_knows_which_code_belongs_where(reading: Reading, right: str, wrong: str, says: str) -> None:
    text = b"\n".join([*renderer(mapping()).observations(one_set(reading)), b""])
    assert FhirVerifier(False).lines(text) == []
    assert f'"{right}"'.encode() in text
    found = FhirVerifier(False).lines(text.replace(f'"{right}"'.encode(), f'"{wrong}"'.encode()))
    assert any(says in str(each) for each in found), found


@pytest.mark.parametrize(("vital", "answer"), [("consciousness", "alert"), ("coma_eye", "eye_4")])
def test_an_answer_is_of_its_own_system(vital: str, answer: str) -> None:
    coding = vitals()[vital].answers[answer].coding
    text = b"\n".join([*renderer(mapping()).observations(one_set(coded(vital, answer))), b""])
    here = f'"system":"{coding.system}","code":"{coding.code}"'.encode()
    assert here in text
    assert FhirVerifier(False).lines(text) == []
    found = FhirVerifier(False).lines(text.replace(here, here.replace(coding.system.encode(), b"http://hl7.org/own")))
    assert any("is not a published answer" in str(each) for each in found), found


@pytest.mark.parametrize("answer", vitals()["consciousness"].answers)
def test_every_coded_answer(answer: str) -> None:
    record = line(one_set(coded("consciousness", answer)))
    known = vitals()["consciousness"].answers[answer]
    assert codes(record["valueCodeableConcept"]) == [(SNOMED, known.coding.code)]
    assert record["valueCodeableConcept"]["text"] == known.title
    assert "valueQuantity" not in record
    assert "dataAbsentReason" in line(one_set(absent("consciousness")))


@pytest.mark.parametrize(("unit", "code"), [("mg/dL", "41653-7"), ("mmol/L", "14743-9")])
def test_the_code_of_glucose_follows_its_unit(unit: str, code: str) -> None:
    record = line(one_set(value("glucose", "5.6", unit)))
    assert codes(record["code"])[0] == (LOINC, code)
    assert record["valueQuantity"]["code"] == unit


@pytest.mark.parametrize("key", [key for key, vital in vitals().items() if vital.kind == "quantity"])
def test_every_allowed_unit_of_every_vital(key: str) -> None:
    made = renderer()
    for unit in vitals()[key].units:
        (text,) = made.observations(one_set(value(key, "38", unit)))
        record = read(text)
        part = record["component"][-1] if vitals()[key].panel else record
        if vitals()[key].panel:
            part = next(each for each in record["component"] if "valueQuantity" in each)
        assert (part["valueQuantity"]["code"], part["valueQuantity"]["value"]) == (unit, 38)
        assert FhirVerifier(False).lines(text) == []


# --- panels ----------------------------------------------------------------------------------------------------------


MEMBERS = {"systolic": "8480-6", "diastolic": "8462-4", "mean_pressure": "8478-0"}
BY_CUFF = {"systolic": "76534-7", "diastolic": "76535-4", "mean_pressure": "76536-2"}
"""The same by Noninvasive: public value sets."""
SUBSETS = [part for size in (1, 2, 3) for part in itertools.combinations(MEMBERS, size)]


@pytest.mark.parametrize("keys", SUBSETS, ids=["+".join(keys) for keys in SUBSETS])
def test_blood_pressure_has_both_sides_always(keys: tuple[str, ...]) -> None:
    record = line(one_set(*[value(key, str(80 + number)) for number, key in enumerate(keys)]))
    assert codes(record["code"]) == [(LOINC, "85354-9"), (MDC, "150020")]
    found = {codes(part["code"])[0][1]: part for part in record["component"]}
    assert list(found) == [code for key, code in MEMBERS.items() if key in keys or key != "mean_pressure"]
    for key, code in MEMBERS.items():
        if key in keys:
            number = str(80 + keys.index(key))
            assert found[code]["valueQuantity"] == quantity(number, "mmHg", "mm[Hg]")
            assert codes(found[code]["code"]) == [
                (LOINC, code), (LOINC, BY_CUFF[key]), (MDC, vitals()[key].mdc.code),  # type: ignore[union-attr]
            ]  # fmt: skip
        elif code in found:
            assert found[code]["dataAbsentReason"] == {"coding": [{"system": ABSENT, "code": "unknown"}]}
            assert "valueQuantity" not in found[code]


def test_a_side_that_failed_keeps_its_declared_reason() -> None:
    record = line(one_set(value("systolic", "121"), absent("diastolic", "error", meaning="cuff leak")))
    assert record["component"][1]["dataAbsentReason"] == {
        "coding": [{"system": ABSENT, "code": "error"}],
        "text": "cuff leak",
    }
    record = line(one_set(absent("systolic"), absent("diastolic"), absent("mean_pressure")))
    assert [codes(part["dataAbsentReason"]) for part in record["component"]] == [[(ABSENT, "error")]] * 3
    assert "dataAbsentReason" not in record


def test_interpretation_stands_on_the_component_it_speaks_of() -> None:
    record = line(one_set(value("systolic", "300", comparator=">"), value("diastolic", "79", flagged=True)))
    assert [codes(each) for each in record["component"][0]["interpretation"]] == [[(INTERPRETATION, ">")]]
    assert codes(record["component"][1]["interpretation"][0])[0][1] == "questionable"
    assert "interpretation" not in record


def test_readings_in_any_order_give_the_same_panel() -> None:
    for order in itertools.permutations(PRESSURE):
        assert lines(one_set(*order)) == lines(one_set(*PRESSURE))


def test_the_set_panel_names_its_members() -> None:
    chosen = mapping(fhir={"panel": True})
    item = one_set(*PRESSURE, value("spo2", "97"), value("temperature", "37.0"), **PARTS, notes=("resting",))
    *members, panel = lines(item, chosen)
    assert codes(panel["code"]) == [(LOINC, "85353-1")]
    assert panel["hasMember"] == [{"reference": f"Observation/{member['id']}"} for member in members]
    assert panel["identifier"] == [{"system": NAMESPACE, "value": f"{IDENTITY}.vital_signs"}]
    assert panel["meta"] == {"profile": [BASE + "vitalspanel"]}
    assert not panel.keys() & {"valueQuantity", "component", "note", "dataAbsentReason"}
    for name in ("subject", "effectiveDateTime", "performer", "encounter", "extension", "device", "status"):
        assert panel[name] == members[0][name]
    entries = [read(text) for text in renderer(chosen, "transaction").observations(item)]
    urls = [{"reference": entry["fullUrl"]} for entry in entries[:-1]]
    assert entries[-1]["resource"]["hasMember"] == urls


def test_only_vital_signs_are_members_of_the_set_panel() -> None:
    """R4 vitalspanel: hasMember refers to Observations of the vitalsigns profile, category vital-signs."""
    chosen = mapping(fhir={"panel": True})
    others = (value("pain", "3"), coded("consciousness", "alert"), value("coma_score", "15"), value("glucose", "99"))
    *_, panel = lines(one_set(value("spo2", "97"), *others), chosen)
    assert panel["hasMember"] == [{"reference": f"Observation/{IDENTITY}-spo2"}]
    assert [record["id"] for record in lines(one_set(*others), chosen)] == [
        f"{IDENTITY}-{key}" for key in ("pain", "consciousness", "coma-score", "glucose")
    ]


@pytest.mark.parametrize("panel", [False, True])
@pytest.mark.parametrize("profile", ["base", "us-core"])
def test_keys_and_references_are_those_of_the_records(panel: bool, profile: str) -> None:
    chosen = mapping(fhir={"panel": panel, "profile": profile})
    sets = [
        one_set(*PRESSURE, value("spo2", "97"), value("oxygen_flow", "2")),
        one_set(absent("spo2"), value("oxygen_flow", "2"), value("oxygen_concentration", "28")),
        one_set(value("pain", "2")),
        one_set(),
    ]
    for item in sets:
        made = renderer(chosen)
        ids = [read(text)["id"] for text in made.observations(item)]
        assert [made.reference(item.identity, key) for key in made.keys(item)] == [f"Observation/{id_}" for id_ in ids]
        made = renderer(chosen, "collection")
        urls = [read(text)["fullUrl"] for text in made.observations(item)]
        assert [made.reference(item.identity, key) for key in made.keys(item)] == urls


# --- US Core oxygen --------------------------------------------------------------------------------------------------


OXYGEN = (value("spo2", "93", site="finger"), value("oxygen_flow", "2.0"), value("oxygen_concentration", "28"))
US = mapping(fhir={"profile": "us-core"})


@pytest.mark.parametrize("order", list(itertools.permutations(OXYGEN)))
def test_us_core_carries_oxygen_inside_the_saturation(order: tuple[Reading, ...]) -> None:
    record = line(one_set(*order), US)
    assert record["valueQuantity"] == quantity("93", "%", "%")
    assert [codes(part["code"])[0][1] for part in record["component"]] == ["3151-8", "3150-0"]
    found = [part["valueQuantity"] for part in record["component"]]
    assert [(part["value"], part["code"]) for part in found] == [(Decimal("2.0"), "L/min"), (28, "%")]


def test_us_core_without_one_of_them() -> None:
    record = line(one_set(OXYGEN[0], OXYGEN[2]), US)
    assert [codes(part["code"])[0][1] for part in record["component"]] == ["3150-0"]
    assert "component" not in line(one_set(OXYGEN[0]), US)
    failed = line(one_set(OXYGEN[0], absent("oxygen_flow")), US)["component"]
    assert codes(failed[0]["dataAbsentReason"]) == [(ABSENT, "error")]


def test_oxygen_stands_alone_beside_a_saturation_without_value_and_in_base_records() -> None:
    alone = ["spo2", "oxygen-flow", "oxygen-concentration"]
    for item, chosen in (
        (one_set(absent("spo2"), *OXYGEN[1:]), US),
        (one_set(*OXYGEN), mapping()),
    ):
        assert [record["id"].removeprefix(f"{IDENTITY}-") for record in lines(item, chosen)] == alone
    assert [record["id"].removeprefix(f"{IDENTITY}-") for record in lines(one_set(*OXYGEN[1:]), US)] == alone[1:]


def test_one_renderer_tells_a_saturation_with_value_from_one_without() -> None:
    made = renderer(US)
    with_value, without = one_set(*OXYGEN), one_set(absent("spo2"), *OXYGEN[1:])
    for item in (with_value, without, with_value, without):
        assert made.observations(item) == renderer(US).observations(item)


# --- bundles ---------------------------------------------------------------------------------------------------------


FULL = one_set(*PRESSURE, *OXYGEN, value("pain", "2"), notes=("resting",), **PARTS)
SECOND = one_set(value("heart_rate", "71"), identity=OTHER, device=PARTS["device"])


@pytest.mark.parametrize("container", ["transaction", "collection"])
@pytest.mark.parametrize("profile", ["base", "us-core"])
def test_a_bundle_is_one(container: Container, profile: str) -> None:
    chosen = mapping(fhir={"panel": True, "profile": profile})
    text = whole_bundle(renderer(chosen, container), FULL, SECOND)
    assert FhirVerifier(profile == "us-core").bundle(text) == []
    assert deep_fhir(text) == ""
    bundle = read(text)
    assert bundle["type"] == container
    assert bundle.keys() == {"resourceType", "type", "entry"}
    kinds = [entry["resource"]["resourceType"] for entry in bundle["entry"]]
    assert kinds == ["Device", *["Observation"] * (len(kinds) - 2), "Provenance"]
    assert all(("request" in entry) is (container == "transaction") for entry in bundle["entry"])
    assert all("id" not in entry["resource"] for entry in bundle["entry"])


def test_urls_are_uuids_of_version_8_and_all_different() -> None:
    made = renderer(mapping(fhir={"panel": True}), "collection")
    every = [value(key, "50") for key in vitals() if vitals()[key].kind == "quantity"] + [
        coded("consciousness", "alert")
    ]
    sets = [one_set(*every, identity=identity, device=PARTS["device"]) for identity in (IDENTITY, OTHER, "0" * 32)]
    bundle = read(whole_bundle(made, *sets))
    urls = [entry["fullUrl"] for entry in bundle["entry"]]
    assert len(set(urls)) == len(urls) == 3 * len(made.keys(sets[0])) + 2
    for url in urls:
        found = uuid.UUID(url.removeprefix("urn:uuid:"))
        assert url == f"urn:uuid:{found}"
        assert (found.version, found.variant) == (8, uuid.RFC_4122)


def test_every_key_has_a_serial_number_of_its_own() -> None:
    made = renderer(container="collection")
    references = {made.reference(IDENTITY, key) for key in (*vitals(), *panels())}
    assert len(references) == len(vitals()) + len(panels())


def test_a_device_is_one_wherever_it_is_named() -> None:
    device, namesake = PARTS["device"], Party("SN-0007", "https://elsewhere.example/monitors")
    for container in ("ndjson", "transaction", "collection"):
        made = renderer(container=container)
        first, other = (read(made.device(each)) for each in (device, namesake))
        assert first == read(made.device(Party(device.value, device.system)))
        name = "id" if container == "ndjson" else "fullUrl"
        assert first[name] != other[name]
        reference = read(made.observations(SECOND)[0])
        used = reference.get("resource", reference)["device"]["reference"]
        assert used == (f"Device/{first['id']}" if container == "ndjson" else first["fullUrl"])


def test_a_device_without_a_system_gets_one_under_the_namespace() -> None:
    made = renderer()
    text = made.device(Party("7"))
    assert read(text)["identifier"] == [{"system": f"{NAMESPACE}/device", "value": "7"}]
    assert FhirVerifier(False).lines(text) == []


def test_ndjson_needs_no_bundle() -> None:
    made = renderer()
    texts = [*made.observations(FULL), made.device(PARTS["device"])]
    texts += made.provenances([FULL])
    assert FhirVerifier(False).lines(b"\n".join([*texts, b""])) == []
    assert all(b"\n" not in text and read(text)["id"] for text in texts)


# --- conditional creation --------------------------------------------------------------------------------------------


def searched(query: str) -> tuple[str, list[str]]:
    """A token search as a server reads it: parameter, and the parts between unescaped bars.

    Source: FHIR R4 4.0.1, http://hl7.org/fhir/R4/search.html#escaping: "," separates alternatives, "|" and "$" parts;
    each stands for itself behind a backslash.
    """
    name, _, text = query.partition("=")
    assert re.fullmatch(r"(?:[A-Za-z0-9._~:/|-]|%[0-9A-F]{2})+", text), text
    parts, escaped = [""], False
    for character in unquote(text):
        if not escaped and character in ",$":
            raise AssertionError(f"{character} asks for something else")
        if not escaped and character == "|":
            parts.append("")
        elif not escaped and character == "\\":
            escaped = True
            continue
        else:
            parts[-1] += character
        escaped = False
    return name, parts


ODD = ["SN,7", "a|b", "a$b", "a\\b", "a\\", "a b&c=d", "50%", "a+b", "Ä😀", "#7?", "%2C", '"', "\\,", "a;b", "(a)"]


@pytest.mark.parametrize("name", ODD)
def test_a_device_is_searched_for_by_exactly_its_identifier(name: str) -> None:
    device = Party(name, "https://hillside.example/monitors?a=1,2")
    made = renderer(container="transaction")
    entry = read(made.device(device))
    assert searched(entry["request"]["ifNoneExist"]) == ("identifier", [device.system, name])
    assert entry["resource"]["identifier"] == [{"system": device.system, "value": name}]
    bundle = whole_bundle(made, one_set(value("spo2", "97"), device=device))
    assert FhirVerifier(False).bundle(bundle) == []


@pytest.mark.parametrize(
    "namespace",
    ["urn:oid:1.2.3", "https://a.example/x?y=1&z=2", "https://a.example/1,2", "https://a.example/%20$", "urn:x:Ä"],
)
def test_any_namespace_is_searched_for_as_it_is(namespace: str) -> None:
    made = renderer(mapping(namespace=namespace), "transaction")
    (entry,) = map(read, made.observations(SECOND))
    assert searched(entry["request"]["ifNoneExist"]) == ("identifier", [namespace, f"{OTHER}.heart_rate"])
    assert FhirVerifier(False).bundle(whole_bundle(made, SECOND)) == []


# --- Provenance ------------------------------------------------------------------------------------------------------


def three(*moments: Moment) -> list[SetItem]:
    """A set of one record for each of the moments, or three at one."""
    return [
        one_set(value("spo2", "97"), identity=f"{number:032x}", moment=moment)
        for number, moment in enumerate(moments or [MOMENT] * 3)
    ]


def provenance(container: Container = "transaction", received: str = "", items: list[SetItem] | None = None) -> Record:
    (text,) = renderer(container=container, received=received).provenances(three() if items is None else items)
    return read(text)


def test_provenance_names_targets_sources_and_the_gateway() -> None:
    resource = provenance()["resource"]
    made = renderer(container="transaction")
    assert resource["target"] == [{"reference": made.reference(item.identity, "spo2")} for item in three()]
    assert resource["recorded"] == MOMENT.fhir
    (agent,) = resource["agent"]
    assert codes(agent["type"])[0][1] == "assembler"
    assert agent["who"] == {"display": "spot-check gateway 9.9"}
    export, mapped = resource["entity"]
    assert mapped["what"]["display"] == "mapping Hillside list, version 3"
    for entity, digest in ((export, EXPORT), (mapped, MAPPED)):
        identifier = entity["what"]["identifier"]
        assert identifier["system"] == "urn:ietf:rfc:3986"
        head, _, text = identifier["value"].partition(";")
        assert head == "ni:///sha-256"  # RFC 6920
        assert base64.urlsafe_b64decode(text + "=").hex() == digest


def test_a_transaction_sent_twice_adds_no_second_provenance() -> None:
    first, again = provenance(), provenance(received="2026-03-15T00:00:00+00:00")
    (tag,) = first["resource"]["meta"]["tag"]
    assert tag["system"] == NAMESPACE
    assert searched(first["request"]["ifNoneExist"]) == ("_tag", [tag["system"], tag["code"]])
    assert again["request"] == first["request"]
    assert again["fullUrl"] == first["fullUrl"]


def test_other_records_have_a_provenance_of_their_own() -> None:
    more = [*three()[:2], replace(three()[2], readings=(value("spo2", "97"), value("heart_rate", "64")))]
    for items in (three()[:2], three()[1:], more):
        assert provenance(items=items)["request"] != provenance()["request"]
        assert provenance(items=items)["fullUrl"] != provenance()["fullUrl"]


@pytest.mark.parametrize("container", ["transaction", "collection", "ndjson"])
def test_the_same_records_have_the_same_provenance_whichever_mapping_or_export_says_them(container: Container) -> None:
    """A server that has the records keeps them: a second statement would claim that the new mapping made them."""
    one = provenance(container)
    made = FhirRenderer(mapping(title="Another list"), container, export_sha256="bb" * 32, mapping_sha256="cc" * 32)
    for items in (three(), [replace(item, readings=(value("spo2", "90"),)) for item in three()]):
        (text,) = made.provenances(items)
        other = read(text)
        if container == "ndjson":
            assert (other["id"], other["meta"]) == (one["id"], one["meta"])
        else:
            assert other["resource"]["meta"] == one["resource"]["meta"]
            assert (other["fullUrl"], other.get("request")) == (one["fullUrl"], one.get("request"))


def test_only_a_transaction_says_that_a_record_there_before_was_left() -> None:
    (coding,) = (said := provenance()["resource"]["activity"])["coding"]
    assert (coding["code"], said["text"]) == ("CREATE", CREATED_WHERE_MISSING)
    assert "activity" not in provenance("collection")["resource"]
    assert "activity" not in provenance("ndjson")


def test_provenance_outside_a_transaction_carries_the_same_tag() -> None:
    tag = provenance()["resource"]["meta"]
    assert provenance("collection")["resource"]["meta"] == tag
    line = provenance("ndjson")
    assert line["meta"] == tag
    assert line["id"] == tag["tag"][0]["code"]
    assert "request" not in provenance("collection")


def test_recorded_is_the_time_of_receipt_or_the_newest_of_the_records() -> None:
    later = Moment("", "2026-03-14T15:31:00.250+01:00", "", MOMENT.epoch + 60, "second")
    assert provenance(items=three(later, MOMENT, DAY))["resource"]["recorded"] == later.fhir
    assert provenance(received="2026-03-15T08:00:00+01:00")["resource"]["recorded"] == "2026-03-15T08:00:00+01:00"


def test_no_time_is_invented_for_records_that_only_know_the_day() -> None:
    resource = provenance(items=three(DAY))["resource"]
    assert "recorded" not in resource
    assert resource["_recorded"] == {"extension": [{"url": BASE + "data-absent-reason", "valueCode": "unknown"}]}
    item = one_set(value("weight", "80"), moment=DAY)
    for container in ("transaction", "collection"):
        text = whole_bundle(renderer(container=container), item)
        assert FhirVerifier(False).bundle(text) == []
    (line,) = renderer().provenances([item])
    assert FhirVerifier(False).lines(line) == []


# --- the same always -------------------------------------------------------------------------------------------------


SETS = [FULL, SECOND, one_set(absent("spo2"), moment=DAY), one_set(*PRESSURE, identity=OTHER), one_set()]


@pytest.mark.parametrize("container", ["ndjson", "transaction", "collection"])
def test_what_came_before_does_not_matter(container: Container) -> None:
    chosen = mapping(keep_original=True, fhir={"panel": True})
    expected = [renderer(chosen, container).observations(item) for item in SETS]
    made = renderer(chosen, container)
    for order in ([0, 1, 2, 3, 4], [4, 3, 2, 1, 0], [2, 2, 0, 3, 1]):
        assert [made.observations(SETS[place]) for place in order] == [expected[place] for place in order]


WARM = value("temperature", "37.0")
ALIKE = [
    WARM,
    value("temperature", "37.0", "[degF]"),
    value("temperature", "37.0", comparator="<"),
    value("temperature", "37.0", comparator=">"),
    value("temperature", "37.0", site="oral"),
    value("temperature", "37.0", site="rectal"),
    value("temperature", "37.0", method="manual"),
    value("temperature", "37.0", method="automatic"),
    value("temperature", "37.0", flagged=True),
    value("temperature", "37.0", source_value=Decimal("98.6"), source_unit="[degF]"),
    absent("temperature"),
    absent("temperature", "not-performed"),
    absent("temperature", meaning="probe off"),
    absent("temperature", meaning="no cover"),
    *[coded("consciousness", answer) for answer in vitals()["consciousness"].answers],
    absent("consciousness"),
]


@pytest.mark.parametrize("container", ["ndjson", "transaction"])
def test_records_that_differ_in_one_thing_are_not_mixed_up(container: Container) -> None:
    """Shapes are remembered: whatever changes a record must be part of its shape or of its slots."""
    sets = [one_set(reading) for reading in ALIKE]
    sets += [one_set(WARM, **{name: party}) for name, party in PARTS.items()]
    sets += [one_set(WARM, **{name: Party(party.value)}) for name, party in PARTS.items()]
    sets += [one_set(WARM, notes=notes) for notes in (("a",), ("b",), ("a", "b"))]
    sets += [one_set(WARM, moment=DAY), one_set(WARM, identity=OTHER), one_set(WARM, patient=Party("H0418", "urn:x:1"))]
    chosen = mapping(keep_original=True)
    expected = [renderer(chosen, container).observations(item) for item in sets]
    assert len({text for texts in expected for text in texts}) == len(sets)
    for order in (1, -1):
        made = renderer(chosen, container)
        assert [made.observations(item) for item in sets[::order]] == expected[::order]


def test_the_first_reading_that_states_a_site_speaks_for_the_panel() -> None:
    sides = (value("systolic", "121", site="left_arm"), value("diastolic", "79", site="right_arm"))
    assert codes(line(one_set(*sides))["bodySite"]) == [(SNOMED, "368208006")]


def test_what_is_remembered_may_be_forgotten(monkeypatch: pytest.MonkeyPatch) -> None:
    expected = [renderer().observations(item) for item in SETS]
    monkeypatch.setattr(fhir, "_SHAPES_KEPT", 2)
    monkeypatch.setattr(fhir, "_TEXTS_KEPT", 2)
    made = renderer()
    for _ in range(3):
        assert [made.observations(item) for item in SETS] == expected
    assert all(len(shapes.templates) <= 2 for shapes in made._by_options.values())
    assert len(made._plans) <= 3


def test_the_first_record_of_each_shape_is_offered_for_a_deep_check() -> None:
    made = renderer(mapping(fhir={"panel": True}))
    first = made.observations(FULL)
    assert made.fresh == first
    made.observations(one_set(*FULL.readings, identity=OTHER, notes=("walking",), **PARTS))
    assert made.fresh == first
    assert all(deep_fhir(text) == "" for text in first)


# --- hostile texts ---------------------------------------------------------------------------------------------------


HOSTILE = [
    '"', "\\", '\\"', '","status":"final', '"}],"x":[{"y":"', "{}", "]}", "a\tb", "a\r\nb", "a\u2028b\u2029c", "\u0085",
    "Ünï", "😀", "\u202eabc", "'; --", "<script>", "&amp;", "\\u0022", "\\ud83d", "%s {0} {{", "null", "0", "\ufeffx",
    "slot-patient-slot", "slot-identity-slot", "slot-device-slot", '{"text":"slot-notes-slot"}', "987654320.5",
    '"value":987654320.5', "1901-02-03T04:05:06+07:00", '"effectiveDateTime":"1901-02-03T04:05:06+07:00',
]  # fmt: skip


def hostile_set(text: str) -> SetItem:
    parties = {name: Party(text, party.system) for name, party in PARTS.items()}
    readings = (value("temperature", "37.0", source_value=Decimal("98.6"), source_unit="[degF]"), value("spo2", "97"))
    return one_set(*readings, patient=Party(text, PATIENT.system), notes=(text, "plain"), **parties)


@pytest.mark.parametrize("text", HOSTILE)
@pytest.mark.parametrize("container", ["ndjson", "transaction"])
def test_a_text_of_the_export_stays_in_its_place(text: str, container: Container) -> None:
    item = hostile_set(text)
    made = renderer(container=container)
    found = [read(each) for each in made.observations(item)]
    plain = [read(each) for each in renderer(container=container).observations(hostile_set("x"))]
    for record, like in zip(found, plain, strict=True):
        resource, expected = record.get("resource", record), like.get("resource", like)
        expected["subject"]["identifier"]["value"] = text
        expected["performer"][0]["identifier"]["value"] = text
        expected["encounter"]["identifier"]["value"] = text
        expected["extension"][0]["valueReference"]["identifier"]["value"] = text
        expected["note"][0]["text"] = text
        expected["device"] = resource["device"]
        assert record == like
    bundle = read(whole_bundle(renderer(container="collection"), item))
    assert bundle["entry"][0]["resource"]["identifier"][0]["value"] == text


@pytest.mark.parametrize("text", [text for text in HOSTILE if text.strip()])
def test_hostile_but_harmless_texts_pass_verification(text: str) -> None:
    bundle = whole_bundle(renderer(container="transaction"), hostile_set(text))
    assert FhirVerifier(False).bundle(bundle) == []


@pytest.mark.parametrize("mark", ["slot-patient-{}", "slot-uuid-{}", '{{"text":"slot-notes-{}"}}'])
def test_even_a_true_mark_in_an_export_is_only_text(mark: str) -> None:
    test_a_text_of_the_export_stays_in_its_place(mark.format(fhir._WORD), "transaction")


@pytest.mark.parametrize("text", [text for text in HOSTILE if text.strip() and min(text) >= " "])
def test_a_text_of_the_mapping_stays_in_its_place(text: str) -> None:
    """A meaning, a system or a title is part of a shape, and is split with it."""
    item = one_set(absent("temperature", meaning=text), value("spo2", "97"), notes=("resting",), **PARTS)
    record, other = map(read, renderer(mapping(namespace=f"urn:x:{text}", title=text)).observations(item))
    assert record["dataAbsentReason"]["text"] == text
    assert record["identifier"] == [{"system": f"urn:x:{text}", "value": f"{IDENTITY}.temperature"}]
    assert record["subject"]["identifier"]["value"] == "H0417"
    assert record["note"] == other["note"] == [{"text": "resting"}]
    assert other["valueQuantity"]["value"] == 97
    (line,) = renderer(mapping(title=text)).provenances(three()[:1])
    resource = read(line)
    assert resource["entity"][1]["what"]["display"] == f"mapping {text}, version 3"
    assert resource["target"] == [{"reference": f"Observation/{0:032x}-spo2"}]
    assert resource["recorded"] == MOMENT.fhir


@pytest.mark.parametrize("text", ["\x00", "a\x01b", "\x08", "\x1f", "\x0b"])
def test_control_characters_are_escaped_and_then_refused(text: str) -> None:
    (record,) = renderer().observations(one_set(value("spo2", "97"), notes=(text,)))
    assert read(record)["note"] == [{"text": text}]
    assert FhirVerifier(False).lines(record) != []


@pytest.mark.parametrize("text", ["\ud83d", "a\udc00b", "\ude00\ud83d"])
def test_half_a_surrogate_pair_is_refused_and_disturbs_nobody_else(text: str) -> None:
    made = renderer()
    for item in (
        one_set(value("spo2", "97"), notes=(text,)),
        one_set(value("spo2", "97"), patient=Party(text, PATIENT.system)),
        one_set(value("spo2", "97"), operator=Party(text)),
    ):
        (bad,) = made.observations(item)
        (good,) = made.observations(SECOND)
        problems = FhirVerifier(False).lines(b"%b\n%b\n" % (bad, good))
        assert {problem.index for problem in problems} == {0}
        assert "surrogate" in problems[0].what
    device = Party(text, "urn:x:1")
    made = renderer(container="transaction")
    bundle = whole_bundle(made, one_set(value("spo2", "97"), device=device))
    assert FhirVerifier(False).bundle(bundle) != []


def test_the_first_reading_that_states_a_qualifier_speaks_and_no_set_has_that_of_another() -> None:
    made = renderer()
    cuffs = [("child", "thigh"), ("adult", "child"), ("thigh", "adult")]
    found = []
    for first, second in cuffs:
        readings = (
            value("systolic", "121", qualifiers=(("cuff", first),)),
            value("diastolic", "79", qualifiers=(("mode", "manual"), ("cuff", second))),
        )
        (text,) = made.observations(one_set(*readings))
        found.append([part["valueCodeableConcept"]["text"] for part in read(text)["component"][2:]])
    assert found == [["single measurement, started by hand", f"{first} cuff"] for first, _ in cuffs]
