"""Bundles cut into sets and put together again."""

from __future__ import annotations

import json
from decimal import Decimal
from itertools import pairwise

import pytest

from gateway.delivery.bundles import Bundle, BundleError, Private, halves, rendered
from tests.delivery import delivery_kit as kit

Record = kit.Record


def references(value: object) -> set[str]:
    if isinstance(value, dict):
        own = {value["reference"]} if isinstance(value.get("reference"), str) else set()
        return own.union(*(references(inner) for inner in value.values()))
    if isinstance(value, list):
        return set().union(*map(references, value))
    return set()


def provenance(data: bytes) -> Record:
    (found,) = (entry for entry in kit.entries(data) if entry["resource"]["resourceType"] == "Provenance")
    return found


@pytest.mark.parametrize("panel", [True, False])
def test_units_are_the_sets(panel: bool) -> None:
    bundle = Bundle(kit.bundle(3, panel=panel))
    size = 4 if panel else 3
    assert [len(unit) for unit in bundle.units] == [size] * 3
    assert [bundle.entries[index].kind for index in bundle.shared] == ["Device"]


def test_a_parcel_of_everything_is_the_bundle_itself() -> None:
    data = kit.bundle(3)
    bundle = Bundle(data)
    assert rendered(bundle.parcel(bundle.units), "transaction") == data


def test_numbers_stay_as_they_were_written() -> None:
    bundle = Bundle(kit.bundle(2))
    for half in halves(bundle.units):
        assert b'"value":37.0' in rendered(bundle.parcel(half), "transaction")


@pytest.mark.parametrize("count", [2, 3, 5])
def test_halves_hold_every_entry_and_whole_references(count: int) -> None:
    data = kit.bundle(count)
    bundle = Bundle(data)
    seen: list[str] = []
    targets: list[str] = []
    for half in halves(bundle.units):
        part = rendered(bundle.parcel(half), "transaction")
        held = {entry["fullUrl"] for entry in kit.entries(part)}
        assert references(json.loads(part)) <= held
        seen += held
        targets += [target["reference"] for target in provenance(part)["resource"]["target"]]
    everything = {entry["fullUrl"] for entry in kit.entries(data)}
    assert set(seen) == everything
    assert sorted(targets) == sorted(t["reference"] for t in provenance(data)["resource"]["target"])


def test_divided_provenance_is_known_by_a_tag_of_its_own() -> None:
    data = kit.bundle(4)
    bundle = Bundle(data)
    whole = provenance(data)
    found = [whole] + [provenance(rendered(bundle.parcel([unit]), "transaction")) for unit in bundle.units]
    tags = [entry["resource"]["meta"]["tag"][0]["code"] for entry in found]
    assert len(set(tags)) == 5
    for entry, tag in zip(found, tags, strict=True):
        assert entry["request"]["ifNoneExist"].endswith("|" + tag)
        assert entry["request"]["ifNoneExist"].startswith("_tag=")
        assert entry["resource"]["entity"] == whole["resource"]["entity"]


def test_division_gives_the_same_bytes_each_time_and_by_any_way() -> None:
    bundle = Bundle(kit.bundle(4))
    quarter = halves(halves(bundle.units)[0])[0]
    assert rendered(bundle.parcel(quarter), "transaction") == rendered(
        Bundle(kit.bundle(4)).parcel([bundle.units[0]]), "transaction"
    )


def test_entries_keep_their_order() -> None:
    bundle = Bundle(kit.bundle(4))
    for half in halves(bundle.units):
        assert all(one < other for (one, _), (other, _) in pairwise(bundle.parcel(half)))


def test_references_are_replaced_and_nothing_else() -> None:
    bundle = Bundle(kit.bundle(1))
    (device,) = bundle.shared
    entry = next(entry for entry in bundle.entries if device in entry.refers)
    text = bundle.resolved(entry.index, entry.text, {device: "Device/77"})
    before, after = (json.loads(each, parse_float=Decimal) for each in (entry.text, text))
    assert after["resource"]["device"] == {"reference": "Device/77"}
    before["resource"]["device"] = after["resource"]["device"]
    assert before == after


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"", "not JSON"),
        (b"{", "not JSON"),
        (b"[1]", "not JSON"),
        (b"\xff\xfe{}", "not JSON"),
        (b"[" * 100_000, "not JSON"),
        (b'{"resourceType":"Patient"}', "not a transaction bundle"),
        (b'{"resourceType":"Bundle","type":"collection","entry":[]}', "not a transaction bundle"),
        (b'{"resourceType":"Bundle","type":"transaction"}', "empty"),
        (b'{"resourceType":"Bundle","type":"transaction","entry":[1]}', "no resource or no request"),
        (b'{"resourceType":"Bundle","type":"transaction","entry":[{"resource":{"resourceType":"X"}}]}', "no request"),
        *(
            (
                b'{"resourceType":"Bundle","type":"transaction","entry":[%b]}' % entry,
                "no resource or no request",
            )
            for entry in (
                b'{"resource":{"resourceType":"X"},"request":{},"fullUrl":7}',
                b'{"resource":{"resourceType":"X"},"request":{},"fullUrl":null}',
                b'{"resource":{"resourceType":"X"},"request":{},"fullUrl":["urn:uuid:1"]}',
                b'{"resource":{"resourceType":7},"request":{}}',
                b'{"resource":[],"request":{}}',
                b'{"resource":{"resourceType":"X"},"request":[]}',
            )
        ),
    ],
)
def test_other_things_are_told(data: bytes, said: str) -> None:
    with pytest.raises(BundleError, match=said):
        Bundle(data)


def test_a_reference_to_nowhere_is_told() -> None:
    data = kit.bundle(1)
    device = kit.entries(data)[0]["fullUrl"].encode()
    broken = data.replace(b'"fullUrl":"' + device, b'"fullUrl":"urn:uuid:00000000-0000-8000-8000-000000000000')
    with pytest.raises(BundleError, match="does not hold"):
        Bundle(broken)


@pytest.mark.parametrize(
    "text",
    [
        "No Patient with identifier H0417",
        "h-04 17 is unknown",
        "identifier=https%3A%2F%2Fx%7CH%30417",
        "nurse&#45;82 has no role",
        "note: After a walk  to the garden.",
    ],
)
def test_private_texts_are_found_however_they_are_written(text: str) -> None:
    assert Bundle(kit.bundle(1)).private.within(text)


def test_other_texts_are_not_private() -> None:
    assert not Bundle(kit.bundle(1)).private.within("Unknown code in Observation.valueQuantity")


PERSON = {
    "resourceType": "Patient",
    "active": True,
    "identifier": [{"system": "https://hillside.example/mrn", "value": "H0417"}],
    "name": [{"family": "Roe", "given": ["Li", "J"]}],
    "gender": "female",
}


@pytest.mark.parametrize("kind", ["Patient", "Person", "Practitioner", "PractitionerRole", "RelatedPerson"])
def test_all_that_is_said_of_a_person_is_private(kind: str) -> None:
    """A single letter is in every text, and so is the name of the resource: they tell nothing of anybody."""
    private = Private([PERSON | {"resourceType": kind}])
    for text in ("roe", "Ms. R-o-e", "LI", "female", "H 0417", "at https://hillside.example/mrn"):
        assert private.within(text), text
    for text in (f"{kind} was not found", f"{kind.lower()}", "just a code", "J", "Doe"):
        assert not private.within(text), text


def test_what_is_said_of_a_device_is_not() -> None:
    private = Private([{"resourceType": "Device", "deviceName": [{"name": "Invented 300"}], "status": "active"}])
    assert not private.within("an active Invented 300")


@pytest.mark.parametrize(
    "reference",
    [
        "Patient/H0417",
        "https://hillside.example/r4/Patient/H0417",
        "Patient?identifier=H0417",
        "Patient?identifier=https://hillside.example/mrn|H0417",
        "Patient?identifier=https%3A%2F%2Fhillside.example%2Fmrn%7CH0417",
        "Patient?_id=H0417",
    ],
)
def test_what_a_reference_ends_with_is_private_and_nothing_else_of_it(reference: str) -> None:
    private = Private([{"resourceType": "Observation", "subject": {"reference": reference}}])
    assert private.within("there is no H-0417 here")
    assert not private.within("there is no H-0418 here")
    for text in ("Patient", "the identifier", "https://hillside.example/r4"):
        assert not private.within(text), text


def test_a_devices_own_time_is_shared_by_sets() -> None:
    """It is about no patient: sets that refer to the same one can go apart, each with it and its device."""

    def entry(kind: str, url: str, value: str, **members: object) -> dict[str, object]:
        resource = {"resourceType": kind, "identifier": [{"system": "s", "value": value}], **members}
        return {"fullUrl": url, "resource": resource, "request": {"method": "POST", "url": kind, "ifNoneExist": value}}

    device, time = "urn:uuid:0d218166-ea90-8e36-aea3-5b21df4a0000", "urn:uuid:0e218166-ea90-8e36-aea3-5b21df4a0000"
    sets = [
        entry(
            "Observation", f"urn:uuid:0000000{number}-0000-8000-8000-000000000006", f"{number:032x}.spo2",
            device={"reference": device}, extension=[{"url": "x", "valueReference": {"reference": time}}],
        )
        for number in (1, 2)
    ]  # fmt: skip
    clock = entry("Observation", time, f"{9:032x}.device_time", subject={"reference": device})
    entries = [entry("Device", device, "SN-1"), clock, *sets]
    bundle = Bundle(json.dumps({"resourceType": "Bundle", "type": "transaction", "entry": entries}).encode())
    assert bundle.units == ((2,), (3,))
    assert [[index for index, _ in bundle.parcel([unit])] for unit in bundle.units] == [[0, 1, 2], [0, 1, 3]]
