"""Any set, rendered and read back, is the set: every element of it, and nothing besides.

What a record must hold is built here a second time, plainly, from the set, the mapping and the vocabulary. The
renderer's own way (shapes compiled once, slots filled with text) plays no part in it.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import date, datetime
from typing import Any

from fhir.resources.R4B.bundle import Bundle
from fhir.resources.R4B.observation import Observation
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.mapping.model import AbsentReason, Mapping
from gateway.model import Moment, Outcome, Party, Reading, SetItem
from gateway.records.fhir import Container
from gateway.verify.fhir import FhirVerifier
from gateway.vocabulary import UCUM, Coding, panels, units, vitals
from gateway.vocabulary import qualifiers as known_qualifiers
from tests.records.made_sets import Record, mapping, read, renderer, whole_bundle

BASE = "http://hl7.org/fhir/StructureDefinition/"
OXYGEN = ("spo2", "oxygen_flow", "oxygen_concentration")

# FHIR has no control characters besides tab and line ends, and no text that is blank (R4 string).
characters = st.characters(exclude_categories=["Cs"], exclude_characters=[chr(n) for n in range(32)])
texts = st.text(characters, min_size=1, max_size=12).filter(str.strip) | st.sampled_from(
    [
        '"',
        "\\",
        '","',
        "a\tb",
        "a\r\nb",
        "\u2028",
        "😀",
        "slot-patient-slot",
        '{"text":"slot-notes-slot"}',
        "00012",
        " x ",
    ]
)
texts = texts.filter(str.strip)
systems = st.sampled_from(["", "urn:oid:1.2.3", "https://clinic.example/id", "https://clinic.example/a,b?c=d&e=ü"])
parties = st.builds(Party, texts, systems)
patients = st.builds(Party, texts, systems.filter(bool))
moments = st.sampled_from(
    [
        Moment("", "2026-03-14", "", 1773446400, "day"),
        Moment("", "2026-03-14T09:30:00-05:00", "", 1773498600, "minute"),
        Moment("", "2041-12-31T23:59:59.250+14:00", "", 2272010399, "second"),
    ]
)
# At most 15 digits, which is as many as fhir.resources keeps.
numbers = st.one_of(*(st.decimals(-99_999, 99_999, places=places) for places in (0, 1, 3, 9)))
reasons = st.sampled_from(AbsentReason.__args__)  # type: ignore[attr-defined]
QUALIFIED: list[tuple[tuple[str, str], ...]] = [
    (),
    *(((key, answer),) for key, each in known_qualifiers().items() for answer in each.answers),
    (("mode", "manual"), ("cuff", "adult"), ("position", "supine")),
    (("cuff", "thigh"), ("position", "sitting")),
]


@st.composite
def readings(draw: st.DrawFn, key: str) -> Reading:
    vital = vitals()[key]
    more: dict[str, Any] = {
        "site": draw(st.sampled_from(["", *vital.sites])),
        "method": draw(st.sampled_from(["", *vital.methods])),
    }
    if vital.panel:
        more["qualifiers"] = draw(st.sampled_from(QUALIFIED))
    if key != "bmi" and draw(st.integers(0, 4)) == 0:
        return Reading(key, "NOSIG", Outcome.ABSENT, reason=draw(reasons), meaning=draw(st.just("") | texts), **more)
    more["flagged"] = draw(st.booleans())
    if vital.kind == "coded":
        return Reading(key, "A", Outcome.RECORDED, code=draw(st.sampled_from(list(vital.answers))), **more)
    more["unit"] = draw(st.sampled_from(vital.units))
    more["comparator"] = draw(st.sampled_from(["", "", "<", "<=", ">=", ">"]))
    if draw(st.booleans()):
        more["source_value"], more["source_unit"] = draw(numbers), draw(st.sampled_from(list(units())))
    return Reading(key, draw(texts), Outcome.RECORDED, draw(numbers), **more)


@st.composite
def sets(draw: st.DrawFn) -> SetItem:
    keys = draw(st.lists(st.sampled_from(list(vitals())), min_size=1, max_size=8, unique=True))
    maybe = st.none() | parties
    return SetItem(
        identity=draw(st.text("0123456789abcdef", min_size=32, max_size=32)),
        line=1,
        patient=draw(patients),
        moment=draw(moments),
        readings=tuple(draw(readings(key)) for key in keys),
        device=draw(maybe),
        operator=draw(maybe),
        location=draw(maybe),
        encounter=draw(maybe),
        notes=tuple(draw(st.lists(texts, max_size=2))),
    )


@st.composite
def mappings(draw: st.DrawFn) -> Mapping:
    return mapping(
        namespace=draw(st.sampled_from(["https://clinic.example/records", "urn:oid:1.2.840", "https://a.example/ü,1"])),
        title=draw(texts.filter(lambda text: not re.search("[\x00-\x1f\x7f-\x9f]", text))),
        status=draw(st.sampled_from(["final", "preliminary"])),
        mark_questionable=draw(st.booleans()),
        keep_original=draw(st.booleans()),
        fhir={"profile": draw(st.sampled_from(["base", "us-core"])), "panel": draw(st.booleans())},
    )


# --- what must be there ----------------------------------------------------------------------------------------------


def concept(codings: Sequence[Coding | None], text: str = "") -> Record:
    found: Record = {"coding": [{"system": c.system, "code": c.code, "display": c.display} for c in codings if c]}
    return found | ({"text": text} if text else {})


def code_of(reading: Reading) -> Record:
    vital = vitals()[reading.vital]
    site = vital.sites.get(reading.site)
    codings: list[Coding | None] = list(vital.codings_by_unit.get(reading.unit, vital.codings))
    codings.append(site.loinc if site else None)
    codings.append((site.mdc if site else None) or vital.mdc)
    return concept(codings, vital.title)


def result_of(reading: Reading, chosen: Mapping) -> Record:
    found: Record = {}
    if reading.outcome is Outcome.ABSENT:
        system = "http://terminology.hl7.org/CodeSystem/data-absent-reason"
        found["dataAbsentReason"] = {"coding": [{"system": system, "code": reading.reason}]}
        if reading.meaning:
            found["dataAbsentReason"]["text"] = reading.meaning
    elif reading.code:
        answer = vitals()[reading.vital].answers[reading.code]
        found["valueCodeableConcept"] = concept([answer.coding], answer.title)
    else:
        found["valueQuantity"] = {
            "value": reading.value,
            "unit": units()[reading.unit].display,
            "system": UCUM,
            "code": reading.unit,
        }
        if reading.comparator:
            found["valueQuantity"]["comparator"] = reading.comparator
    marks = []
    if reading.comparator:
        low = reading.comparator.startswith("<")
        system = "http://terminology.hl7.org/CodeSystem/v3-ObservationInterpretation"
        marks.append(concept([Coding(system, reading.comparator[0], "Off scale low" if low else "Off scale high")]))
    if reading.flagged and chosen.output.mark_questionable:
        system = "http://hl7.org/fhir/uv/pocd/CodeSystem/measurement-status"
        marks.append(concept([Coding(system, "questionable", "Questionable")]))
    return found | ({"interpretation": marks} if marks else {})


def qualifiers(members: Sequence[Reading]) -> Record:
    found: Record = {}
    for reading in members:
        vital = vitals()[reading.vital]
        site, method = vital.sites.get(reading.site), vital.methods.get(reading.method)
        if site:
            found.setdefault("bodySite", concept([site.snomed], site.title) if site.snomed else {"text": site.title})
        if method:
            found.setdefault(
                "method", concept([method.snomed], method.title) if method.snomed else {"text": method.title}
            )
    return found


def logical(party: Party) -> Record:
    return {"identifier": ({"system": party.system} if party.system else {}) | {"value": party.value}}


def frame(item: SetItem, chosen: Mapping, key: str, device: str) -> Record:
    kind = panels()[key] if key in panels() else vitals()[key]
    us_core = chosen.output.fhir.profile == "us-core"
    profile = (us_core and kind.us_core) or kind.profile
    record: Record = {
        "resourceType": "Observation",
        "identifier": [{"system": chosen.namespace, "value": f"{item.identity}.{key}"}],
        "status": chosen.output.status,
        "category": [concept([kind.category])],
        "subject": {"type": "Patient"} | logical(item.patient),
        "effectiveDateTime": item.moment.fhir,
    }
    if profile:
        record["meta"] = {"profile": [profile]}
    if item.device:
        record["device"] = {"reference": device}
    if item.operator:
        record["performer"] = [logical(item.operator)]
    if item.encounter:
        record["encounter"] = logical(item.encounter)
    if item.location:
        record["extension"] = [{"url": BASE + "event-location", "valueReference": logical(item.location)}]
    return record


def expected(item: SetItem, chosen: Mapping, device: str) -> dict[str, Record]:
    """Key -> the Observation without id, notes and hasMember; in no particular order."""
    by_key = {reading.vital: reading for reading in item.readings}
    pressure = [by_key[key] for key in panels()["blood_pressure"].members if key in by_key]
    inside: list[Reading] = []
    if chosen.output.fhir.profile == "us-core" and by_key.get("spo2") and by_key["spo2"].value is not None:
        inside = [by_key[key] for key in OXYGEN[1:] if key in by_key]
    found: dict[str, Record] = {}
    for reading in item.readings:
        if reading in pressure or reading in inside:
            continue
        record = frame(item, chosen, reading.vital, device) | {"code": code_of(reading)} | qualifiers([reading])
        record |= result_of(reading, chosen)
        if reading.vital == "spo2" and inside:
            record["component"] = [{"code": code_of(each)} | result_of(each, chosen) for each in inside]
        found[reading.vital] = record
    if pressure:
        panel = panels()["blood_pressure"]
        record = frame(item, chosen, "blood_pressure", device) | qualifiers(pressure)
        record["code"] = concept([*panel.codings, panel.mdc], panel.title)
        record["component"] = []
        for key in panel.members:
            if key in by_key:
                record["component"].append({"code": code_of(by_key[key])} | result_of(by_key[key], chosen))
            elif key != "mean_pressure":
                missing = Reading(key, "", Outcome.ABSENT, reason="unknown")
                record["component"].append({"code": code_of(missing)} | result_of(missing, chosen))
        in_order = [by_key[key] for key in panel.members if key in by_key]
        for key, each in known_qualifiers().items():
            stated = [answer for reading in in_order for name, answer in reading.qualifiers if name == key]
            if stated:
                found_answer = each.answers[stated[0]]
                value = {"text": found_answer.title}
                if found_answer.coding:
                    value = concept([found_answer.coding], found_answer.title)
                title = each.title[0].upper() + each.title[1:]
                code = concept([each.coding], title) if each.coding else {"text": title}
                record["component"].append({"code": code, "valueCodeableConcept": value})
        found["blood_pressure"] = record
    return found


def converted(item: SetItem, key: str, chosen: Mapping) -> list[Reading]:
    """Readings of a record whose exported text must be kept."""
    members: Sequence[str] = panels()[key].members if key in panels() else (key,)
    if key == "spo2" and chosen.output.fhir.profile == "us-core":
        members = OXYGEN
    return [
        reading
        for reading in item.readings
        if reading.vital in members and reading.source_unit and reading.source_unit != reading.unit
    ]


def compare(record: Record, wanted: Record, item: SetItem, key: str, chosen: Mapping) -> None:
    notes = [note["text"] for note in record.pop("note", [])]
    assert notes[: len(item.notes)] == list(item.notes)
    kept = notes[len(item.notes) :]
    originals = converted(item, key, chosen) if chosen.output.keep_original else []
    assert len(kept) == bool(originals)
    for reading in originals:
        says_its_unit = any(character.isalpha() or character in "'\"‘’“”′″" for character in reading.text)
        unit = f" ({units()[reading.source_unit].display})"
        assert f'"{reading.text}"' + ("" if says_its_unit else unit) in kept[0]
        assert not says_its_unit or f'"{reading.text}"{unit}' not in kept[0]
    assert record == wanted


@settings(max_examples=80, deadline=None)
@given(sets(), mappings(), st.sampled_from(["ndjson", "collection", "transaction"]))
def test_what_is_read_back_is_the_set(item: SetItem, chosen: Mapping, container: Container) -> None:
    made = renderer(chosen, container)
    device = ""
    if item.device:
        device = made.device_id(item.device) if container == "ndjson" else made.device_uuid(item.device)
    wanted = expected(item, chosen, device)
    texts = made.observations(item)
    assert made.observations(item) == texts
    keys = list(made.keys(item))
    names: dict[str, str] = {}
    signs = [key for key in keys if key in wanted and wanted[key]["category"][0]["coding"][0]["code"] == "vital-signs"]
    for key, text in zip(keys, texts, strict=True):
        record = read(text)
        if container == "ndjson":
            names[key] = f"Observation/{record.pop('id')}"
            assert names[key] == f"Observation/{item.identity}-{key.replace('_', '-')}"
        else:
            assert record.keys() == {"fullUrl", "resource", *(["request"] if container == "transaction" else [])}
            names[key] = record["fullUrl"]
            record = record["resource"]
        if key == "vital_signs":
            panel = panels()[key]
            members = {"hasMember": [{"reference": names[each]} for each in signs]}
            code = {"code": concept(panel.codings, panel.title)}
            assert record == frame(item, chosen, key, device) | code | members
        else:
            compare(record, wanted.pop(key), item, key, chosen)
    assert set(wanted) == set()
    assert ("vital_signs" in keys) == (chosen.output.fhir.panel and bool(signs))


@settings(max_examples=30, deadline=None)
@given(sets(), mappings())
def test_other_readers_agree(item: SetItem, chosen: Mapping) -> None:
    """The verifier passes it, and fhir.resources (R4B) reads it and writes the same content."""
    lines = renderer(chosen).observations(item)
    us_core = chosen.output.fhir.profile == "us-core"
    assert FhirVerifier(us_core).lines(b"\n".join([*lines, b""])) == []
    for line in lines:
        found, wanted = Observation.model_validate_json(line), read(line)
        again = read(found.model_dump_json().encode())
        # The library writes fractions of a second its own way; the moment is the same.
        kind = date if item.moment.precision == "day" else datetime
        assert found.effectiveDateTime == kind.fromisoformat(item.moment.fhir)
        assert again | {"effectiveDateTime": item.moment.fhir} == wanted
    containers: tuple[Container, ...] = ("transaction", "collection")
    for container in containers:
        text = whole_bundle(renderer(chosen, container), item)
        assert FhirVerifier(us_core).bundle(text) == []
        bundle = Bundle.model_validate_json(text)
        assert bundle.entry is not None
        assert len(bundle.entry) == len(lines) + 1 + (item.device is not None)


@settings(max_examples=25, deadline=None)
@given(st.lists(sets(), min_size=2, max_size=4), mappings())
def test_one_renderer_for_many_sets_is_as_good_as_one_for_each(items: list[SetItem], chosen: Mapping) -> None:
    made = renderer(chosen)
    for item in [*items, *reversed(items)]:
        assert made.observations(item) == renderer(chosen).observations(item)


@settings(max_examples=30, deadline=None)
@given(sets(), mappings())
def test_provenance_speaks_of_everything_in_the_bundle(item: SetItem, chosen: Mapping) -> None:
    bundle = read(whole_bundle(renderer(chosen, "transaction"), item))
    *entries, last = bundle["entry"]
    targets = [entry["fullUrl"] for entry in entries if entry["resource"]["resourceType"] == "Observation"]
    assert last["resource"]["target"] == [{"reference": url} for url in targets]
    shown = [entity["what"]["display"] for entity in last["resource"]["entity"]]
    assert shown == ["export", f"mapping {chosen.title}, version {chosen.version}"]
    urls = [entry["fullUrl"] for entry in bundle["entry"]]
    assert len(set(urls)) == len(urls)
