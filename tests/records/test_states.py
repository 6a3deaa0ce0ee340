"""A set as it is now, made from everything that was said of it, for a receiver that has none or some of it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.errors import GatewayError, InputError, UsageError
from gateway.mapping.model import Mapping
from gateway.model import ClockPair, OwnTime, Party, Reading, Revised, SetItem
from gateway.records.fhir import Container
from gateway.records.oru import OruRenderer
from gateway.records.retraction import (
    devices_in,
    observations_in,
    record_of,
    retracted_bundle,
    retracted_message,
    whole_bundle,
    whole_message,
    whole_records,
)
from gateway.verify.fhir import FhirVerifier, deep_fhir
from gateway.verify.oru import OruVerifier, deep_oru
from tests.records import made_sets
from tests.records.made_sets import (
    CHANGED,
    CHANGED_DTM,
    IDENTITY,
    MOMENT,
    NAMESPACE,
    OTHER,
    Record,
    absent,
    mapping,
    one_set,
    read,
    renderer,
    value,
)

DEVICE = Party("SN-7", "https://hillside.example/devices")
PAIR = ClockPair(
    "2026-03-14T10:07:00-05:00", "202603141007", "2026-03-14T10:00:00-05:00", "202603141000-0500", 420, "7 min ahead."
)
BY_CLOCK = MOMENT._replace(own=OwnTime("2026-03-14T09:37:00-05:00", MOMENT.epoch + 420, PAIR))
LATER = "20260316080000.001+0000"


def final(**more: Any) -> Mapping:
    return mapping(status="final", **more)


def revised(added: str = "", corrected: str = "", known: str = "", revision: int = 2, unmeasured: str = "") -> Revised:
    new, other, there, failed = (frozenset(each.split()) for each in (added, corrected, known, unmeasured))
    return Revised(new, other, there, revision, failed)


def rows(message: str, name: str) -> list[list[str]]:
    return [segment.split("|") for segment in message.split("\r") if segment.startswith(name)]


def results(message: str) -> list[tuple[str, str, str]]:
    """Number, value and status of each result."""
    return [(row[1], row[5], row[11]) for row in rows(message, "OBX")]


def report(message: str) -> str:
    return rows(message, "OBR")[0][25]


def good(message: str, version: str = "2.5.1") -> str:
    assert OruVerifier(version).messages([message]) == []
    assert deep_oru(message) == ""
    return message


# --- HL7 v2 ----------------------------------------------------------------------------------------------------------


def versions(status: str = "final", **more: Any) -> list[str]:
    """A set whose temperature could not be measured; then it is, and the heart rate is another; then a third rate."""
    made = OruRenderer(mapping(status=status), changed=CHANGED_DTM)
    later = OruRenderer(mapping(status=status), changed=LATER)
    first = one_set(value("heart_rate", "61"), value("spo2", "97"), absent("temperature"), **more)
    readings = (value("heart_rate", "63"), value("spo2", "97"), value("temperature", "37.0"))
    second = replace(
        first, readings=readings, revised=revised("", "heart_rate temperature", "", unmeasured="temperature")
    )
    third = replace(
        first, readings=(value("heart_rate", "65"), *readings[1:]), revised=revised("", "heart_rate", "", revision=3)
    )
    return [made.message(first), made.message(second), later.message(third)]


def test_what_could_not_be_measured_before_is_final_when_it_comes() -> None:
    """HL7 table 0085: C replaces a final result, and X is none."""
    _, second, _ = versions()
    assert results(good(second)) == [("1", "63", "C"), ("2", "37.0", "F")]
    assert report(second) == "C"
    item = one_set(
        value("spo2", "97"),
        value("temperature", "37.0"),
        revised=revised("", "temperature", "", unmeasured="temperature"),
    )
    alone = OruRenderer(final(), changed=CHANGED_DTM).message(item)
    assert (results(good(alone)), report(alone)) == ([("1", "37.0", "F")], "F")
    preliminary = OruRenderer(mapping(status="preliminary"), changed=CHANGED_DTM).message(item)
    assert (results(good(preliminary)), report(preliminary)) == ([("1", "37.0", "R")], "P")


def test_what_was_preliminary_only_is_final_when_it_comes_again() -> None:
    change = Revised(
        frozenset(), frozenset({"heart_rate"}), frozenset({"heart_rate"}), preliminary=frozenset({"heart_rate"})
    )
    item = one_set(value("heart_rate", "61"), revised=change)
    message = OruRenderer(final(), changed=CHANGED_DTM).message(item)
    assert (results(good(message)), report(message)) == ([("1", "61", "F")], "F")
    made = renderer(final(), "transaction")
    (entry,) = map(read, made.observations(item))
    assert (entry["request"]["method"], entry["resource"]["status"]) == ("PUT", "final")
    assert FhirVerifier(False).bundle(made_sets.whole_bundle(made, item)) == []


def test_a_record_that_was_final_without_its_value_is_corrected() -> None:
    """FHIR R4: the status is that of the record, and this one was final."""
    item = one_set(value("spo2", "97"), revised=revised("", "spo2", "spo2", unmeasured="spo2"))
    assert read(renderer(final()).observations(item)[0])["status"] == "corrected"


def test_a_whole_message_of_a_revised_set_is_rendered() -> None:
    item = one_set(
        value("heart_rate", "61"), value("spo2", "97"), absent("temperature"), device=DEVICE, moment=BY_CLOCK,
        revised=revised("", "heart_rate", "heart_rate spo2"),
    )  # fmt: skip
    made = OruRenderer(final(), changed=CHANGED_DTM)
    message = made.message(item, whole=True)
    assert [(row[5], row[11]) for row in rows(good(message), "OBX")] == [
        ("202603141007", "R"), ("61", "C"), ("97", "F"), ("", "X"),
    ]  # fmt: skip
    assert report(message) == "C"
    assert made.message(item) != message
    assert [row[5] for row in rows(made.message(item), "OBX")] == ["202603141007", "61"]


def test_a_receiver_that_has_nothing_final_gets_final_results() -> None:
    said = versions()
    whole = good(whole_message(said, sent_before=False, revision=3))
    assert results(whole) == [("1", "65", "F"), ("2", "97", "F"), ("3", "37.0", "F")]
    assert report(whole) == "F"
    assert rows(whole, "OBR")[0][22] == rows(whole, "MSH")[0][6] == LATER, "when it last changed"
    assert whole_message(said[:1], sent_before=False) == said[0]


def test_a_receiver_that_has_an_earlier_version_gets_corrections() -> None:
    said = versions()
    whole = good(whole_message(said, sent_before=True, revision=3))
    assert results(whole) == [("1", "65", "C"), ("2", "97", "F"), ("3", "37.0", "F")]
    assert report(whole) == "C"
    early = good(whole_message(said[:2], sent_before=True, at_dtm="20260317080000+0000", revision=2))
    assert results(early) == [("1", "63", "C"), ("2", "97", "F"), ("3", "37.0", "F")]
    assert rows(early, "OBR")[0][22] == rows(early, "MSH")[0][6] == "20260317080000+0000"


def test_each_version_has_a_control_id_of_its_own_and_keeps_it() -> None:
    """A value that comes back is another version; the same version said later is the same message."""

    def control(message: str) -> str:
        return rows(message, "MSH")[0][9]

    said = versions()
    back = replace(
        one_set(value("heart_rate", "63"), value("spo2", "97"), value("temperature", "37.0")),
        revised=revised("", "heart_rate temperature", "", revision=4, unmeasured="temperature"),
    )
    said.append(OruRenderer(final(), changed=LATER).message(back))
    assert results(said[3]) == results(said[1])
    assert len({control(each) for each in said}) == 4
    later = [OruRenderer(final(), changed=each).message(back) for each in (CHANGED_DTM, LATER)]
    assert control(later[0]) == control(later[1])
    whole = [whole_message(said, sent_before=True, at_dtm=each, revision=4) for each in ("", LATER, CHANGED_DTM)]
    assert len({control(each) for each in whole}) == 1
    assert control(whole_message(said, sent_before=True, revision=5)) != control(whole[0])


def test_preliminary_results_stay_so() -> None:
    whole = good(whole_message(versions("preliminary"), sent_before=False))
    assert results(whole) == [("1", "65", "P"), ("2", "97", "R"), ("3", "37.0", "R")]
    assert report(whole) == "P"


def test_a_report_is_preliminary_as_long_as_one_of_its_results_is() -> None:
    change = revised("", "heart_rate", "")._replace(preliminary=frozenset({"heart_rate"}))
    item = one_set(value("heart_rate", "61"), value("spo2", "97"))
    said = [
        OruRenderer(mapping()).message(item),
        OruRenderer(final(), changed=LATER).message(
            replace(item, readings=(value("heart_rate", "62"), item.readings[1]), revised=change)
        ),
    ]
    whole = good(whole_message(said, sent_before=True))
    assert (results(whole), report(whole)) == ([("1", "62", "F"), ("2", "97", "R")], "P")


def test_a_result_that_replaced_one_that_could_not_be_measured_is_no_correction() -> None:
    """61, then X, then 62: the last word on it was X, and the report was corrected only by that."""
    made = OruRenderer(final(), changed=CHANGED_DTM)
    first = one_set(value("heart_rate", "61"), value("spo2", "97"))
    gone = replace(first, readings=(absent("heart_rate"), first.readings[1]), revised=revised("", "heart_rate"))
    again = replace(
        first, readings=(value("heart_rate", "62"), first.readings[1]),
        revised=revised("", "heart_rate", revision=3, unmeasured="heart_rate"),
    )  # fmt: skip
    said = [made.message(each) for each in (first, gone, again)]
    assert (results(good(said[1])), report(said[1])) == ([("1", "", "X")], "C")
    whole = good(whole_message(said, sent_before=True))
    assert (results(whole), report(whole)) == ([("1", "62", "F"), ("2", "97", "F")], "F")


def test_what_was_withdrawn_and_not_said_again_is_left_out() -> None:
    said = versions()
    back = retracted_message(said[0], "W", LATER, revision=1)
    again = replace(one_set(value("heart_rate", "61")), revised=revised("", "heart_rate", ""))
    anew = OruRenderer(final(), changed=LATER).message(again)
    whole = good(whole_message([said[0], back, anew], sent_before=True))
    assert results(whole) == [("1", "61", "C")]
    with pytest.raises(UsageError, match="Nothing is left"):
        whole_message([said[0], back], sent_before=True)


def test_what_cannot_be_said_whole_is_one_clear_error() -> None:
    said, other = versions(), OruRenderer(final()).message(one_set(value("spo2", "97"), identity=OTHER))
    refused: list[tuple[type[GatewayError], Callable[[], object]]] = [
        (UsageError, lambda: whole_message([], sent_before=True)),
        (UsageError, lambda: whole_message([said[0], other], sent_before=True)),
        (UsageError, lambda: whole_message(said, sent_before=True, at_dtm="now")),
        (InputError, lambda: whole_message(["MSH|^~\\&|\r"], sent_before=True)),
    ]
    for kind, call in refused:
        with pytest.raises(kind) as caught:
            call()
        assert caught.value.todo
        assert IDENTITY not in str(caught.value)


# Between versions each result stays, changes, or cannot be measured.
STEPS = st.lists(st.tuples(*[st.sampled_from(["same", "new", "absent"])] * 3), min_size=0, max_size=4)
VITALS = ("heart_rate", "spo2", "temperature")


@settings(max_examples=100, deadline=None)
@given(STEPS, st.sampled_from(["final", "preliminary"]), st.booleans())
def test_any_history_ends_in_the_set_as_it_is_now(steps: list[tuple[str, ...]], status: str, sent_before: bool) -> None:
    """Nothing is C that was not final before, what stands is what was rendered last, and both verifiers agree."""
    made = OruRenderer(mapping(status=status), changed=CHANGED_DTM)
    now: list[Reading] = [value("heart_rate", "60"), value("spo2", "97"), absent("temperature")]
    said = [made.message(one_set(*now))]
    before = {vital: [row[11]] for vital, row in zip(VITALS, rows(said[0], "OBX"), strict=True)}
    for revision, step in enumerate(steps, 2):
        then = list(now)
        for place, change in enumerate(step):
            if change == "new":
                now[place] = value(VITALS[place], f"{50 + revision}")
            elif change == "absent":
                now[place] = absent(VITALS[place])
        changed = [vital for vital, was, now_ in zip(VITALS, then, now, strict=True) if was != now_]
        if not changed:
            continue
        failed = " ".join(each.vital for each in then if each.value is None and each.vital in changed)
        said.append(made.message(one_set(*now, revised=revised("", " ".join(changed), "", revision, failed))))
        for vital, row in zip(changed, rows(good(said[-1]), "OBX"), strict=True):
            assert row[11] != "C" or before[vital][-1] in ("F", "C"), "only a final result is corrected"
            assert row[11] != "F" or before[vital][-1] not in ("F", "C"), "a final result is never just replaced"
            before[vital].append(row[11])
    whole = good(whole_message(said, sent_before=sent_before, revision=len(said)))
    plain = OruRenderer(mapping(status=status)).message(one_set(*now))
    assert [row[3:11] for row in rows(whole, "OBX")] == [row[3:11] for row in rows(plain, "OBX")]
    expected = [each[-1] if sent_before or each[-1] != "C" else "F" for each in before.values()]
    assert [row[11] for row in rows(whole, "OBX")] == expected


# --- FHIR ------------------------------------------------------------------------------------------------------------


def clocked(container: Container, *items: SetItem) -> bytes:
    """A file with the device and the device's time, as the conversion writes it."""
    made = renderer(final(fhir={"panel": True}), container)
    before = [made.device(DEVICE), made.device_time(DEVICE, PAIR)]
    records = [text for item in items for text in made.observations(item)]
    if container == "ndjson":
        return b"\n".join([*records, *before, b""])
    return made.bundle([*before, *records, *made.provenances(items)]) + b"\n"


def sample(**more: Any) -> SetItem:
    chosen: Record = {"device": DEVICE, "moment": BY_CLOCK} | more
    return one_set(value("systolic", "120"), value("diastolic", "80"), absent("spo2"), **chosen)


def corrected() -> SetItem:
    known = frozenset({"blood_pressure", "spo2", "vital_signs"})
    change = Revised(frozenset({"heart_rate"}), frozenset({"spo2"}), known, unmeasured=frozenset({"spo2"}))
    readings = (*sample().readings[:2], value("heart_rate", "61"), value("spo2", "97"))
    return replace(sample(), readings=readings, revised=change)


def checked(data: bytes, container: Container) -> list[Record]:
    verifier = FhirVerifier(False)
    if container == "ndjson":
        assert verifier.lines(data) == []
        return [read(line) for line in data.splitlines()]
    assert verifier.bundle(data) == []
    assert deep_fhir(data) == ""
    return [entry["resource"] for entry in read(data)["entry"]]


@pytest.mark.parametrize("container", ["transaction", "collection", "ndjson"])
def test_records_whose_clock_was_corrected_can_be_withdrawn(container: Container) -> None:
    data = clocked(container, sample())
    out = retracted_bundle(observations_in(data), container=container, devices=devices_in(data), recorded=CHANGED)
    found = checked(out, container)
    of_patients = [each for each in found if each.get("category")]
    assert [each["status"] for each in of_patients] == ["entered-in-error"] * 3
    if container == "ndjson":
        assert len(found) == 4, "lines name the device and its time by their ids"
        return
    before, after = read(data)["entry"], read(out)["entry"]
    assert after[:2] == before[:2], "the device and its time are not withdrawn, and created where they are not there"
    assert [each["resource"]["resourceType"] for each in after] == ["Device", *["Observation"] * 4, "Provenance"]
    targets = {each["reference"] for each in after[-1]["resource"]["target"]}
    assert targets == {each["fullUrl"] for each in after[2:-1]}


def test_a_device_time_that_is_not_given_is_told() -> None:
    data = clocked("transaction", sample())
    devices = [each for each in devices_in(data) if b"device_time" not in each]
    with pytest.raises(InputError, match="a device's time that was not given"):
        retracted_bundle(observations_in(data), container="transaction", devices=devices)
    with pytest.raises(InputError, match="a Device"):
        whole_bundle(observations_in(data), devices=[each for each in devices_in(data) if b"device_time" in each])


def test_the_newest_version_of_each_record() -> None:
    files = [clocked("transaction", sample()), clocked("transaction", corrected())]
    found = whole_records([each for data in files for each in observations_in(data)])
    assert [record_of(each)[1] for each in found] == ["blood_pressure", "spo2", "vital_signs", "heart_rate"]
    assert [read(each)["status"] for each in found] == ["final", "corrected", "corrected", "final"]
    assert found[1:3] == [observations_in(files[1])[1], observations_in(files[1])[2]]
    assert whole_records([]) == []


def test_a_state_brings_a_server_to_what_stands_now() -> None:
    files = [clocked("transaction", sample()), clocked("transaction", corrected())]
    observations = [each for data in files for each in observations_in(data)]
    devices = [each for data in files for each in devices_in(data)]
    out = whole_bundle(observations, devices=devices, recorded=CHANGED, gateway_version="9.9")
    assert out == whole_bundle(
        whole_records(observations), devices=devices[:2], recorded=CHANGED, gateway_version="9.9"
    )
    *records, provenance = checked(out, "transaction")
    entries = read(out)["entry"]
    assert entries[:2] == read(files[0])["entry"][:2]
    for entry in entries[2:-1]:
        name = entry["resource"]["identifier"][0]["value"]
        assert entry["request"] == {"method": "PUT", "url": f"Observation?identifier={NAMESPACE}|{name}"}
    urls = {entry["fullUrl"] for entry in entries}
    assert [each["reference"] in urls for each in records[4]["hasMember"]] == [True] * 3, "members are inside now"
    assert provenance["activity"]["coding"][0]["code"] == "UPDATE"
    assert provenance["recorded"] == CHANGED
    assert {each["reference"] for each in provenance["target"]} == {entry["fullUrl"] for entry in entries[2:-1]}


def test_what_is_withdrawn_has_a_provenance_of_its_own_in_a_state() -> None:
    data = clocked("transaction", sample(), replace(sample(), identity=OTHER))
    back = retracted_bundle(
        [each for each in observations_in(data) if record_of(each)[0] == OTHER], container="transaction",
        devices=devices_in(data),
    )  # fmt: skip
    observations = [*observations_in(data), *observations_in(back)]
    out = whole_bundle(observations, devices=devices_in(data), recorded=CHANGED)
    *_, stands, withdrawn = checked(out, "transaction")
    assert [each["activity"]["coding"][0]["code"] for each in (stands, withdrawn)] == ["UPDATE", "NULLIFY"]
    assert [len(each["target"]) for each in (stands, withdrawn)] == [3, 3]


def test_a_state_without_a_time_is_refused_by_the_verifier() -> None:
    data = clocked("transaction", sample())
    out = whole_bundle(observations_in(data), devices=devices_in(data))
    assert any("says when it was made" in each.what for each in FhirVerifier(False).bundle(out))


@pytest.mark.parametrize("provenance", [True, False])
def test_without_provenance(provenance: bool) -> None:
    data = clocked("transaction", sample())
    out = whole_bundle(observations_in(data), devices=devices_in(data), recorded=CHANGED, provenance=provenance)
    assert [each["resourceType"] for each in checked(out, "transaction")].count("Provenance") == provenance


def test_changes_have_provenance_of_their_own() -> None:
    """First records keep theirs; updates and additions say when they were made, and each version is another."""
    made = renderer(final(fhir={"panel": True}), "transaction")
    plain = sample(identity=OTHER)
    first, update, addition = map(read, made.provenances([plain, corrected()]))
    assert [first] == [read(each) for each in made.provenances([plain])]
    assert [each["resource"]["activity"]["coding"][0]["code"] for each in (first, update, addition)] == [
        "CREATE", "UPDATE", "CREATE",
    ]  # fmt: skip
    assert update["resource"]["recorded"] == addition["resource"]["recorded"] == CHANGED
    assert first["resource"]["recorded"] == MOMENT.fhir
    assert [len(each["resource"]["target"]) for each in (first, update, addition)] == [3, 2, 1]
    third = replace(corrected(), revised=corrected().revised._replace(revision=3))  # type: ignore[union-attr]
    assert {each["request"]["ifNoneExist"] for each in map(read, made.provenances([third]))}.isdisjoint(
        {update["request"]["ifNoneExist"], addition["request"]["ifNoneExist"]}
    )
