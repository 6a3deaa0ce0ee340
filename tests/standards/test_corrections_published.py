"""Corrections and retractions against the published words for them, each with its source.

Sources:
    [R4 status]      FHIR R4 4.0.1 code system observation-status,
                     http://hl7.org/fhir/R4/codesystem-observation-status.html; read in stored build
                     github fhir-ru/fhir-ru.github.io@73deef6 (buildId 5046061), codesystem-observation-status.json.
    [R4 activity]    FHIR R4 4.0.1 value set provenance-activity-type and code system v3-DataOperation (2018-08-12),
                     same build, valueset-provenance-activity-type.json, v3/DataOperation/v3-DataOperation.cs.json.
    [0085], [0123]   HL7 v2 tables 0085 and 0123 as published in FHIR R4 (version 2.9 content, with the version in which
                     each code came), http://hl7.org/fhir/R4/v2/0085/index.html and .../0123/index.html, same build;
                     the lists of 2.5.1 and 2.6 as hl7apy 1.3.5 carries them (PyPI).
    [OBR-22]         HL7 v2.9.1 / v2+ text, github HL7/v2ig@1f8bf2d, OBR-22 and OBR-25 (the 2.5.1 and 2.6 wording was
                     not read again): the time when results were reported or their status changed; who asks for what is
                     new asks for results of a later OBR-22. It is the time of the status in OBR-25.
    [MSH-7], [OBX-19] IHE PCD TF-2 rev 9.0, github IHEPCD/ihe-pcd-tf-2020@6cec01a, B.1 and B.8: MSH-7 is the time at
                     which the message was made and is never read as that of the observation; OBX-14 stays the same in
                     a correction; OBX-19 is the time of an analysis.
    [v2 map]         HL7 v2-to-FHIR, github HL7/v2-to-fhir@8c9b414, ObservationResultStatusCodesInterpretation.
"""

from __future__ import annotations

import json
from dataclasses import replace
from importlib import import_module
from typing import Literal

import pytest
from fhirpathpy import compile as compiled
from fhirpathpy.models import models

from gateway.model import Revised, SetItem
from gateway.records.fhir import Container
from gateway.records.oru import OruRenderer
from gateway.records.retraction import observations_in, retracted_bundle, retracted_message
from gateway.verify.fhir import ACTIVITIES, DATA_OPERATION, REPLACING, STATUS, UPDATED, FhirVerifier
from gateway.verify.oru import AGREEING, OBSERVATION_STATUS, REPORT_STATUS, WITHDRAWN, OruVerifier
from tests.records.made_sets import CHANGED_DTM, MOMENT, Record, absent, coded, mapping, one_set, renderer, value
from tests.standards.test_fhirpath_invariants import EXPRESSIONS, broken_by_fhirpath

# [R4 status], with what each comes after: "corrected" is below "amended".
FOLLOWS = {
    "registered": "", "preliminary": "", "final": "", "amended": "final", "corrected": "final", "cancelled": "",
    "entered-in-error": "final", "unknown": "",
}  # fmt: skip
# [v2 map]: OBX-11 -> Observation.status; R has no target there.
V2_TO_FHIR = {
    "A": "amended", "C": "corrected", "D": "entered-in-error", "W": "entered-in-error", "F": "final",
    "P": "preliminary", "X": "cancelled",
}  # fmt: skip
# [0085] codes that came with 2.8, [0123] codes that came with 2.9: not for 2.5.1 and 2.6.
LATE_0085 = {"A", "B", "V"}
LATE_0123 = {"M", "N"}


def revised_set() -> SetItem:
    readings = (
        value("systolic", "120"), value("diastolic", "80"), value("temperature", "37.0"), absent("spo2"),
        value("heart_rate", "61"), coded("consciousness", "alert"),
    )  # fmt: skip
    known = frozenset({"blood_pressure", "temperature", "vital_signs"})
    return one_set(*readings, revised=Revised(frozenset({"spo2", "heart_rate"}), frozenset({"systolic"}), known))


def corrected(container: Container = "ndjson") -> list[bytes]:
    return renderer(mapping(status="final", fhir={"panel": True}), container).observations(revised_set())


def withdrawn() -> list[bytes]:
    return observations_in(retracted_bundle(corrected(), container="ndjson"))


def message(status: str, version: str = "2.5.1") -> str:
    return OruRenderer(mapping(status=status, oru={"version": version}), changed=CHANGED_DTM).message(revised_set())


def statuses(text: str) -> tuple[str, list[str]]:
    rows = [segment.split("|") for segment in text.split("\r")]
    return next(row[25] for row in rows if row[0] == "OBR"), [row[11] for row in rows if row[0] == "OBX"]


# [R4 status]
def test_statuses_are_those_of_r4() -> None:
    assert set(FOLLOWS) == STATUS
    assert {json.loads(text)["status"] for text in corrected()} == {"corrected", "final"}
    assert {json.loads(text)["status"] for text in withdrawn()} == {"entered-in-error"}
    assert {status for status, before in FOLLOWS.items() if before == "final"} - {"amended"} == REPLACING
    assert {"preliminary", "final"} == UPDATED - REPLACING, "a preliminary record changes, or becomes final"


# [R4 status] "Subsequent to being Final": what was never final cannot be corrected.
def test_only_final_records_are_corrected() -> None:
    made = renderer(mapping(fhir={"panel": True}))
    assert {json.loads(text)["status"] for text in made.observations(revised_set())} == {"preliminary"}


# [R4 activity] CREATE, UPDATE and NULLIFY are in the value set that Provenance.activity is bound to.
def test_the_activities_of_versions_are_published() -> None:
    made = renderer(mapping(status="final", fhir={"panel": True}), "transaction")
    told = [json.loads(each)["resource"] for each in made.provenances([revised_set()])]
    assert {each["activity"]["coding"][0]["code"]: each["activity"]["coding"][0]["display"] for each in told} == {
        "UPDATE": "update",
        "CREATE": "create",
    }
    assert {"CREATE", "UPDATE", "NULLIFY"} == ACTIVITIES
    assert {each["activity"]["coding"][0]["system"] for each in told} == {DATA_OPERATION}


# [R4 activity] NULLIFY, display "nullify".
def test_the_activity_of_a_retraction_is_published() -> None:
    provenance = json.loads(retracted_bundle(corrected(), container="ndjson").splitlines()[-1])
    assert provenance["activity"]["coding"] == [
        {"system": "http://terminology.hl7.org/CodeSystem/v3-DataOperation", "code": "NULLIFY", "display": "nullify"}
    ]


# [0085], [0123]
@pytest.mark.parametrize("version", ["2_5_1", "2_6"])
def test_codes_are_in_the_tables_of_both_versions(version: str) -> None:
    tables = import_module(f"hl7apy.v{version}.tables").TABLES
    assert set(tables["HL70085"][1]) == OBSERVATION_STATUS
    assert set(tables["HL70123"][1]) == REPORT_STATUS
    assert not LATE_0085 & OBSERVATION_STATUS
    assert not LATE_0123 & REPORT_STATUS
    assert WITHDRAWN <= OBSERVATION_STATUS
    assert set(AGREEING) <= REPORT_STATUS


# [0085] C replaces a final result, W posts the original as wrong, D deletes the OBX record; [0123] C corrected, final.
@pytest.mark.parametrize("version", ["2.5.1", "2.6"])
def test_statuses_of_v2_are_what_the_tables_mean(version: str) -> None:
    final = message("final", version)
    assert statuses(final) == ("C", ["C", "X", "F"])
    codes: tuple[Literal["W", "D"], ...] = ("W", "D")
    for code in codes:
        assert statuses(retracted_message(final, code, CHANGED_DTM)) == ("C", [code] * 3)
    assert statuses(message("preliminary", version)) == ("P", ["P", "X", "R"]), "nothing final is replaced"


# [0085] "C" replaces a final result, and X ("results cannot be obtained") is none. [R4 status]: the record with a
# dataAbsentReason was final, so what follows it was modified "subsequent to being Final".
def test_a_result_after_none_could_be_obtained() -> None:
    change = Revised(frozenset(), frozenset({"spo2"}), frozenset({"spo2"}), unmeasured=frozenset({"spo2"}))
    item = one_set(value("heart_rate", "61"), value("spo2", "97"), revised=change)
    text = OruRenderer(mapping(status="final"), changed=CHANGED_DTM).message(item)
    assert statuses(text) == ("F", ["F"])
    record = json.loads(renderer(mapping(status="final")).observations(item)[0])
    assert FOLLOWS[record["status"]] == "final"
    assert statuses(OruRenderer(mapping(status="final")).message(one_set(absent("spo2")))) == ("F", ["X"])


# [OBR-22], [MSH-7], [OBX-19]: a change has a time, and that is not the time of the measurement.
@pytest.mark.parametrize("version", ["2.5.1", "2.6"])
def test_a_change_has_a_time_of_its_own(version: str) -> None:
    plain = replace(revised_set(), revised=None)
    first = OruRenderer(mapping(status="final", oru={"version": version})).message(plain)
    later, back = message("final", version), retracted_message(first, "W", CHANGED_DTM)
    for text in (first, later, back):
        rows = [segment.split("|") for segment in text.split("\r")]
        (report,) = [row for row in rows if row[0] == "OBR"]
        assert (report[22] == rows[0][6] == CHANGED_DTM) is (text is not first)
        assert report[7] == MOMENT.dtm
        assert {row[14] for row in rows if row[0] == "OBX"} == {MOMENT.dtm}
        assert not any("".join(row[19:20]) for row in rows if row[0] == "OBX")
        assert OruVerifier(version).messages([text]) == []


# [v2 map]: both forms of the same correction or retraction mean the same.
def test_both_forms_say_the_same() -> None:
    assert V2_TO_FHIR[statuses(message("final"))[1][0]] == json.loads(corrected()[0])["status"] == "corrected"
    for code in WITHDRAWN:
        assert {V2_TO_FHIR[code]} == {json.loads(text)["status"] for text in withdrawn()}


# The invariants of FHIR R4 hold for what is corrected and for what is withdrawn: vs-2 asks a value even then.
@pytest.mark.parametrize("container", ["ndjson", "collection", "transaction"])
def test_invariants_hold(container: Container) -> None:
    records: list[Record] = [json.loads(text) for text in corrected(container)]
    records = [record.get("resource", record) for record in records]
    records += [json.loads(text) for text in withdrawn()]
    assert len(records) == 8
    assert [broken_by_fhirpath(record) for record in records] == [set()] * len(records)


# A retraction that lost its value breaks vs-2, for fhirpathpy and for the gateway's own verifier.
def test_a_withdrawn_record_without_its_value_is_refused() -> None:
    record = next(each for each in map(json.loads, withdrawn()) if "valueQuantity" in each)
    del record["valueQuantity"]
    answer = compiled(EXPRESSIONS["vs-2"], models["r4"])(record, {"resource": record})
    assert answer == [False]
    assert any(each.what.startswith("vs-2") for each in FhirVerifier(False).lines(json.dumps(record).encode()))
