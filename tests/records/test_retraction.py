"""What was recorded is taken back: everything else stays as it was, text for text."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from dataclasses import replace
from decimal import Decimal
from typing import Any, Literal

import hl7
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.errors import GatewayError, InputError, UsageError
from gateway.mapping.model import Mapping
from gateway.model import Party, Revised, SetItem
from gateway.records.fhir import Container, FhirRenderer
from gateway.records.oru import OruRenderer
from gateway.records.retraction import (
    devices_in,
    last_sent,
    messages_in,
    observations_in,
    record_of,
    retracted_batch,
    retracted_bundle,
    retracted_message,
    set_of,
)
from gateway.verify.fhir import FhirVerifier, deep_fhir
from gateway.verify.oru import OruVerifier, deep_oru
from tests.properties import test_fhir_round_trip as fhir_cases
from tests.properties import test_oru_round_trip as oru_cases
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
RECORDED = "2026-03-15T08:00:00-05:00"
DEVICE = Party("SN-7", "https://hillside.example/devices")


def sample(**more: Any) -> SetItem:
    readings = (value("systolic", "120"), value("diastolic", "80"), value("temperature", "37.0"), absent("spo2"))
    return one_set(*readings, **{"device": DEVICE, "notes": ("Größe",), **more})


def stored(made: FhirRenderer, *items: SetItem) -> bytes:
    """A file as the conversion writes it."""
    if made.container != "ndjson":
        return whole_bundle(made, *items) + b"\n"
    lines = [line for item in items for line in made.observations(item)]
    return b"\n".join([*lines, *[made.device(item.device) for item in items if item.device], b""])


def retracted(data: bytes, container: Container, **more: Any) -> bytes:
    return retracted_bundle(observations_in(data), container=container, devices=devices_in(data), **more)


def checked(data: bytes, container: Container, us_core: bool = False) -> list[Record]:
    """The resources of a retraction that the verifier and fhir.resources find good."""
    verifier = FhirVerifier(us_core)
    if container == "ndjson":
        lines = data.splitlines()
        assert verifier.lines(data) == []
        assert [deep_fhir(line) for line in lines] == [""] * len(lines)
        return [read(line) for line in lines]
    assert verifier.bundle(data) == []
    assert deep_fhir(data) == ""
    bundle = read(data)
    assert bundle["type"] == container
    return [entry["resource"] for entry in bundle["entry"]]


# --- FHIR ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("container", CONTAINERS)
def test_records_are_read_as_they_are_written(container: Container) -> None:
    made = renderer(mapping(fhir={"panel": True}), container)
    found = observations_in(stored(made, sample()))
    assert [record_of(each) for each in found] == [
        (IDENTITY, key) for key in ("blood_pressure", "temperature", "spo2", "vital_signs")
    ]
    whole = made.observations(sample())
    assert all(each in text for each, text in zip(found, whole, strict=True))
    assert b'"value":37.0,' in found[1]


@pytest.mark.parametrize("container", CONTAINERS)
def test_a_retraction_says_entered_in_error_and_nothing_else_new(container: Container) -> None:
    made = renderer(mapping(status="final", fhir={"panel": True}), container)
    data = stored(made, sample())
    out = retracted(data, container, recorded=RECORDED, gateway_version="9.9")
    for before, after in zip(observations_in(data), observations_in(out), strict=True):
        assert after == before.replace(b'"status":"final"', b'"status":"entered-in-error"')
    *_, provenance = checked(out, container)
    assert provenance["activity"]["coding"][0]["code"] == "NULLIFY"
    assert provenance["recorded"] == RECORDED
    assert len(provenance["target"]) == 4
    assert retracted(data, container, recorded=RECORDED, gateway_version="9.9") == out


def test_a_retraction_in_a_transaction_updates_by_identifier() -> None:
    data = stored(renderer(container="transaction"), sample())
    before, after = read(data)["entry"], read(retracted(data, "transaction"))["entry"]
    assert before[0] == after[0], "the Device, for the references to it"
    for was, entry in zip(before[1:-1], after[1:-1], strict=True):
        name = was["resource"]["identifier"][0]["value"]
        assert entry["fullUrl"] == was["fullUrl"]
        assert entry["request"] == {"method": "PUT", "url": f"Observation?identifier={NAMESPACE}|{name}"}
    assert after[-1]["request"]["ifNoneExist"].startswith(f"_tag={NAMESPACE}|")
    assert after[-1]["resource"]["meta"]["tag"] != before[-1]["resource"]["meta"]["tag"]


def test_without_provenance_and_without_a_time() -> None:
    data = stored(renderer(), sample())
    assert len(checked(retracted(data, "ndjson", provenance=False), "ndjson")) == 3
    *_, provenance = checked(retracted(data, "ndjson"), "ndjson")
    assert "recorded" not in provenance


@pytest.mark.parametrize("container", ["transaction", "collection"])
def test_a_member_that_stays_is_named_by_its_identifier(container: Container) -> None:
    data = stored(renderer(mapping(fhir={"panel": True}), container), sample())
    observations = [each for each in observations_in(data) if record_of(each)[1] != "temperature"]
    out = retracted_bundle(observations, container=container, devices=devices_in(data))
    panel = checked(out, container)[-2]
    assert panel["hasMember"][0].keys() == {"reference"}
    name = f"{IDENTITY}.temperature"
    if container == "transaction":
        assert panel["hasMember"][1] == {"reference": f"Observation?identifier={NAMESPACE}|{name}"}
    else:
        assert panel["hasMember"][1] == {"type": "Observation", "identifier": {"system": NAMESPACE, "value": name}}


@pytest.mark.parametrize("container", ["transaction", "collection"])
def test_a_correction_is_withdrawn_with_the_records_before_it(container: Container) -> None:
    """The last version of a record counts, and members that a correction named from outside are inside now."""
    made = renderer(mapping(status="final", fhir={"panel": True}), container)
    first = sample()
    known = frozenset(made.keys(first))
    readings = (*first.readings[:2], value("heart_rate", "61"), value("temperature", "37.2"), first.readings[3])
    revised = Revised(frozenset({"heart_rate"}), frozenset({"temperature"}), known)
    data = [stored(made, first), stored(made, replace(first, readings=readings, revised=revised))]
    observations = [each for file in data for each in observations_in(file)]
    out = retracted_bundle(observations, container=container, devices=devices_in(data[0]))
    records = {each["identifier"][0]["value"].partition(".")[2]: each for each in checked(out, container)[1:-1]}
    assert records["temperature"]["valueQuantity"]["value"] == Decimal("37.2")
    urls = [entry["fullUrl"] for entry in read(out)["entry"]]
    assert [each["reference"] in urls for each in records["vital_signs"]["hasMember"]] == [True] * 4
    assert {each["status"] for each in records.values()} == {"entered-in-error"}


@settings(max_examples=80, deadline=None)
@given(fhir_cases.sets(), fhir_cases.mappings(), st.sampled_from(CONTAINERS))
def test_everything_else_is_equal(item: SetItem, chosen: Mapping, container: Container) -> None:
    made = renderer(chosen, container)
    data = stored(made, item)
    before = [read(each) for each in observations_in(data)]
    out = retracted(data, container, recorded=RECORDED)
    after = [read(each) for each in observations_in(out)]
    assert [each | {"status": ""} for each in after] == [each | {"status": ""} for each in before]
    assert {each["status"] for each in after} == {"entered-in-error"}
    assert [record_of(each) for each in observations_in(data)] == [(item.identity, key) for key in made.keys(item)]
    checked(out, container, chosen.output.fhir.profile == "us-core")
    if container != "ndjson":
        urls = [entry["fullUrl"] for entry in read(out)["entry"]]
        assert urls[:-1] == [entry["fullUrl"] for entry in read(data)["entry"]][:-1]
    assert observations_in(json.dumps(read(data), default=str, indent=2).encode() if container != "ndjson" else data)


def first(text: str) -> Callable[[Record], None]:
    def change(bundle: Record) -> None:
        bundle["entry"][1]["resource"]["status"] = text

    return change


def request(**more: str) -> Callable[[Record], None]:
    def change(bundle: Record) -> None:
        bundle["entry"][1]["request"] |= more

    return change


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (first("amended"), "status of a PUT"),
        (first("cancelled"), "status of a PUT"),
        (request(method="POST"), "must be PUT"),
        (request(url=f"Observation?identifier={NAMESPACE}|{OTHER}.blood_pressure"), "does not ask"),
        (request(ifNoneExist=f"identifier={NAMESPACE}|{IDENTITY}.blood_pressure"), "does not belong in a PUT"),
    ],
)
def test_faults_of_a_retraction_are_caught(change: Callable[[Record], None], says: str) -> None:
    out = retracted(stored(renderer(container="transaction"), sample()), "transaction")
    spoilt = json.loads(out)
    change(spoilt)
    verifier = FhirVerifier(False)
    assert verifier.bundle(out) == []
    assert any(problem.index == 1 and says in problem.what for problem in verifier.bundle(json.dumps(spoilt).encode()))


@pytest.mark.parametrize(
    "data",
    [b"\xff", b"[]", b"{", b'{"resourceType":"Bundle","entry":[1]}', b"[" * 100_000, b"nothing", b'{"a":1}}', b'"a"'],
)
def test_what_cannot_be_read_is_one_clear_error(data: bytes) -> None:
    with pytest.raises(InputError, match="gateway wrote it"):
        observations_in(data)


def test_what_cannot_be_withdrawn_is_one_clear_error() -> None:
    lines, bundle = (stored(renderer(container=each), sample()) for each in ("ndjson", "transaction"))
    refused: list[Callable[[], object]] = [
        lambda: retracted_bundle([], container="ndjson"),
        lambda: retracted(lines, "transaction"),
        lambda: retracted(bundle, "ndjson"),
        lambda: retracted(lines, "ndjson", recorded="yesterday"),
        lambda: retracted_bundle(observations_in(bundle), container="transaction"),
        lambda: retracted_bundle(devices_in(lines), container="ndjson"),
        lambda: retracted_bundle([b"{}"], container="ndjson"),
        lambda: record_of(b'{"identifier":[{"value":7}]}'),
    ]
    for call in refused:
        with pytest.raises(GatewayError) as caught:
            call()
        assert caught.value.todo
        assert IDENTITY not in str(caught.value)


# --- HL7 v2 ----------------------------------------------------------------------------------------------------------


def rows(message: str, name: str) -> list[list[str]]:
    return [segment.split("|") for segment in message.split("\r") if segment.startswith(name)]


def plain(status: str = "final", **oru: Any) -> tuple[OruRenderer, str]:
    made = OruRenderer(mapping(status=status, oru=oru), changed=CHANGED_DTM)
    return made, made.message(sample())


@pytest.mark.parametrize("code", ["W", "D"])
@pytest.mark.parametrize("version", ["2.5.1", "2.6"])
@pytest.mark.parametrize(("status", "report"), [("final", "C"), ("preliminary", "P")])
def test_a_withdrawn_message(version: str, code: Literal["W", "D"], status: str, report: str) -> None:
    _, message = plain(status, version=version)
    out = retracted_message(message, code, CHANGED_DTM)
    assert rows(out, "OBR")[0][25] == report
    assert [row[11] for row in rows(out, "OBX")] == [code] * 4
    assert [row[5] for row in rows(out, "OBX")] == ["120", "80", "37.0", ""]
    versions = (message, retracted_message(message, "W", CHANGED_DTM), retracted_message(message, "D", CHANGED_DTM))
    controls = {rows(each, "MSH")[0][9] for each in versions}
    assert len(controls) == 3
    assert all(re.fullmatch("[0-9A-F]{20}", control) for control in controls)
    assert OruVerifier(version).messages([out]) == []
    assert deep_oru(out) == ""
    assert set_of(out) == IDENTITY
    assert retracted_message(message, code, CHANGED_DTM) == out


def test_the_time_of_a_withdrawn_message() -> None:
    _, message = plain()
    out, later = retracted_message(message, "W", "20260315080000-0500"), retracted_message(message, "W", CHANGED_DTM)
    assert rows(out, "MSH")[0][6] == rows(out, "OBR")[0][22] == "20260315080000-0500"
    assert rows(later, "MSH")[0][6] == rows(later, "OBR")[0][22] == CHANGED_DTM
    assert rows(out, "OBR")[0][7] == rows(message, "OBR")[0][7], "the time of the measurement stays"
    assert rows(out, "MSH")[0][9] == rows(later, "MSH")[0][9], "said again it is the same message"


@settings(max_examples=100, deadline=None)
@given(oru_cases.sets(), oru_cases.mappings(), st.sampled_from(["W", "D"]))
def test_everything_else_of_a_message_is_equal(item: SetItem, chosen: Mapping, code: Literal["W", "D"]) -> None:
    message = OruRenderer(chosen, changed=CHANGED_DTM).message(item)
    out = retracted_message(message, code, CHANGED_DTM)
    before, after = hl7.parse(message), hl7.parse(out)
    assert len(before) == len(after)
    for was, now in zip(before, after, strict=True):
        name = str(was[0])
        changed = {"MSH": {7, 10}, "OBR": {22, 25}, "OBX": {11}}.get(name, set())
        assert [str(field) for place, field in enumerate(was) if place not in changed] == [
            str(field) for place, field in enumerate(now) if place not in changed
        ]
        if name == "OBX":
            assert str(now[11]) == code
    verifier = OruVerifier(chosen.output.oru.version)
    assert set(verifier.messages([out])) <= set(verifier.messages([message])), "no fault that is new"
    assert messages_in(OruRenderer(chosen, changed=CHANGED_DTM).batch([message], "1").encode()) == [message]
    assert set_of(message) == item.identity


@pytest.mark.parametrize("version", ["2.5.1", "2.6"])
def test_a_batch_of_withdrawn_messages_has_the_shape_of_any_batch(version: str) -> None:
    made = OruRenderer(
        mapping(oru={"version": version, "sending_application": "A & B", "sending_facility": "LAB&1.2.3&ISO"}),
        changed=CHANGED_DTM,
    )
    messages = [made.message(sample()), made.message(sample(identity=OTHER))]
    data = made.batch(messages, "1-1").encode()
    assert messages_in(data) == messages
    assert [set_of(message) for message in messages_in(data)] == [IDENTITY, OTHER]
    withdrawn = [retracted_message(message, "W", CHANGED_DTM) for message in messages]
    text = retracted_batch(withdrawn, "1-1")
    assert text == made.batch(withdrawn, "1-1")
    assert OruVerifier(version).batch(text) == []
    assert rows(retracted_batch(withdrawn, "1-1", "20260315"), "FHS")[0][6] == "20260315"


def test_a_set_and_its_correction_are_withdrawn_as_they_last_were() -> None:
    made, message = plain()
    item = sample()
    readings = (*item.readings[:2], replace_value(item, "37.2"), value("heart_rate", "61"), item.readings[3])
    revised = Revised(frozenset({"heart_rate"}), frozenset({"temperature"}), frozenset())
    later = made.message(replace(item, readings=readings, revised=revised))
    joined = last_sent([message, later])
    assert [(row[1], row[5], row[11]) for row in rows(joined, "OBX")] == [
        ("1", "120", "F"), ("2", "80", "F"), ("3", "37.2", "C"), ("4", "", "X"), ("5", "61", "F"),
    ]  # fmt: skip
    assert OruVerifier("2.5.1").messages([joined]) == []
    assert last_sent([message]) == message
    assert OruVerifier("2.5.1").messages([retracted_message(joined, "W", CHANGED_DTM)]) == []


def replace_value(item: SetItem, number: str) -> Any:
    return value(item.readings[2].vital, number)


def field(name: str, number: int, text: str) -> Callable[[str], str]:
    def change(message: str) -> str:
        segments = message.split("\r")
        at = next(place for place, segment in enumerate(segments) if segment.startswith(name))
        fields = segments[at].split("|")
        fields[number] = text
        segments[at] = "|".join(fields)
        return "\r".join(segments)

    return change


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (field("OBR", 22, ""), "says when it was withdrawn"),
        (field("OBR", 25, "F"), "OBR-25 and OBX-11"),
        (field("OBR", 25, "X"), "OBR-25 and OBX-11"),
        (field("OBX|1", 11, "F"), "withdrawn alike"),
        (field("OBX|2", 11, "D"), "withdrawn alike"),
        (field("OBX|4", 11, "X"), "withdrawn alike"),
        (field("OBX|4", 8, ""), "OBX-8"),
        (field("OBX|1", 5, ""), "OBX-2 and OBX-5"),
    ],
)
def test_faults_of_a_withdrawn_message_are_caught(change: Callable[[str], str], says: str) -> None:
    out = retracted_message(plain()[1], "W", CHANGED_DTM)
    verifier = OruVerifier("2.5.1")
    assert verifier.messages([out]) == []
    assert any(says in problem.what for problem in verifier.messages([change(out)]))


def test_messages_that_cannot_be_withdrawn_are_one_clear_error() -> None:
    made, message = plain()
    other = OruRenderer(mapping(oru={"version": "2.6"}), changed=CHANGED_DTM).message(sample())
    refused: list[tuple[type[GatewayError], Callable[[], object]]] = [
        (UsageError, lambda: retracted_message(message, "X", CHANGED_DTM)),  # type: ignore[arg-type]
        (UsageError, lambda: retracted_message(message, "W", "now")),
        (UsageError, lambda: retracted_message(message, "W", "")),
        (UsageError, lambda: retracted_batch([], "1")),
        (UsageError, lambda: retracted_batch([message, other], "1")),
        (UsageError, lambda: last_sent([])),
        (UsageError, lambda: last_sent([message, made.message(sample(identity=OTHER))])),
        (InputError, lambda: retracted_message("MSH|^~\\&|\r", "W", CHANGED_DTM)),
        (InputError, lambda: set_of(field("OBR", 3, "17")(message))),
        (InputError, lambda: messages_in(b"")),
        (InputError, lambda: messages_in(b"FHS|^~\\&\rFTS|0\r")),
        (InputError, lambda: messages_in(b"\xff")),
    ]
    for kind, call in refused:
        with pytest.raises(kind) as caught:
            call()
        assert caught.value.todo
        assert IDENTITY not in str(caught.value)
