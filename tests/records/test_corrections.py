"""A set recorded before, sent again with something new in it: FHIR updates and v2 corrections, and nothing else."""

from __future__ import annotations

import json
from collections.abc import Callable
from copy import deepcopy
from dataclasses import replace
from typing import Any
from urllib.parse import unquote

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.mapping.model import Mapping
from gateway.model import Party, Revised, SetItem
from gateway.records.fhir import Container
from gateway.records.oru import OruRenderer
from gateway.verify.fhir import FhirVerifier, deep_fhir
from gateway.verify.oru import OruVerifier, deep_oru
from tests.properties import test_fhir_round_trip as fhir_cases
from tests.properties import test_oru_round_trip as oru_cases
from tests.records.handmade_fhir import compact
from tests.records.made_sets import (
    CHANGED_DTM,
    IDENTITY,
    NAMESPACE,
    OTHER,
    Record,
    absent,
    mapping,
    one_set,
    read,
    renderer,
    value,
    whole_bundle,
)

CONTAINERS: tuple[Container, ...] = ("transaction", "collection", "ndjson")
DEVICE = Party("SN-7", "https://hillside.example/devices")


def final(**more: Any) -> Mapping:
    return mapping(status="final", **more)


def revised(added: str = "", corrected: str = "", known: str = "") -> Revised:
    return Revised(frozenset(added.split()), frozenset(corrected.split()), frozenset(known.split()))


def corrected_set(**more: Any) -> SetItem:
    """Heart rate corrected, saturation new, temperature and pressure as they were."""
    return one_set(
        value("systolic", "120"), value("diastolic", "80"), value("heart_rate", "61"), value("spo2", "97"),
        value("temperature", "37.0"), device=DEVICE,
        revised=revised("spo2", "heart_rate", "blood_pressure heart_rate temperature"), **more,
    )  # fmt: skip


def panel_set() -> SetItem:
    item = corrected_set()
    return replace(item, revised=item.revised._replace(known=item.revised.known | {"vital_signs"}))  # type: ignore[union-attr]


def contents(texts: list[bytes], container: Container) -> list[Record]:
    records = [read(text) for text in texts]
    return records if container == "ndjson" else [record["resource"] for record in records]


def good(made: Any, container: Container, *items: SetItem, us_core: bool = False) -> Record | None:
    """Verify the items as the conversion would write them; the bundle, if it is one."""
    verifier = FhirVerifier(us_core)
    texts = [text for item in items for text in made.observations(item)]
    if container == "ndjson":
        assert verifier.resources(texts) == []
        assert [deep_fhir(text) for text in texts] == [""] * len(texts)
        return None
    bundle = whole_bundle(made, *items)
    assert verifier.bundle(bundle) == []
    assert FhirVerifier(us_core).bundle(json.dumps(read(bundle), default=float, indent=1).encode()) == []
    assert deep_fhir(bundle) == ""
    return read(bundle)


# --- FHIR ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("container", CONTAINERS)
def test_only_what_is_new_or_changes_is_rendered(container: Container) -> None:
    made = renderer(final(), container)
    item = corrected_set()
    assert made.keys(item) == ("heart_rate", "spo2")
    assert made.references(item) == [made.reference(IDENTITY, "heart_rate"), made.reference(IDENTITY, "spo2")]
    rate, saturation = contents(made.observations(item), container)
    assert (rate["status"], saturation["status"]) == ("corrected", "final")
    assert [each["identifier"][0]["value"] for each in (rate, saturation)] == [
        f"{IDENTITY}.heart_rate",
        f"{IDENTITY}.spo2",
    ]
    good(made, container, item)


def test_a_known_record_is_updated_and_a_new_one_is_created() -> None:
    rate, saturation = (read(text) for text in renderer(final(), "transaction").observations(corrected_set()))
    assert rate["request"] == {"method": "PUT", "url": f"Observation?identifier={NAMESPACE}|{IDENTITY}.heart_rate"}
    assert saturation["request"] == {
        "method": "POST",
        "url": "Observation",
        "ifNoneExist": f"identifier={NAMESPACE}|{IDENTITY}.spo2",
    }
    plain = [
        read(text) for text in renderer(final(), "transaction").observations(replace(corrected_set(), revised=None))
    ]
    assert rate["fullUrl"] in [entry["fullUrl"] for entry in plain]
    assert saturation in plain


def test_the_search_of_an_update_is_escaped() -> None:
    chosen = final(namespace="https://hillside.example/a,b?c=d&e=ü")
    made = renderer(chosen, "transaction")
    rate = read(made.observations(corrected_set())[0])
    assert rate["request"]["url"].startswith(
        "Observation?identifier=https://hillside.example/a%5C%2Cb%3Fc%3Dd%26e%3D%C3%BC|"
    )
    assert unquote(rate["request"]["url"]).endswith(f"|{IDENTITY}.heart_rate")
    good(made, "transaction", corrected_set())


@pytest.mark.parametrize("container", CONTAINERS)
def test_a_preliminary_record_stays_preliminary(container: Container) -> None:
    made = renderer(mapping(status="preliminary"), container)
    assert [each["status"] for each in contents(made.observations(corrected_set()), container)] == ["preliminary"] * 2
    bundle = good(made, container, corrected_set())
    if container == "transaction":
        assert bundle is not None
        assert [entry["request"]["method"] for entry in bundle["entry"]] == ["POST", "PUT", "POST", "POST", "POST"]


def test_one_side_of_a_pressure_brings_the_whole_record() -> None:
    item = one_set(
        value("systolic", "120"), value("diastolic", "80"), value("heart_rate", "61"),
        revised=revised(corrected="systolic", known="blood_pressure heart_rate"),
    )  # fmt: skip
    (record,) = contents(renderer(final()).observations(item), "ndjson")
    assert record["status"] == "corrected"
    assert [part["valueQuantity"]["value"] for part in record["component"]] == [120, 80]


@pytest.mark.parametrize("container", CONTAINERS)
def test_the_panel_comes_again_when_it_has_another_member(container: Container) -> None:
    made = renderer(final(fhir={"panel": True}), container)
    item = panel_set()
    assert made.keys(item) == ("heart_rate", "spo2", "vital_signs")
    *_, panel = contents(made.observations(item), container)
    assert panel["status"] == "corrected"
    pressure, rate, saturation, temperature = panel["hasMember"]
    assert [rate["reference"], saturation["reference"]] == made.references(item)[:2]
    name = f"{IDENTITY}.temperature"
    if container == "ndjson":
        assert temperature == {"reference": f"Observation/{IDENTITY}-temperature"}
    elif container == "collection":
        assert temperature == {"type": "Observation", "identifier": {"system": NAMESPACE, "value": name}}
    else:
        assert temperature == {"reference": f"Observation?identifier={NAMESPACE}|{name}"}
    assert pressure.keys() == temperature.keys()
    good(made, container, item)


def test_the_panel_stays_when_only_a_value_changes() -> None:
    made = renderer(final(fhir={"panel": True}))
    item = replace(
        panel_set(), revised=revised("", "heart_rate", "blood_pressure heart_rate spo2 temperature vital_signs")
    )
    assert made.keys(item) == ("heart_rate",)


def test_the_panel_comes_again_when_a_member_is_gone() -> None:
    made = renderer(final(fhir={"panel": True}))
    known = "blood_pressure heart_rate spo2 temperature respiratory_rate vital_signs"
    assert made.keys(replace(panel_set(), revised=revised("", "heart_rate", known))) == ("heart_rate", "vital_signs")


def test_oxygen_that_loses_its_saturation_gets_a_record_of_its_own() -> None:
    made = renderer(final(fhir={"profile": "us-core"}))
    readings = (absent("spo2"), value("oxygen_flow", "2"))
    item = one_set(*readings, revised=revised("", "spo2", "spo2"))
    assert made.keys(item) == ("spo2", "oxygen_flow")
    assert [each["status"] for each in contents(made.observations(item), "ndjson")] == ["corrected", "final"]
    assert made.keys(replace(item, revised=revised("", "spo2", "spo2 oxygen_flow"))) == ("spo2",)


def test_ordinary_sets_are_not_mistaken_for_revised_ones() -> None:
    made = renderer(final(fhir={"panel": True}), "transaction")
    plain = replace(panel_set(), revised=None)
    before = made.observations(plain)
    changed = made.observations(panel_set())
    assert changed == renderer(final(fhir={"panel": True}), "transaction").observations(panel_set())
    assert made.observations(plain) == before


@st.composite
def revisions(draw: st.DrawFn, cases: Any) -> tuple[SetItem, SetItem]:
    """A set as it was recorded (it may have been empty of all but one reading), and as it is now."""
    item: SetItem = draw(cases.sets())
    now, then, added, corrected = [], [], set(), set()
    for reading in item.readings:
        kind = draw(st.sampled_from(["same", "added", "corrected"]))
        now.append(reading)
        if kind == "added":
            added.add(reading.vital)
            continue
        then.append(reading if kind == "same" else draw(cases.readings(reading.vital)))
        corrected |= {reading.vital} if kind == "corrected" else set()
    if not added | corrected:
        corrected.add(item.readings[0].vital)
    now_set = replace(item, readings=tuple(now), revised=Revised(frozenset(added), frozenset(corrected), frozenset()))
    return replace(item, readings=tuple(then)), now_set


@settings(max_examples=120, deadline=None)
@given(revisions(fhir_cases), fhir_cases.mappings(), st.sampled_from(CONTAINERS))
def test_what_is_sent_is_the_difference(pair: tuple[SetItem, SetItem], chosen: Mapping, container: Container) -> None:
    """Every record of the set as it is now either comes, as itself but for its status, or was recorded as it is."""
    then, now = pair
    made = renderer(chosen, container)
    assert now.revised is not None
    recorded = (
        dict(zip(made.keys(then), contents(made.observations(then), container), strict=True)) if then.readings else {}
    )
    item = replace(now, revised=now.revised._replace(known=frozenset(recorded)))
    plain = replace(now, revised=None)
    whole = dict(zip(made.keys(plain), contents(made.observations(plain), container), strict=True))
    sent = dict(zip(made.keys(item), contents(made.observations(item), container), strict=True))
    changed = now.revised.added | now.revised.corrected
    assert changed <= {reading.vital for reading in item.readings}
    for key, record in whole.items():
        if key not in sent:
            assert recorded[key] == record
            continue
        again = key in recorded
        assert sent[key]["status"] == (
            "corrected" if again and chosen.output.status == "final" else chosen.output.status
        )
        wanted = record | {"status": sent[key]["status"]}
        if key == "vital_signs":
            assert len(sent[key].pop("hasMember")) == len(wanted.pop("hasMember"))
        assert sent[key] == wanted
    assert sent.keys() <= whole.keys()
    good(made, container, item, us_core=chosen.output.fhir.profile == "us-core")
    assert made.observations(item) == renderer(chosen, container).observations(item)


# --- HL7 v2 ----------------------------------------------------------------------------------------------------------


def rows(message: str, name: str) -> list[list[str]]:
    return [segment.split("|") for segment in message.split("\r") if segment.startswith(name)]


@pytest.mark.parametrize("version", ["2.5.1", "2.6"])
def test_a_correction_holds_only_what_is_new_or_changes(version: str) -> None:
    made = OruRenderer(final(oru={"version": version}), changed=CHANGED_DTM)
    first = made.message(replace(corrected_set(), revised=None))
    made.fresh.clear()
    message = made.message(corrected_set())
    assert made.fresh == [message]
    assert rows(message, "OBR")[0][25] == "C"
    assert [(row[1], row[4], row[11]) for row in rows(message, "OBX")] == [
        ("1", rows(first, "OBX")[2][4], "C"),
        ("2", rows(first, "OBX")[3][4], "F"),
    ]
    report = rows(message, "OBR")[0]
    assert report[22] == rows(message, "MSH")[0][6] == CHANGED_DTM, "when it was changed, in the report and the message"
    assert [*report[:22], "", *report[23:25]] == rows(first, "OBR")[0][:25]
    assert rows(message, "MSH")[0][9] != rows(first, "MSH")[0][9]
    assert OruVerifier(version).messages([message]) == []
    assert deep_oru(message) == ""


def test_a_mere_addition_is_no_correction() -> None:
    item = replace(corrected_set(), revised=revised("spo2", "", "heart_rate"))
    message = OruRenderer(final(), changed=CHANGED_DTM).message(item)
    assert rows(message, "OBR")[0][25] == "F"
    assert [row[11] for row in rows(message, "OBX")] == ["F"]


def test_a_correction_of_an_unverified_value_is_preliminary() -> None:
    message = OruRenderer(mapping(status="preliminary"), changed=CHANGED_DTM).message(corrected_set())
    assert rows(message, "OBR")[0][25] == "P"
    assert [row[11] for row in rows(message, "OBX")] == ["P", "R"]
    assert OruVerifier("2.5.1").messages([message]) == []


def test_a_value_that_became_a_failed_measurement_is_x() -> None:
    item = one_set(absent("heart_rate"), value("spo2", "97"), revised=revised("", "heart_rate", "heart_rate spo2"))
    message = OruRenderer(final(), changed=CHANGED_DTM).message(item)
    assert (rows(message, "OBR")[0][25], [row[11] for row in rows(message, "OBX")]) == ("C", ["X"])
    assert OruVerifier("2.5.1").messages([message]) == []


def test_a_revised_set_without_anything_new_is_refused() -> None:
    with pytest.raises(ValueError, match="no reading"):
        OruRenderer(final(), changed=CHANGED_DTM).message(replace(corrected_set(), revised=revised(known="heart_rate")))


@settings(max_examples=100, deadline=None)
@given(revisions(oru_cases), oru_cases.mappings())
def test_the_message_of_a_correction(pair: tuple[SetItem, SetItem], chosen: Mapping) -> None:
    """Its segments are those of the plain one but for OBX-1, OBX-11, OBR-22, OBR-25, MSH-7, MSH-10 and MSH-18."""
    _, item = pair
    made = OruRenderer(chosen, changed=CHANGED_DTM)
    assert item.revised is not None
    message, plain = made.message(item), made.message(replace(item, revised=None))
    verifier = OruVerifier(chosen.output.oru.version)
    assert set(verifier.messages([message])) <= set(verifier.messages([plain])), (
        "it has no fault that it had not before"
    )
    assert made.message(item) == OruRenderer(chosen, changed=CHANGED_DTM).message(item) == message
    changed = item.revised.added | item.revised.corrected
    found, all_of = iter(rows(message, "OBX")), rows(plain, "OBX")
    all_of, beside = all_of[: len(item.readings)], all_of[len(item.readings) :]
    verified = chosen.output.status == "final"
    for reading, row in zip(item.readings, all_of, strict=True):
        if reading.vital not in changed:
            continue
        sent = next(found)
        status = ("C" if verified else "P") if reading.vital in item.revised.corrected and row[11] != "X" else row[11]
        assert [*sent[2:11], sent[11], *sent[12:]] == [*row[2:11], status, *row[12:]]
    said = [row[4] for row in beside]
    for row in found:
        assert row[4] in said, "behind the results stands how they were taken"
        assert row[11] in ("C", "P", "F", "R")
    for name in ("PID", "PV1", "ORC"):
        assert rows(message, name) == rows(plain, name)
    (report,), (was,) = rows(message, "OBR"), rows(plain, "OBR")
    assert [*report[:22], "", *report[23:25]] == was[:25]
    assert report[22] == rows(message, "MSH")[0][6] == CHANGED_DTM
    assert report[25] == ("C" if verified and item.revised.corrected else was[25])


# --- the verifiers ---------------------------------------------------------------------------------------------------


def correction() -> Record:
    made = renderer(final(fhir={"panel": True}), "transaction")
    found: Record = json.loads(whole_bundle(made, panel_set()))
    return found


def put(*path: str | int, to: Any) -> Callable[[Record], None]:
    def change(record: Any) -> None:
        for step in path[:-1]:
            record = record[step]
        record[path[-1]] = to

    return change


def without(*path: str | int) -> Callable[[Record], None]:
    def change(record: Any) -> None:
        for step in path[:-1]:
            record = record[step]
        del record[path[-1]]

    return change


# Entries: 0 Device, 1 heart_rate (PUT), 2 spo2 (POST), 3 vital_signs (PUT), 4 Provenance of the PUT, 5 of the POST.
ACTIVITY = ("entry", 4, "resource", "activity", "coding", 0)
SEARCH = f"Observation?identifier={NAMESPACE}|{IDENTITY}"
URL = ("entry", 1, "request", "url")
RATE, PANEL = f"{SEARCH}.heart_rate", f"{SEARCH}.temperature"
MEMBER = ("entry", 3, "resource", "hasMember", 3)
LOGICAL = {"type": "Observation", "identifier": {"system": NAMESPACE, "value": f"{IDENTITY}.temperature"}}
FAULTS: list[tuple[str, Callable[[Record], None], int, str]] = [
    ("update of a cancelled record", put("entry", 1, "resource", "status", to="cancelled"), 1, "status of a PUT"),
    ("update of an amended record", put("entry", 1, "resource", "status", to="amended"), 1, "status of a PUT"),
    ("new and corrected", put("entry", 2, "resource", "status", to="corrected"), 2, "must be PUT"),
    ("new and in error", put("entry", 2, "resource", "status", to="entered-in-error"), 2, "must be PUT"),
    ("update by id", put(*URL, to="Observation/1"), 1, "does not ask for the identifier"),
    ("update of all", put(*URL, to="Observation"), 1, "does not ask for the identifier"),
    ("update of another", put(*URL, to=f"{SEARCH}.spo2"), 1, "does not ask"),
    ("update of another set", put(*URL, to=RATE.replace(IDENTITY, OTHER)), 1, "does not ask"),
    ("update without system", put(*URL, to=RATE.replace(f"{NAMESPACE}|", "")), 1, "does not ask"),
    ("update by another parameter", put(*URL, to=RATE.replace("identifier", "_id")), 1, "does not"),
    ("update of another type", put(*URL, to=RATE.replace("Obs", "Abs")), 1, "does not ask"),
    ("search not encoded", put(*URL, to=RATE + "&a=b"), 1, "percent"),
    ("two tokens", put(*URL, to=RATE + ",x"), 1, "does not ask"),
    (
        "create and update",
        put("entry", 1, "request", "ifNoneExist", to=RATE.partition("?")[2]),
        1,
        "does not belong in a PUT",
    ),
    ("update turned into create", put("entry", 1, "request", "method", to="POST"), 1, "must be PUT"),
    ("create turned into update", put("entry", 2, "request", "method", to="PUT"), 2, "does not belong in a PUT"),
    (
        "device updated",
        put("entry", 0, "request", to={"method": "PUT", "url": f"Device?identifier={DEVICE.system}|{DEVICE.value}"}),
        0,
        "Observations only",
    ),
    ("member of another set", put(*MEMBER, "reference", to=PANEL.replace(IDENTITY, OTHER)), 3, "another set"),
    ("member of another system", put(*MEMBER, "reference", to=PANEL.replace("readings", "other")), 3, "another set"),
    ("member unknown", put(*MEMBER, "reference", to=f"{SEARCH}.nothing"), 3, "not a vital sign"),
    ("member is no vital sign", put(*MEMBER, "reference", to=f"{SEARCH}.pain"), 3, "not a vital sign"),
    ("member not one token", put(*MEMBER, "reference", to=f"{PANEL},x"), 3, "exactly one identifier"),
    ("member not encoded", put(*MEMBER, "reference", to=f"{PANEL}&a=b"), 3, "exactly one identifier"),
    ("member twice", put(*MEMBER, to={"reference": f"{SEARCH}.blood_pressure"}), 3, "twice"),
    ("logical member of another set", put(*MEMBER, to=LOGICAL | {"identifier": {"system": NAMESPACE, "value": "x"}}), 3,
     "another set"),
    ("member asked for in a collection", put("type", to="collection"), 3, "only belongs in a transaction"),
    ("device asked for", put("entry", 1, "resource", "device", "reference", to="Device?identifier=a|b"), 1, "neither"),
    ("changes said to be made", put(*ACTIVITY, "code", to="CREATE"), 4, "is named by an UPDATE"),
    ("changes said to be withdrawn", put(*ACTIVITY, "code", to="NULLIFY"), 4, "NULLIFY is for records"),
    ("an activity not known", put(*ACTIVITY, "code", to="DELETE"), 4, "not one the gateway names"),
    ("an activity of another system", put(*ACTIVITY, "system", to="urn:x:y"), 4, "not one the gateway names"),
    ("changes said to be nothing", without("entry", 4, "resource", "activity"), 4, "is named by an UPDATE"),
    ("changed nobody knows when", without("entry", 4, "resource", "recorded"), 4, "says when it was made"),
    ("an addition said to change", put("entry", 5, "resource", "activity", "coding", 0, "code", to="UPDATE"), 5,
     "of a conditional create"),
    ("an addition that claims what was there", without("entry", 5, "resource", "activity", "text"), 5,
     "of a conditional create"),
    ("an addition said to be nothing", without("entry", 5, "resource", "activity"), 5, "of a conditional create"),
]  # fmt: skip


def test_the_correction_is_good_before_it_is_spoilt() -> None:
    text = correction()
    assert [entry["resource"].get("status") for entry in text["entry"]] == [
        None,
        "corrected",
        "final",
        "corrected",
        None,
        None,
    ]
    assert FhirVerifier(False).bundle(compact(text)) == []


@pytest.mark.parametrize(("fault", "change", "index", "says"), FAULTS, ids=[item[0] for item in FAULTS])
def test_faults_of_a_correction_are_caught(fault: str, change: Callable[[Record], None], index: int, says: str) -> None:
    text = correction()
    change(text)
    cold = FhirVerifier(False).bundle(compact(text))
    assert any(problem.index == index and says in problem.what for problem in cold), cold
    warm = FhirVerifier(False)
    assert warm.bundle(compact(correction())) == []
    assert warm.bundle(compact(text)) == cold


def test_a_collection_cannot_ask_a_server_for_a_member() -> None:
    made = renderer(final(fhir={"panel": True}), "collection")
    text = json.loads(whole_bundle(made, panel_set()))
    verifier = FhirVerifier(False)
    assert verifier.bundle(compact(text)) == []
    put(*MEMBER, to={"reference": PANEL})(text)
    (problem,) = verifier.bundle(compact(text))
    assert (problem.index, problem.what) == (3, "a conditional reference only belongs in a transaction")


@pytest.mark.parametrize("member", [{"reference": PANEL}, LOGICAL])
def test_lines_name_members_by_their_id(member: Record) -> None:
    made = renderer(final(fhir={"panel": True}))
    record = read(made.observations(panel_set())[-1])
    assert FhirVerifier(False).resources([compact(record)]) == []
    record["hasMember"][3] = deepcopy(member)
    assert any("which only bundles need" in each.what for each in FhirVerifier(False).resources([compact(record)]))


def field(name: str, number: int, text: str, at: int = 0) -> Callable[[str], str]:
    def change(message: str) -> str:
        segments = message.split("\r")
        places = [place for place, segment in enumerate(segments) if segment.startswith(name)]
        fields = segments[places[at]].split("|")
        fields[number] = text
        segments[places[at]] = "|".join(fields)
        return "\r".join(segments)

    return change


STATUS_FAULTS: list[tuple[str, Callable[[str], str], str]] = [
    ("corrected results of a final report", field("OBR", 25, "F"), "OBR-25 and OBX-11"),
    ("corrected results of a preliminary report", field("OBR", 25, "P"), "none of its results is"),
    ("a corrected report of final results", field("OBX", 11, "F"), "none of its results"),
    ("a corrected report with a preliminary result", field("OBX", 11, "P", 1), "OBR-25 and OBX-11"),
    ("one result withdrawn", field("OBX", 11, "W", 1), "withdrawn alike"),
    ("one result deleted", field("OBX", 11, "D"), "withdrawn alike"),
    ("a status of a later edition", field("OBX", 11, "A"), "table 0085"),
    ("a report status of a later edition", field("OBR", 25, "M"), "table 0123"),
    ("nobody knows when", field("OBR", 22, ""), "says when its results or status changed"),
    ("changed on a day", field("OBR", 22, "20260315"), "need seconds and an offset"),
    ("changed without an offset", field("OBR", 22, "20260315010203"), "need seconds and an offset"),
    ("changed in month 13", field("OBR", 22, "20261315010203+0000"), "need seconds and an offset"),
    ("changed after it was said", field("OBR", 22, "20260315010203.457+0000"), "later than MSH-7"),
    ("changed after it was said, elsewhere", field("OBR", 22, "20260315010203-0100"), "later than MSH-7"),
    ("said before it was changed", field("MSH", 6, "20260315010203.455+0000"), "later than MSH-7"),
    ("said on a day", field("MSH", 6, "20260315"), "need seconds and an offset"),
    ("a time of analysis", lambda message: message[:-1] + f"|{CHANGED_DTM}\r", "OBX-19"),
]


@pytest.mark.parametrize(("fault", "change", "says"), STATUS_FAULTS, ids=[item[0] for item in STATUS_FAULTS])
def test_statuses_that_disagree_are_caught(fault: str, change: Callable[[str], str], says: str) -> None:
    message = OruRenderer(final(), changed=CHANGED_DTM).message(corrected_set())
    verifier = OruVerifier("2.5.1")
    assert verifier.messages([message]) == []
    assert any(says in problem.what for problem in verifier.messages([change(message)]))
