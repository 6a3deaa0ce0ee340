"""Files of associations in FHIR and HL7 v2: what they say, and what is told when they cannot be used."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from gateway.errors import InputError
from gateway.identity import Associations, load_associations
from gateway.mapping import load
from gateway.mapping.model import Mapping

REPOSITORY = Path(__file__).resolve().parents[2]
FORMS = REPOSITORY / "fixtures" / "associations"
DEMO = REPOSITORY / "fixtures" / "demo" / "ward-messy"
PATIENTS = "https://fernhollow.example.org/patients"
MONITORS = "https://fernhollow.example.org/monitors"
SECRET = "FH000812"


@pytest.fixture(scope="module")
def mapping() -> Mapping:
    return load(DEMO / "mapping.toml").mapping


def several(mapping: Mapping) -> Mapping:
    """The mapping with a second identifier system of patients."""
    raw = mapping.model_dump()
    raw["patient"]["systems"] = {"column": "H", "values": {"S": {"system": "urn:oid:2.9.7", "authority": "SOUTH"}}}
    return Mapping.model_validate(raw)


def by_id(mapping: Mapping) -> Mapping:
    raw = mapping.model_dump()
    raw["patient"]["subject"] = "reference"
    return Mapping.model_validate(raw)


def given(folder: Path, name: str, text: str, mapping: Mapping | None) -> Associations:
    file = folder / name
    file.write_text(text, encoding="utf-8", newline="")
    return load_associations(file, mapping)


def refusal(folder: Path, name: str, text: str, mapping: Mapping | None) -> InputError:
    with pytest.raises(InputError) as caught:
        given(folder, name, text, mapping)
    assert SECRET not in str(caught.value)
    assert "W2-A" not in str(caught.value)
    assert caught.value.todo
    return caught.value


def everything(found: Associations) -> list[Any]:
    return sorted(each for held in found._held.values() for each in held)


@pytest.mark.parametrize("name", ["ward-2.json", "ward-2.ndjson", "ward-2.hl7"])
def test_fixtures_say_the_same_as_the_csv_of_the_demo(name: str, mapping: Mapping) -> None:
    assert everything(load_associations(FORMS / name, mapping)) == everything(
        load_associations(DEMO / "associations.csv", mapping)
    )


class TestForm:
    def test_the_name_declares_and_the_text_must_agree(self, tmp_path: Path) -> None:
        text = (FORMS / "ward-2.hl7").read_text(encoding="utf-8")
        assert "by its name the file of associations is CSV (.csv)" in refusal(tmp_path, "a.csv", text, None).what
        assert "by its text HL7 v2 (.hl7)" in refusal(tmp_path, "a.ndjson", text, None).what
        assert "JSON cannot be read" in refusal(tmp_path, "a.json", "device,patient\n", None).what

    @pytest.mark.parametrize("name", ["ward-2.json", "ward-2.hl7"])
    def test_without_a_known_name_the_text_decides(self, tmp_path: Path, name: str, mapping: Mapping) -> None:
        text = (FORMS / name).read_text(encoding="utf-8")
        assert len(given(tmp_path, "associations", text, mapping)) == 4

    def test_csv_may_state_the_system(self, tmp_path: Path, mapping: Mapping) -> None:
        head = "device,patient,system,from,to,established,by\n"
        row = f"W2-A,{SECRET},{{}},2026-03-14T09:00Z,,scan,N1\n"
        assert given(tmp_path, "a.csv", head + row.format(PATIENTS), mapping).find("W2-A", 1_800_000_000, 1).patient
        error = refusal(tmp_path, "a.csv", head + row.format("urn:oid:1.2.3"), mapping)
        assert "line 2: no identifier of the patient is of a system or authority that the mapping names" in error.what
        found = given(tmp_path, "a.csv", head + row.format("urn:oid:2.9.7"), several(mapping))
        assert found.find("W2-A", 1_800_000_000, 1).system == "urn:oid:2.9.7"
        error = refusal(tmp_path, "a.csv", head + row.format(""), several(mapping))
        assert "does not say its system, and the mapping names 2" in error.what


def statement(**changes: Any) -> dict[str, Any]:
    whole: dict[str, Any] = {
        "resourceType": "DeviceUseStatement",
        "status": "completed",
        "subject": {"identifier": {"system": PATIENTS, "value": SECRET}},
        "device": {"identifier": {"system": MONITORS, "value": "W2-A"}},
        "timingPeriod": {"start": "2026-03-14T09:00:00Z", "end": "2026-03-14T09:59:59Z"},
    } | changes
    return {name: value for name, value in whole.items() if value is not None}


def period(start: object, end: object = None) -> dict[str, object]:
    return {"start": start} | ({"end": end} if end is not None else {})


FHIR_FAULTS: dict[str, tuple[dict[str, Any], str]] = {
    "no status": ({"status": None}, "status is not active, completed or stopped"),
    "on hold": ({"status": "on-hold"}, "status is not active, completed or stopped"),
    "no subject": ({"subject": None}, "subject is missing"),
    "empty subject": ({"subject": {}}, "subject has neither identifier nor reference"),
    "subject elsewhere": ({"subject": {"reference": "Patient/9"}}, "its patient is a reference to something that is"),
    "another system": (
        {"subject": {"identifier": {"system": "urn:oid:1.2.3", "value": SECRET}}},
        "no identifier of the patient is of a system or authority that the mapping names",
    ),
    "no value": ({"subject": {"identifier": {"system": PATIENTS}}}, "the patient has no identifier"),
    "no device": ({"device": None}, "device is missing"),
    "device of another system": (
        {"device": {"identifier": {"system": "urn:oid:1.2.3", "value": "W2-A"}}},
        "no identifier of the device is of a system",
    ),
    "contained is a patient": (
        {"contained": [{"resourceType": "Patient", "id": "d"}], "device": {"reference": "#d"}},
        "its device is a reference to something that is no Device",
    ),
    "two contained": (
        {"contained": [{"resourceType": "Device", "id": "d"}] * 2, "device": {"reference": "#d"}},
        "its device is a reference to 2 resources",
    ),
    "two identifiers": (
        {
            "contained": [
                {
                    "resourceType": "Device",
                    "id": "d",
                    "identifier": [{"system": MONITORS, "value": value} for value in ("W2-A", "W2-B")],
                }
            ],
            "device": {"reference": "#d"},
        },
        "2 identifiers of the device can be meant",
    ),
    "no time": ({"timingPeriod": None}, "timingPeriod is missing"),
    "no start": ({"timingPeriod": {"end": "2026-03-14T09:59:59Z"}}, "timingPeriod.start is missing"),
    "date only": ({"timingPeriod": period("2026-03-14", "2026-03-14")}, "timingPeriod.start is not a time"),
    "minutes only": ({"timingPeriod": period("2026-03-14T09:00Z")}, "timingPeriod.start is not a time"),
    "number": ({"timingPeriod": period(20260314)}, "timingPeriod.start is not a time"),
    "no offset": ({"timingPeriod": period("2026-03-14T09:00:00")}, "timingPeriod.start has no offset"),
    "no such day": ({"timingPeriod": period("2026-02-30T09:00:00Z")}, "timingPeriod.start is a time that does not"),
    "end first": (
        {"timingPeriod": period("2026-03-14T09:00:00Z", "2026-03-14T08:59:59Z")},
        "timingPeriod.end is not after timingPeriod.start",
    ),
    "completed without end": ({"timingPeriod": period("2026-03-14T09:00:00Z")}, "timingPeriod.end is missing"),
    "changed meaning": ({"modifierExtension": [{"url": "urn:x"}]}, "change its meaning"),
}


class TestFhir:
    @pytest.mark.parametrize(("changes", "what"), FHIR_FAULTS.values(), ids=FHIR_FAULTS)
    def test_fault_is_told_by_its_entry(
        self, tmp_path: Path, mapping: Mapping, changes: dict[str, Any], what: str
    ) -> None:
        whole = {"resourceType": "Bundle", "entry": [{"resource": statement()}, {"resource": statement(**changes)}]}
        error = refusal(tmp_path, "a.json", json.dumps(whole), mapping)
        assert error.what.startswith("1 entry of the associations cannot be used: entry 2: ")
        assert what in error.what
        lines = json.dumps(statement()) + "\n\n" + json.dumps(statement(**changes)) + "\n"
        assert "line 3: " in refusal(tmp_path, "a.ndjson", lines, mapping).what

    def test_end_is_part_of_a_period(self, tmp_path: Path, mapping: Mapping) -> None:
        found = given(tmp_path, "a.json", json.dumps(statement()), mapping)
        assert found.find("W2-A", 1773478799, 1).rule == "association-none"
        assert found.find("W2-A", 1773482340, 60).patient == SECRET
        assert found.find("W2-A", 1773482400, 60).rule == "association-none"

    def test_a_moment_and_its_fraction(self, tmp_path: Path, mapping: Mapping) -> None:
        whole = statement(timingPeriod=None, timingDateTime="2026-03-14T09:00:00.5Z")
        (one,) = everything(given(tmp_path, "a.json", json.dumps(whole), mapping))
        assert (one.start, one.end) == (1773478800500000, 1773478800600000)

    def test_unused_and_mistaken_statements_are_none(self, tmp_path: Path, mapping: Mapping) -> None:
        whole = statement(status="entered-in-error", subject=None)
        assert len(given(tmp_path, "a.json", json.dumps(whole), mapping)) == 0
        assert len(given(tmp_path, "a.json", json.dumps(statement(status="intended")), mapping)) == 0

    def test_old_identifiers_do_not_count(self, tmp_path: Path, mapping: Mapping) -> None:
        identifiers = [{"system": PATIENTS, "value": "FH000001", "use": "old"}, {"system": PATIENTS, "value": SECRET}]
        person = {"resourceType": "Patient", "id": "p", "identifier": identifiers}
        whole = statement(contained=[person], subject={"reference": "#p"})
        assert everything(given(tmp_path, "a.json", json.dumps(whole), mapping))[0].patient == SECRET

    def test_an_identifier_without_system_is_the_mappings(self, tmp_path: Path, mapping: Mapping) -> None:
        whole = json.dumps(statement(subject={"identifier": {"value": "0012"}}))
        assert everything(given(tmp_path, "a.json", whole, mapping))[0].patient == "0012"
        assert "does not say its system" in refusal(tmp_path, "a.json", whole, several(mapping)).what

    def test_references_where_the_mapping_writes_references(self, tmp_path: Path, mapping: Mapping) -> None:
        whole = json.dumps(statement(subject={"reference": "https://x.example/fhir/Patient/p-7"}))
        assert everything(given(tmp_path, "a.json", whole, by_id(mapping)))[0].patient == "p-7"
        error = refusal(tmp_path, "a.json", json.dumps(statement(subject={"reference": "Group/7"})), by_id(mapping))
        assert "no reference to Patient/id" in error.what

    @pytest.mark.parametrize(
        ("name", "text", "what", "where"),
        [
            ("a.json", "{\n", "JSON cannot be read here", "a.json, line 2"),
            ("a.json", "[]", "no FHIR resource", "a.json"),
            ("a.json", '{"a": 1, "a": 2}', "stands there twice", "a.json"),
            ("a.json", "[" * 100_000, "", "a.json"),
            ("a.json", '{"resourceType": "Bundle", "entry": 1}', "not a list", "a.json"),
            ("a.json", '{"resourceType": "Bundle", "entry": [1, {}]}', "holds no DeviceUseStatement", "a.json"),
            ("a.ndjson", '{"resourceType": "Patient"}\n{', "JSON cannot be read here", "a.ndjson, line 2"),
        ],
    )
    def test_what_is_no_fhir(self, tmp_path: Path, name: str, text: str, what: str, where: str) -> None:
        error = refusal(tmp_path, name, text, None)
        assert what in error.what
        assert error.where.endswith(where)


SEGMENTS = (
    r"MSH|^~\&|W|F|S|F|20260314090010-0500||ORU^R01^ORU_R01|1|T|2.6",
    "PID|||FH000812^^^FERNHOLLOW^MR",
    "OBR|||A-1|69136^MDC_OBS_ASSOCIATION_PATIENT_DEVICE^MDC|||20260314090000",
    "OBX|1|CWE|68487^MDC_ATTR_EVT_COND^MDC||198332^MDC_EVT_ASSOCIATION_PATIENT_DEVICE^MDC||||||F",
    "PRT|1|UC||EQUIP^EQUIP^HL70912||||||W2-A|20260314090000",
)


def message(*changes: tuple[str, str]) -> str:
    text = "\r".join(SEGMENTS) + "\r"
    for old, new in changes:
        assert text.count(old) >= 1, old
        text = text.replace(old, new)
    return text


END = (
    ("198332^MDC_EVT_ASSOC", "198334^MDC_EVT_DISASSOC"),
    ("W2-A|20260314090000", "W2-A||20260314100000"),
    ("OBR|||A-1|", "OBR|||A-1-9|"),
)
OTHER = ("|A-1|", "|A-2|")
CHANGE = ("|||20260314090000\r", "|||20260314090000" + "|" * 22 + "^A-1\r")
V2_FAULTS: dict[str, tuple[list[tuple[str, str]], str]] = {
    "delimiters": ([("|^~\\&|", "|^~&|")], "MSH-1 and MSH-2 do not declare"),
    "vitals": ([("69136^MDC_OBS_ASSOCIATION_PATIENT_DEVICE", "1^X")], "this is no device-patient association"),
    "acknowledgement": ([("ORU^R01^ORU_R01", "ACK^R01^ACK")], "this is no device-patient association"),
    "other event": ([("198332^MDC_EVT_ASSOCIATION_PATIENT_DEVICE", "1^X")], "OBX-5 is neither"),
    "status": ([("||||||F", "||||||P")], "OBX-11 is not R, F, C or W"),
    "no status": ([("||||||F", "")], "OBX-11 is not"),
    "no PID": ([("PID|", "ZID|")], "there is no PID"),
    "two PID": ([("OBR|||", "PID|||x\rOBR|||")], "there are 2 PID"),
    "no device": ([("PRT|", "ZRT|")], "no participants are EQUIP"),
    "empty device": ([("||||||W2-A", "||||||")], "the device has no identifier"),
    "two devices": ([("||||||W2-A", "||||||W2-A~W2-B")], "2 identifiers of the device can be meant"),
    "device elsewhere": ([("||||||W2-A", "||||||W2-A^^1.2.3^ISO")], "no identifier of the device is of a system"),
    "authority": ([("^FERNHOLLOW^MR", "^OTHER^MR")], "no identifier of the patient is of a system or authority"),
    "type": ([("^FERNHOLLOW^MR", "^FERNHOLLOW^VN")], "no identifier of the patient is of a system or authority"),
    "type alone": ([("^FERNHOLLOW^MR", "^^VN")], "no identifier of the patient is of a system or authority"),
    "no patient": ([("FH000812", "")], "the patient has no identifier"),
    "deleted patient": ([("FH000812", '""')], "the patient has no identifier"),
    "no name": ([("|A-1|", "||")], "OBR-3 is empty"),
    "no begin": ([OTHER, ("W2-A|20260314090000", "W2-A")], "PRT-11 of the device is empty"),
    "date": ([("W2-A|20260314090000", "W2-A|20260314")], "PRT-11 is not a time"),
    "no such hour": ([("W2-A|20260314090000", "W2-A|20260314250000")], "PRT-11 is a time that does not exist"),
    "no offset": ([("090010-0500", "090010")], "PRT-11 has no offset from UTC"),
    "end first": ([OTHER, ("W2-A|20260314090000", "W2-A|20260314090000|20260314090000")], "PRT-12 is not after PRT-11"),
    "latin": ([("|T|2.6", "|T|2.6||||||8859/1")], "MSH-18 names other characters"),
    "change of nothing": ([CHANGE, ("^A-1\r", "^A-7\r")], "changes an association that no earlier message"),
    "asserted change": ([CHANGE, ("||||||F", "||||||R")], "cannot change an association"),
    "name again": ([("W2-A|20260314090000", "W2-A|20260314091000")], "OBR-3 is that of an earlier message"),
    "end of another": ([*END[:2], CHANGE, ("FH000812", "FH000999")], "ends an association of another"),
    "end without time": ([*END[:1], ("W2-A|20260314090000", "W2-A"), CHANGE], "PRT-12 of the device is empty"),
    "end that is wrong": ([*END, CHANGE, ("||||||F", "||||||W")], "a disassociation cannot be wrong"),
    "end before begin": ([*END[:1], ("W2-A|20260314090000", "W2-A||20260314080000"), CHANGE], "PRT-12 is not after"),
}


class TestV2:
    @pytest.mark.parametrize(("changes", "what"), V2_FAULTS.values(), ids=V2_FAULTS)
    def test_fault_is_told_by_its_message(
        self, tmp_path: Path, mapping: Mapping, changes: list[tuple[str, str]], what: str
    ) -> None:
        error = refusal(tmp_path, "a.hl7", message() + message(*changes), mapping)
        assert error.what.startswith("1 message of the associations cannot be used: message 2 (line 6): ")
        assert what in error.what

    def test_one_message(self, tmp_path: Path, mapping: Mapping) -> None:
        (one,) = everything(given(tmp_path, "a.hl7", message() + message(), mapping))
        assert (one.patient, one.device, one.start, one.end) == (SECRET, "W2-A", 1773496800000000, None)

    def test_framing_and_line_ends_do_not_matter(self, tmp_path: Path, mapping: Mapping) -> None:
        text = "FHS|^~\\&\n\x0b" + message().replace("\r", "\r\n") + "\x1c\r\nFTS|1\n"
        assert len(given(tmp_path, "a.hl7", text, mapping)) == 1

    def test_other_delimiters_and_escapes(self, tmp_path: Path, mapping: Mapping) -> None:
        text = message(("FH000812", "FH\\T\\12")).translate(str.maketrans("|^~\\", "!:*$"))
        assert everything(given(tmp_path, "a.hl7", text, mapping))[0].patient == "FH&12"

    @pytest.mark.parametrize(
        ("more", "start", "end", "validated"),
        [
            ([], 0, None, False),
            ([[CHANGE]], 0, None, True),
            ([[CHANGE, ("W2-A|20260314090000", "W2-A")]], 0, None, True),
            ([[CHANGE, ("W2-A|20260314090000", "W2-A|20260314090500")]], 300, None, True),
            ([[*END, CHANGE]], 0, 3600, False),
            ([END], 0, 3600, False),
            ([[*END, ("||||||F", "||||||R")]], 0, 3600, False),
            ([END, [*END, CHANGE, ("||||||F", "||||||C"), ("314100000", "314093000")]], 0, 1800, False),
        ],
    )
    def test_what_later_messages_change(
        self, tmp_path: Path, mapping: Mapping, more: list[list[tuple[str, str]]], start: int, end: int, validated: bool
    ) -> None:
        text = message(("||||||F", "||||||R")) + "".join(message(*changes) for changes in more)
        (one,) = everything(given(tmp_path, "a.hl7", text, mapping))
        begun = 1773496800
        assert one.start == (begun + start) * 1_000_000
        assert one.end == (None if end is None else (begun + end) * 1_000_000)
        assert one.validated is validated
        found = given(tmp_path, "a.hl7", text, mapping).find("W2-A", begun + 600, 1)
        assert found.rule == ("" if validated else "association-unvalidated")

    def test_what_was_wrong_is_gone(self, tmp_path: Path, mapping: Mapping) -> None:
        wrong = message(CHANGE, ("||||||F", "||||||W"), ("W2-A|20260314090000", "W2-A"))
        assert len(given(tmp_path, "a.hl7", message() + wrong, mapping)) == 0
        assert len(given(tmp_path, "a.hl7", message() + wrong + message(*END, CHANGE), mapping)) == 0
        error = refusal(tmp_path, "a.hl7", message() + wrong + message(CHANGE), mapping)
        assert "an earlier message calls wrong" in error.what

    def test_an_end_ends_what_two_systems_have_told(self, tmp_path: Path, mapping: Mapping) -> None:
        text = message() + message(OTHER) + message(*END, CHANGE)
        assert {each.end for each in everything(given(tmp_path, "a.hl7", text, mapping))} == {1773500400000000}

    def test_the_authority_chooses_among_identifiers(self, tmp_path: Path, mapping: Mapping) -> None:
        text = message(("FH000812^^^FERNHOLLOW^MR", "7^^^OTHER^MR~FH000812^^^FERNHOLLOW^MR~8^^^SOUTH^MR"))
        assert everything(given(tmp_path, "a.hl7", text, mapping))[0].patient == SECRET
        assert "2 identifiers of the patient" in refusal(tmp_path, "a.hl7", text, several(mapping)).what
        text = message(("FERNHOLLOW^MR", "&2.9.7&ISO^MR"))
        assert everything(given(tmp_path, "a.hl7", text, several(mapping)))[0].system == "urn:oid:2.9.7"

    @pytest.mark.parametrize("text", ["PID|||1\r" + message(), "BHS|^~\\&\rBTS|0\r"])
    def test_what_is_no_message(self, tmp_path: Path, text: str) -> None:
        assert "MSH" in str(refusal(tmp_path, "a.hl7", text, None))
