"""What answers of receivers mean: every code of the tables, what a site settles otherwise, words without codes.

The lists of codes come from elsewhere than the program: hl7apy for HL7 tables 0008 and 0357 (2.8.2; 198 and 199 are of
2.9), the standard library for HTTP statuses, and for issue types http://hl7.org/fhir/R4/valueset-issue-type.html.
"""

from __future__ import annotations

import http
import re
from typing import Literal

import pytest
from hl7apy.v2_8_2.tables import TABLES
from hypothesis import given
from hypothesis import strategies as st
from pydantic import TypeAdapter, ValidationError

from gateway.delivery.answers import (
    CONDITIONS,
    ISSUES,
    HttpAnswers,
    Meaning,
    V2Answers,
    acknowledged,
    answered,
    status,
)
from gateway.delivery.base import Verdict

DELIVERED, PARKED, LATER = Verdict.DELIVERED, Verdict.PARKED, Verdict.LATER

CODES = TABLES["HL70008"][1]
TABLE_0357 = (*TABLES["HL70357"][1], "198", "199")
R4_ISSUES = {
    "invalid": ("structure", "required", "value", "invariant"),
    "security": ("login", "unknown", "expired", "forbidden", "suppressed"),
    "processing": ("not-supported", "duplicate", "multiple-matches", "not-found", "deleted", "too-long",
                   "code-invalid", "extension", "too-costly", "business-rule", "conflict"),
    "transient": ("lock-error", "no-store", "exception", "timeout", "incomplete", "throttled"),
    "informational": (),
}  # fmt: skip
KINDS = [*R4_ISSUES, *(kind for kinds in R4_ISSUES.values() for kind in kinds)]

ENDPOINT = {301, 302, 307, 308, 401, 402, 403, 404, 405, 406, 407, 410, 411, 414, 415, 416, 417, 418, 421, 426, 431,
            501, 505, 506, 508, 510, 511}  # fmt: skip
AWAY = {408, 425, 429, 502, 503, 504, 507}
"""Whoever answers so says nothing of the message: RFC 9110 sections 15.5.9, 15.6.3 to 15.6.5, RFC 6585, 8470, 4918."""
ABOUT_THE_MESSAGE_AND_PASSING = {409, 423, 500}


def meaning(code: str, *conditions: str, places: tuple[str, ...] = ()) -> Meaning:
    found = acknowledged(code, conditions, places)
    assert found is not None
    return found


def plain(words: str) -> None:
    """A clause for a person: no code or number of a table, no capital, no full stop."""
    assert re.fullmatch(r"[a-z][^.]{9,}[^.\s]", words), words
    assert not re.search(r"\b(?!HL7|FHIR|JSON|HTTP)[A-Z]{2}|[0-9]{2}|null|undefined", words), words


def test_every_code_of_the_tables_is_known() -> None:
    assert set(TABLE_0357) == CONDITIONS
    assert set(KINDS) == set(ISSUES)
    for kind in KINDS:
        plain(ISSUES[kind])
    for code in CODES:
        plain(meaning(code).words)
        assert meaning(code).key == code
        for condition in TABLE_0357:
            found = meaning(code, condition)
            plain(found.words)
            # The words say what is the matter, and are not those of the code.
            assert (found.words == meaning(code).words) is (code in ("AA", "CA") or condition == "0")
    assert acknowledged("ZZ") is None
    assert acknowledged("") is None


def test_verdicts_by_code_and_condition() -> None:
    """HL7 v2.9.1, 2.8.2 and 2.8.3: AE and CE blame the message, AR and CR may pass; the condition says more."""
    final = {"100", "101", "102", "103", "104", "198", "199", "200", "201", "202", "203", "204", "205"}
    for code in CODES:
        for condition in ("", *TABLE_0357):
            found = meaning(code, condition)
            if code in ("AA", "CA"):
                expected = DELIVERED
            elif condition in final:
                expected = PARKED
            elif condition == "206":
                expected = LATER
            else:
                expected = PARKED if code in ("AE", "CE") else LATER
            assert found.verdict is expected, (code, condition)
            assert found.everyone is False
            assert found.soon is (expected is LATER)


@pytest.mark.parametrize(
    ("places", "words"),
    [
        (("PID-3",), "the receiver does not know the patient (PID-3)"),
        (("PV1-19",), "the receiver does not know the visit or the place (PV1-19)"),
        (("OBR-2",), "the receiver does not know the order (OBR-2)"),
        ((), "the receiver does not know an identifier in the message, most often the patient's"),
    ],
)
def test_who_is_not_known(places: tuple[str, ...], words: str) -> None:
    assert meaning("AR", "204", places=places)[:2] == (PARKED, words)


def test_one_reason_that_parks_decides() -> None:
    found = meaning("AR", "206", "101", "207", "103")
    assert found[:2] == (
        PARKED, "the receiver misses a field that it requires; the receiver does not know a code in the message"
    )  # fmt: skip
    assert found.key == "AR:101"
    assert meaning("AR", "206", "0", "L99").key == "AR:206"


def test_every_status_has_a_meaning() -> None:
    statuses = {int(each) for each in http.HTTPStatus} | {299, 399, 499, 599}
    for code in statuses - {200, 201}:
        found = status(code)
        plain(found.words)
        assert found.key == str(code)
        if code in ENDPOINT or 300 <= code < 400:
            assert found[2:4] == (True, False)
        elif code in AWAY:
            assert found[2:4] == (True, True)
        elif code in ABOUT_THE_MESSAGE_AND_PASSING or code >= 500:
            assert found[2:4] == (False, True)
        else:
            assert found.verdict is PARKED
            assert found[2:4] == (False, False)
            continue
        assert found.verdict is LATER


def test_a_status_of_an_entry_is_about_the_entry() -> None:
    for code in {int(each) for each in http.HTTPStatus if each >= 300}:
        found = answered(code, entry=True)
        plain(found.words)
        assert found.everyone is (code in (401, 407, 511))
        if code in ENDPOINT - {401, 407, 511}:
            assert found.verdict is PARKED
        elif code in AWAY | ABOUT_THE_MESSAGE_AND_PASSING:
            assert found.verdict is LATER


@pytest.mark.parametrize("code", [400, 412, 422])
def test_issue_types_that_pass(code: int) -> None:
    """R4 says of the group "transient" that the same content may be sent again, and of "processing" that it may not."""
    passing = {"transient", *R4_ISSUES["transient"], "login", "unknown", "expired"}
    for kind in KINDS:
        found = answered(code, [kind])
        assert found[:2] == (LATER if kind in passing else PARKED, ISSUES[kind])
        assert found.key == f"{code}:{kind}"
        assert found.everyone is (kind in {"no-store", "incomplete", "throttled", "login", "unknown", "expired"})
        assert answered(503, [kind])[0] is LATER
        assert answered(403, [kind])[2] is True


def test_a_site_may_settle_answers_otherwise() -> None:
    site: dict[str, Literal["park", "later"]] = {"AR": "park", "AR:204": "later", "AE:207": "later"}
    cases = {("AR", ""): PARKED, ("AR", "206"): PARKED, ("AR", "204"): LATER, ("AE", "207"): LATER, ("AE", ""): PARKED,
             ("CR", ""): LATER, ("AA", ""): DELIVERED}  # fmt: skip
    for (code, condition), verdict in cases.items():
        found = acknowledged(code, [condition], (), site)
        assert found is not None
        assert found.verdict is verdict
    settled = answered(404, (), {"404": "park"})
    assert (settled.verdict, settled.everyone) == (PARKED, False)
    assert answered(404, (), {"404": "later"}).everyone is True
    assert answered(422, ["not-found"], {"422:not-found": "later"})[:1] == (LATER,)
    assert answered(422, ["value"], {"422:not-found": "later"})[:1] == (PARKED,)
    assert answered(422, ["not-found", "value"], {"422:not-found": "later"})[:1] == (PARKED,)


@given(
    st.sampled_from([*CODES, "XX", ""]),
    st.lists(st.one_of(st.sampled_from(TABLE_0357), st.text(max_size=5)), max_size=4),
    st.lists(st.sampled_from(["PID-3", "MSH-9", "MSH-11", "MSH-12", "OBX-5"]), max_size=3),
    st.sampled_from(["park", "later"]),
)
def test_only_the_receivers_acceptance_delivers(
    code: str, conditions: list[str], places: list[str], choice: Literal["park", "later"]
) -> None:
    for site in ({}, {"AE": choice, "AR": choice, "CE": choice, "CR": choice}):
        found = acknowledged(code, conditions, places, site)
        assert (found is None) is (code not in CODES)
        if found is not None:
            assert (found.verdict is DELIVERED) is (code in ("AA", "CA"))
            # What the site may write, and nothing of the receiver's own.
            assert re.fullmatch(r"[AC][AER](:[0-9]{1,3})?", found.key)


@given(st.integers(202, 599), st.lists(st.sampled_from([*KINDS, ""]), max_size=4), st.booleans())
def test_no_answer_but_success_delivers_and_no_fault_of_the_endpoint_parks(
    code: int, kinds: list[str], entry: bool
) -> None:
    found = answered(code, kinds, {}, entry=entry)
    assert found.verdict is not DELIVERED
    assert not (found.everyone and found.verdict is PARKED)


def test_keys_a_site_may_write() -> None:
    v2, web = TypeAdapter(V2Answers), TypeAdapter(HttpAnswers)
    assert v2.validate_python({"AR": "park", "CE:104": "later"}) == {"AR": "park", "CE:104": "later"}
    assert web.validate_python({"404": "park", "422:lock-error": "park"}) == {"404": "park", "422:lock-error": "park"}
    for wrong in ("AA", "CA", "ar", "AR:", "AR:0", "AR:999", "422", " AR", ""):
        with pytest.raises(ValidationError, match="AE, AR, CE or CR"):
            v2.validate_python({wrong: "park"})
    for wrong in ("200", "201", "4xx", "422:", "422:luck", "999", "AR", "42²"):
        with pytest.raises(ValidationError, match="an HTTP status from 300 to 599"):
            web.validate_python({wrong: "park"})
    for choice in ("delivered", "parked", "", True):
        with pytest.raises(ValidationError):
            v2.validate_python({"AR": choice})
