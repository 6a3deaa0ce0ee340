"""Our ORU^R01 messages against the rules of HL7 v2, each with its source, read by two libraries that are not ours.

Sources:
    [2.5.1], [2.6]  structure and optionality of HL7 v2.5.1 and v2.6 as hl7apy 1.3.5 carries them (PyPI).
    [v2+]           HL7 v2.9.1 / v2+ text, github HL7/v2ig@1f8bf2d; the 2.5.1 and 2.6 wording was not read again.
    [tables]        HL7 v2 tables as published in FHIR R4 (http://hl7.org/fhir/R4/terminologies-v2.html).
    [UTG]           HL7 Terminology source, github HL7/UTG@a19c263.
    [PoCD]          HL7 Point-of-Care Device guide, github HL7/uv-pocd@9be0922, input/pagecontent/mappingv2.md.
    [IHE]           IHE Devices SDPi supplement, github IHE/DEV.SDPi@ed06ae9, and change proposals, github IHEPCD/CP.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from decimal import Decimal
from functools import cache
from itertools import zip_longest
from typing import Any

import hl7
import hl7apy.base_datatypes
import pytest
from hl7apy.consts import VALIDATION_LEVEL
from hl7apy.core import Message
from hl7apy.exceptions import HL7apyException
from hl7apy.parser import parse_message

from gateway.mapping.model import Mapping
from gateway.model import Moment, Outcome, Party, Reading, SetItem
from gateway.records.oru import OruRenderer
from gateway.vocabulary import Vital, vitals

VERSIONS = ("2.5.1", "2.6")
PRINTABLE = "".join(map(chr, range(0x20, 0x7F)))
NOTE = "first line\nsecond | ^ ~ \\ & line"

DTM_TEXTS = (
    "2026",
    "202603",
    "20260314",
    "20260314+0100",
    "202603140930-0500",
    "20260314093000+0545",
    "20260314093000.123+0000",
)


def _mapping(version: str, full: bool) -> Mapping:
    oru: dict[str, Any] = {"version": version}
    output: dict[str, Any] = {"oru": oru, "keep_original": full, "failed": "record"}
    if full:
        oru |= {
            "orc": True,
            "first_code": "mdc",
            "receiving_application": "EHR",
            "sending_facility": "NORTH&1.2.3&ISO",
            "profile_identifier": "IHE_PCD_001^IHE PCD^1.3.6.1.4.1.19376.1.6.1.1.1^ISO",
        }
    return Mapping.model_validate(
        {
            "title": "Demo",
            "version": "1",
            "form": "delimited",
            "namespace": "https://clinic.example/records",
            "delimited": {"layout": "wide"},
            "time": {"columns": ["time"], "formats": ["%Y"], "zone": "UTC"},
            "patient": {"column": "patient", "system": "https://clinic.example/mrn"},
            "vitals": {"heart_rate": {"column": "HR", "unit": "/min"}},
            "output": output,
        }
    )


def _readings(vital: Vital) -> list[Reading]:
    """Every kind of reading a vital can be."""
    key = vital.key
    found = [
        Reading(key, "NOSIG", Outcome.ABSENT, reason=reason, meaning="NOSIG") for reason in ("error", "not-performed")
    ]
    for answer in vital.answers:
        found.append(Reading(key, answer, Outcome.RECORDED, code=answer))
    value = Decimal("12.50")
    found += [Reading(key, "12.50", Outcome.RECORDED, value, unit=unit) for unit in vital.units]
    for unit in vital.units[:1]:
        found.append(Reading(key, "12.50", Outcome.RECORDED, value, unit=unit, flagged=True))
        for comparator in ("<", "<=", ">=", ">"):
            found.append(Reading(key, "<12", Outcome.RECORDED, value, unit=unit, comparator=comparator, flagged=True))
        for site, method in zip_longest(vital.sites, vital.methods, fillvalue=""):
            found.append(Reading(key, "12.50", Outcome.RECORDED, value, unit=unit, site=site, method=method))
    return found


@cache
def _messages(version: str) -> tuple[str, ...]:
    """Every kind of reading once, in sets that never hold a vital twice; plain and with everything turned on."""
    columns = [_readings(vital) for vital in vitals().values()]
    party = Party("A&1|é", "urn:oid:1.2.3", "", "MR")
    plain = Party("000123", "https://clinic.example/mrn", "", "MR")
    messages: list[str] = []
    for full in (False, True):
        renderer = OruRenderer(_mapping(version, full))
        for row in range(max(map(len, columns))):
            readings = tuple(column[row] for column in columns if row < len(column))
            dtm = DTM_TEXTS[row % len(DTM_TEXTS)]
            more: dict[str, Any] = {}
            if full:
                more = dict.fromkeys(("device", "operator", "location", "encounter"), party)
                more["notes"] = (NOTE, "Größe")
            patient = party if full else plain
            item = SetItem(f"{len(messages):032x}", row, patient, Moment("", dtm, dtm, 0, "second"), readings, **more)
            messages.append(renderer.message(item))
    return tuple(messages)


def _rows(message: str) -> list[list[str]]:
    """Segments as fields, numbered as in the standard: row[n] is field n."""
    rows = []
    for segment in message.rstrip("\r").split("\r"):
        fields = segment.split("|")
        rows.append((["MSH", *fields] if fields[0] == "MSH" else fields) + [""] * 40)
    return rows


def _strict(message: str) -> Message:
    """Parse and validate with hl7apy at its strictest."""
    parsed = parse_message(message, validation_level=VALIDATION_LEVEL.STRICT, find_groups=True)
    parsed.validate()
    return parsed


# --------------------------------------------------------------------------------------------- structure


# [2.5.1], [2.6]: ORU_R01; hl7apy holds the message definition and refuses any other order.
@pytest.mark.parametrize("version", VERSIONS)
def test_every_message_is_valid_for_hl7apy_strict(version: str) -> None:
    for message in _messages(version):
        parsed = _strict(message)
        assert parsed.version == version
        (result,) = parsed.oru_r01_patient_result
        (order,) = result.oru_r01_order_observation
        assert len(order.oru_r01_observation) == message.count("\rOBX")
        for observation in order.oru_r01_observation:
            assert len(observation.obx) == 1


# The same check must be able to fail: [2.5.1] PID-3 is required; OBR must precede OBX; OBX-14 must be a date.
@pytest.mark.parametrize("version", VERSIONS)
@pytest.mark.parametrize(
    "damage",
    [
        lambda text: re.sub(r"\rPID\|1\|\|[^|]*", "\rPID|1||", text),
        lambda text: re.sub(r"\rOBR[^\r]*", "", text),
        lambda text: text.replace("|R|||", "|R|||x", 1),
    ],
)
def test_hl7apy_strict_refuses_damaged_messages(version: str, damage: Callable[[str], str]) -> None:
    message = _messages(version)[2]
    assert damage(message) != message
    with pytest.raises((HL7apyException, ValueError)):
        _strict(damage(message))


# [2.5.1] V2 ORU_R01: MSH PID [PV1] [ORC] OBR [{NTE}] {OBX [{NTE}]}, written here as an expression of our own.
@pytest.mark.parametrize("version", VERSIONS)
def test_segment_order(version: str) -> None:
    orders = {"".join(row[0] for row in _rows(message)) for message in _messages(version)}
    assert len(orders) > 1
    assert all(re.fullmatch("MSHPID(PV1)?(ORC)?OBR(NTE)*(OBX(NTE)*)+", order) for order in orders)


# [2.5.1], [2.6]: fields with a minimum of 1 (MSH-1 is the separator itself).
# [v2+] OBR-7 and OBR-25: filled whenever OBR reports results.
REQUIRED = {
    "MSH": (2, 7, 9, 10, 11, 12),
    "PID": (3, 5),
    "PV1": (2,),
    "ORC": (1,),
    "OBR": (4, 7, 25),
    "OBX": (3, 11),
    "NTE": (),
}


@pytest.mark.parametrize("version", VERSIONS)
def test_required_fields_are_filled(version: str) -> None:
    for message in _messages(version):
        for row in _rows(message):
            assert all(row[number] for number in REQUIRED[row[0]]), row[0]


# [v2+] 2.6.1: MSH-1 and MSH-2; [2.5.1] MSH-9 has three components; table 0104 for MSH-12, [tables].
@pytest.mark.parametrize("version", VERSIONS)
def test_header_constants(version: str) -> None:
    for message in _messages(version):
        assert message.startswith("MSH|^~\\&|")
        header = _rows(message)[0]
        assert header[9] == "ORU^R01^ORU_R01"
        assert header[12] == version
        assert header[11] in {"P", "D", "T"}, "table 0103, [tables]"


# [v2+] MSH-15, MSH-16: both filled or both empty.
@pytest.mark.parametrize("version", VERSIONS)
def test_acknowledgement_fields_agree(version: str) -> None:
    for message in _messages(version):
        assert bool(_rows(message)[0][15]) == bool(_rows(message)[0][16])


# [v2+] MSH-10: unique. At most 20 characters in 2.5.1: from memory, no source read.
@pytest.mark.parametrize("version", VERSIONS)
def test_control_ids_are_short_and_unique(version: str) -> None:
    controls = [_rows(message)[0][10] for message in _messages(version)]
    assert all(1 <= len(control) <= 20 for control in controls)
    assert len(set(controls)) == len(controls)


# [v2+] MSH-18: empty means 7-bit ASCII; table 0211 names UNICODE UTF-8 [2.5.1].
@pytest.mark.parametrize("version", VERSIONS)
def test_character_set_is_named_exactly_when_needed(version: str) -> None:
    named = {message.isascii(): _rows(message)[0][18] for message in _messages(version)}
    assert named == {True: "", False: "UNICODE UTF-8"}
    for message in _messages(version):
        assert _rows(message)[0][18] == ("" if message.isascii() else "UNICODE UTF-8")


# [IHE] CP-PCD-078: no name known is written with name type U and everything else empty.
@pytest.mark.parametrize("version", VERSIONS)
def test_unknown_name(version: str) -> None:
    for message in _messages(version):
        name = hl7.parse(message).segment("PID")[5]
        assert str(name) == "^^^^^^U"
    patient = _strict(_messages(version)[0]).oru_r01_patient_result.oru_r01_patient
    assert patient.pid.pid_5.xpn_7.to_er7() == "U"


# ------------------------------------------------------------------------------------------- observations


# [v2+] OBX-2: needed when OBX-5 is filled. [2.5.1] table 0125 has CE; CWE is a type of 2.6 ([2.6] OBX-3).
@pytest.mark.parametrize(("version", "coded"), [("2.5.1", "CE"), ("2.6", "CWE")])
def test_type_and_value_agree(version: str, coded: str) -> None:
    seen = set()
    for message in _messages(version):
        for row in _rows(message):
            if row[0] != "OBX":
                continue
            seen.add(row[2])
            if row[2] == "NM":
                hl7apy.base_datatypes.NM(Decimal(row[5]), validation_level=VALIDATION_LEVEL.STRICT)
                assert re.fullmatch(r"[+-]?\d+(\.\d+)?", row[5]), "[v2+] NM: a digit before the point, no exponent"
                assert len(row[5]) <= 16, "[v2+] NM: 1 to 16 characters"
            elif row[2] == "SN":
                comparator, number = row[5].split("^")
                assert comparator in {">", "<", ">=", "<=", "=", "<>"}, "[v2+] SN"
                assert re.fullmatch(r"[+-]?\d+(\.\d+)?", number)
            elif row[2] == coded:
                code, _, system = row[5].split("^")
                assert system == ("LN" if code.startswith("LA") else "SCT"), "[v2+] table 0396"
            else:
                assert (row[2], row[5], row[6]) == ("", "", "")
    assert seen == {"NM", "SN", coded, ""}


# [v2+] OBX-6: UCUM is strongly recommended; the code system is named UCUM in table 0396 [UTG].
@pytest.mark.parametrize("version", VERSIONS)
def test_units_are_ucum(version: str) -> None:
    known = {unit for vital in vitals().values() for unit in vital.units}
    for message in _messages(version):
        for row in _rows(message):
            if row[0] == "OBX" and row[2] in ("NM", "SN"):
                code, _, system = row[6].split("^")[:3]
                assert system == "UCUM"
                assert code in known


# [v2+] OBX-3: identifier and alternate triplets. [UTG] table 0396: LN and not LOINC, MDC, SCT, UCUM, HL7nnnn.
@pytest.mark.parametrize("version", VERSIONS)
def test_coding_systems_have_their_v2_names(version: str) -> None:
    allowed = {"LN", "MDC", "SCT", "UCUM", "HL70163", "L"}
    for message in _messages(version):
        for row in _rows(message):
            coded = {"OBX": (3, 6, 17, 20), "OBR": (4,)}.get(row[0], ())
            for text in (repetition for number in coded for repetition in row[number].split("~") if repetition):
                parts = text.split("^")
                assert len(parts) in (3, 6) or (parts[0] == "" and len(parts) == 2)
                assert set(parts[2::3]) <= allowed
                assert all(parts[::3]) or len(parts) == 2


# [IHE] CP-PCD-097: OBX-4 is unique in its OBR; dotted numbers name device, module, channel and metric.
@pytest.mark.parametrize("version", VERSIONS)
def test_sub_ids_are_unique_and_dotted(version: str) -> None:
    for message in _messages(version):
        subs = [row[4] for row in _rows(message) if row[0] == "OBX"]
        assert len(set(subs)) == len(subs)
        assert all(re.fullmatch(r"\d+(\.\d+){3}", sub) for sub in subs)


# [tables] 0085 for OBX-11 and 0123 for OBR-25. [PoCD] a missing value is X with INV or NAV, a doubtful one QUES.
@pytest.mark.parametrize("version", VERSIONS)
def test_status_and_flags(version: str) -> None:
    for message in _messages(version):
        for row in _rows(message):
            if row[0] == "OBR":
                assert row[25] in {"F", "P", "R"}
            if row[0] == "OBX":
                assert row[11] in {"C", "D", "F", "I", "N", "O", "P", "R", "S", "U", "W", "X"}
                assert (row[11] == "X") == (row[2] == "")
                assert set(filter(None, row[8].split("~"))) <= {"<", ">", "QUES", "INV", "NAV"}
                assert (row[11] == "X") == bool({"INV", "NAV"} & set(row[8].split("~")))


# [2.5.1] OBX-20 to OBX-22 may not be used; [2.6] OBX-20 is the site.
def test_site_field_by_version() -> None:
    sites = dict.fromkeys(VERSIONS, 0)
    for version in VERSIONS:
        for message in _messages(version):
            sites[version] += sum(bool(row[20]) for row in _rows(message) if row[0] == "OBX")
            assert not any(row[21] or row[22] for row in _rows(message) if row[0] == "OBX")
    assert sites["2.5.1"] == 0
    assert sites["2.6"] > 0


# [tables] 0119: RE, observations to follow. [tables] 0004: patient class.
@pytest.mark.parametrize("version", VERSIONS)
def test_order_and_visit_codes(version: str) -> None:
    for message in _messages(version):
        for row in _rows(message):
            if row[0] == "ORC":
                assert row[1] == "RE"
            if row[0] == "PV1":
                assert row[2] in {"E", "I", "O", "P", "R", "B", "C", "N", "U"}


# [v2+] 2.4.3.1: two double quotes delete what the receiver holds; nothing we send may do that.
@pytest.mark.parametrize("version", VERSIONS)
def test_nothing_is_ever_deleted(version: str) -> None:
    renderer = OruRenderer(_mapping(version, full=True))
    quotes = Party('""', "urn:oid:1.2.3", '""', '""')
    reading = Reading("spo2", "NOSIG", Outcome.ABSENT, reason="error", meaning='""')
    message = renderer.message(
        SetItem("0" * 32, 1, quotes, Moment("", "2026", "2026"), (reading,), quotes, quotes, quotes, quotes, ('""',))
    )
    assert '""' not in message
    assert hl7.parse(message).extract_field("PID", 1, 3) == '""'
    for message in _messages(version):
        assert '""' not in re.split(r"[|^~&\r]", message)


# ---------------------------------------------------------------------------------------------- data types


# [v2+] DTM: YYYY[MM[DD[HH[MM[SS[.S[S[S[S]]]]]]]]][+/-ZZZZ], precision shown by length, offset after any precision.
DTM = re.compile(r"\d{4}(\d{2}(\d{2}(\d{2}(\d{2}(\d{2}(\.\d{1,4})?)?)?)?)?)?([+-]\d{4})?")


@pytest.mark.parametrize("version", VERSIONS)
def test_times_have_the_form_of_dtm_and_keep_their_precision(version: str) -> None:
    seen = set()
    for message in _messages(version):
        rows = _rows(message)
        texts = {rows[0][7]}
        texts |= {row[7] for row in rows if row[0] == "OBR"} | {row[14] for row in rows if row[0] == "OBX"}
        (text,) = texts
        assert DTM.fullmatch(text)
        seen.add(text)
    assert seen == set(DTM_TEXTS)


# [v2+] DTM again, read by `hl7`: the offset stays.
def test_offset_survives_in_another_library() -> None:
    texts = [str(hl7.parse(message).segment("OBX")[14]) for message in _messages("2.5.1")]
    found = {text: hl7.parse_datetime(text) for text in texts}
    moment = found["20260314093000+0545"]
    assert moment is not None
    assert moment.isoformat() == "2026-03-14T09:30:00+05:45"
    moment = found["202603140930-0500"]
    assert moment is not None
    assert moment.isoformat() == "2026-03-14T09:30:00-05:00"


# [v2+] NM: no decimal comma, no comparator, no exponent, a digit before the point.
@pytest.mark.parametrize(
    ("value", "expected"),
    [("98.6", "98.6"), ("-0.5", "-0.5"), ("1E+2", "100"), ("5E-3", "0.005"), ("37.0", "37.0"), ("0", "0")],
)
def test_numbers_are_written_plainly(value: str, expected: str) -> None:
    reading = Reading("weight", value, Outcome.RECORDED, Decimal(value), unit="kg")
    item = SetItem("0" * 32, 1, Party("1"), Moment("", "2026", "2026"), (reading,))
    text = OruRenderer(_mapping("2.5.1", full=False)).message(item)
    assert hl7.parse(text).extract_field("OBX", 1, 5) == expected
    assert Decimal(expected) == Decimal(value)


# ------------------------------------------------------------------------------------------------- escapes


# [v2+] 2.6.1 to 2.6.8: \F\ \S\ \T\ \R\ \E\, the escape character first, never nested.
@pytest.mark.parametrize(
    ("character", "escape"), [("|", "F"), ("^", "S"), ("&", "T"), ("~", "R"), ("\\", "E"), ("\\F\\", "E\\F\\E")]
)
@pytest.mark.parametrize("version", VERSIONS)
def test_separator_in_text(version: str, character: str, escape: str) -> None:
    item = SetItem(
        "0" * 32, 1, Party(f"a{character}b"), Moment("", "2026", "2026"), tuple(_readings(vitals()["spo2"])[:1])
    )
    text = OruRenderer(_mapping(version, full=False)).message(item)
    assert f"|a\\{escape}\\b|" in text
    assert hl7.parse(text).extract_field("PID", 1, 3) == f"a{character}b"
    _strict(text)


# [v2+] 2.6: text of all printable characters comes back as it was, from two libraries.
@pytest.mark.parametrize("version", VERSIONS)
def test_all_printable_characters_come_back(version: str) -> None:
    party = Party(PRINTABLE.strip(), "", "", "MR")
    item = SetItem(
        "0" * 32,
        1,
        party,
        Moment("", "2026", "2026"),
        tuple(_readings(vitals()["spo2"])[:1]),
        notes=(PRINTABLE.strip(),),
    )
    text = OruRenderer(_mapping(version, full=False)).message(item)
    parsed = hl7.parse(text)
    assert parsed.extract_field("PID", 1, 3, 1, 1) == PRINTABLE.strip()
    assert parsed.extract_field("PID", 1, 3, 1, 5) == "MR"
    assert parsed.extract_field("NTE", 1, 3) == PRINTABLE.strip()
    assert _strict(text).oru_r01_patient_result.oru_r01_patient.pid.pid_3.cx_5.to_er7() == "MR"


# [v2+] 2.6: `.br` begins a new line, in formatted text only; `hl7` reads it as a carriage return.
@pytest.mark.parametrize("version", VERSIONS)
def test_line_break_in_a_note(version: str) -> None:
    noted = [message for message in _messages(version) if "first line" in message]
    assert noted
    for message in noted:
        assert hl7.parse(message).extract_field("NTE", 1, 3) == NOTE.replace("\n", "\r")
        outside = [field for row in _rows(message) if row[0] != "NTE" for field in row]
        assert not any(".br" in field for field in outside)


# HL7 Transport Specification MLLP Release 2: 0x0B and 0x1C frame a message and never stand inside; segments end in CR.
@pytest.mark.parametrize("version", VERSIONS)
def test_nothing_inside_a_message_can_end_its_frame(version: str) -> None:
    controls = "".join(map(chr, [*range(0x20), 0x7F]))
    party = Party(f"1{controls}2")
    reading = Reading("spo2", "", Outcome.ABSENT, reason="error", meaning=controls)
    item = SetItem("0" * 32, 1, party, Moment("", "2026", "2026"), (reading,), party, party, party, party, (controls,))
    text = OruRenderer(_mapping(version, full=True)).message(item)
    assert {character for character in text if not character.isprintable()} == {"\r"}
    assert hl7.parse(text).extract_field("PID", 1, 3, 1, 1) == f"1{controls}2"


# --------------------------------------------------------------------------------------------- batch files


# [v2+] 2.9.3: [FHS] { [BHS] { [MSH ...] } [BTS] } [FTS]; BTS-1 counts messages, FTS-1 counts batches.
@pytest.mark.parametrize("version", VERSIONS)
def test_batch_file(version: str) -> None:
    renderer = OruRenderer(_mapping(version, full=True))
    messages = list(_messages(version))
    text = renderer.batch(messages, "2026-03-14 night | 1")
    names = re.sub("(MSH)+", "MSH", "".join(row[:3] for row in text.split("\r") if row[:3] in {
        "FHS", "BHS", "MSH", "BTS", "FTS",
    }))  # fmt: skip
    assert names == "FHSBHSMSHBTSFTS"
    (batch,) = hl7.parse_file(text)
    assert len(batch) == len(messages)
    assert text.endswith(f"\rBTS|{len(messages)}\rFTS|1\r")
    assert [str(one).rstrip("\r") for one in batch] == [message.rstrip("\r") for message in messages]
