"""The HL7 v2 renderer: every choice of the mapping, every kind of reading, and what stands on the wire for it.

Messages are read back with the `hl7` package, which knows nothing of the renderer, and as plain text.
"""

from __future__ import annotations

import re
from decimal import Decimal
from typing import Any

import hl7
import pytest

from gateway.errors import MappingError, UsageError, VocabularyError
from gateway.mapping.model import Mapping
from gateway.model import Moment, Outcome, Party, Reading, SetItem
from gateway.records import oru
from gateway.records.oru import OruRenderer
from gateway.vocabulary import Coding, Site, vitals

IDENTITY = "0123456789abcdef0123456789abcdef"
TIME = Moment("14.03.2026 09:30", "2026-03-14T09:30:00+01:00", "20260314093000+0100", 1773477000, "second")
PATIENT = Party("000123", "https://clinic.example/mrn", "WARD", "MR")
DEVICE = Party("MON-7", "https://clinic.example/device", "BIOMED")
VERSIONS = ("2.5.1", "2.6")


def mapping(oru: dict[str, Any] | None = None, **output: Any) -> Mapping:
    return Mapping.model_validate(
        {
            "title": "Demo",
            "version": "1",
            "form": "delimited",
            "namespace": "https://clinic.example/records",
            "delimited": {"layout": "wide"},
            "time": {"columns": ["time"], "formats": ["%Y"], "zone": "Europe/Berlin"},
            "patient": {"column": "patient", "system": "https://clinic.example/mrn", "authority": "WARD"},
            "vitals": {"heart_rate": {"column": "HR", "unit": "/min"}},
            "output": output | {"oru": oru or {}},
        }
    )


def number(vital: str, value: str, unit: str = "", **more: Any) -> Reading:
    unit = unit or vitals()[vital].units[0]
    return Reading(vital, value, Outcome.RECORDED, Decimal(value), None, unit, **more)


def absent(vital: str, reason: str, meaning: str = "") -> Reading:
    return Reading(vital, "NOSIG", Outcome.ABSENT, reason=reason, meaning=meaning)


def item(*readings: Reading, **more: Any) -> SetItem:
    known: dict[str, Any] = {"identity": IDENTITY, "patient": PATIENT, "moment": TIME}
    return SetItem(line=2, readings=readings or (number("heart_rate", "72"),), **(known | more))


def segments(message: str, name: str = "") -> list[str]:
    assert message.endswith("\r")
    return [segment for segment in message[:-1].split("\r") if segment.startswith(name)]


def fields(message: str, name: str, position: int = 0) -> list[str]:
    """Fields of one segment as ER7, so that fields[n] is field n; padded, since trailing empty fields are not sent."""
    found = segments(message, name)[position].split("|")
    return (["MSH", *found] if name in ("MSH", "FHS", "BHS") else found) + [""] * 30


# ------------------------------------------------------------------------------------------------- header


@pytest.mark.parametrize("version", VERSIONS)
def test_header_of_a_plain_mapping(version: str) -> None:
    msh = fields(OruRenderer(mapping({"version": version})).message(item()), "MSH")
    assert msh[2:4] == [r"^~\&", "SPOTCHECK"]
    assert msh[7] == TIME.dtm
    assert (msh[9], msh[11], msh[12]) == ("ORU^R01^ORU_R01", "P", version)
    assert re.fullmatch(r"[0-9A-F]{20}", msh[10])
    assert set(msh[4:7] + msh[13:18]) == {""}
    assert msh[18] == "", "ASCII needs no character set"
    assert msh[21] == ""


@pytest.mark.parametrize("version", VERSIONS)
def test_every_header_choice_reaches_its_field(version: str) -> None:
    choices = {
        "version": version,
        "sending_application": "APP&1.2.3&ISO",
        "sending_facility": "North & South",
        "receiving_application": "EHR",
        "receiving_facility": "MAIN",
        "processing": "T",
        "profile_identifier": "IHE_PCD_001^IHE PCD^1.3.6.1.4.1.19376.1.6.1.1.1^ISO",
    }
    message = OruRenderer(mapping(choices), received="20260314100000+0100").message(item())
    msh = fields(message, "MSH")
    assert msh[3:8] == ["APP^1.2.3^ISO", r"North \T\ South", "EHR", "MAIN", "20260314100000+0100"]
    assert msh[11] == "T"
    assert msh[21] == "IHE_PCD_001^IHE PCD^1.3.6.1.4.1.19376.1.6.1.1.1^ISO"
    assert fields(message, "OBR")[3] == f"{IDENTITY}^APP^1.2.3^ISO"


def test_set_time_stays_when_the_header_has_the_time_of_receipt() -> None:
    message = OruRenderer(mapping(), received="20260315").message(item())
    assert fields(message, "MSH")[7] == "20260315"
    assert fields(message, "OBR")[7] == fields(message, "OBX")[14] == TIME.dtm


@pytest.mark.parametrize("received", ["2026-03-14", "20260314T0930", "202603140930Z", "now", "2026031"])
def test_time_of_receipt_must_be_a_dtm(received: str) -> None:
    with pytest.raises(UsageError, match="not an HL7 DTM"):
        OruRenderer(mapping(), received)


@pytest.mark.parametrize(
    ("choices", "where"),
    [
        ({"sending_application": "A" * 21}, "output.oru.sending_application"),
        ({"receiving_facility": "A" * 21}, "output.oru.receiving_facility"),
        ({"profile_identifier": "a^b^c^d^e"}, "output.oru.profile_identifier"),
        ({"profile_identifier": "a^" + "b" * 21}, "output.oru.profile_identifier"),
    ],
)
def test_name_that_does_not_fit_is_refused_with_its_key(choices: dict[str, str], where: str) -> None:
    with pytest.raises(MappingError) as caught:
        OruRenderer(mapping(choices))
    assert [problem.where for problem in caught.value.problems] == [where]
    assert all(problem.todo for problem in caught.value.problems)


def test_long_authority_is_refused_unless_it_is_a_universal_id() -> None:
    long = mapping().model_copy(update={"patient": mapping().patient.model_copy(update={"authority": "A" * 21})})
    with pytest.raises(MappingError, match=r"patient\.authority"):
        OruRenderer(long)
    OruRenderer(mapping({"sending_application": f"LAB^{'1.2.3.4.' * 10}5^ISO"}))


@pytest.mark.parametrize(
    ("more", "where"),
    [
        ({"notes": ("Größe",)}, "note"),
        ({"patient": Party("Ä1")}, "patient"),
        ({"device": Party("モニタ")}, "device"),
    ],
)
@pytest.mark.parametrize("version", VERSIONS)
def test_character_set_is_named_when_anything_is_not_ascii(more: dict[str, Any], where: str, version: str) -> None:
    renderer = OruRenderer(mapping({"version": version}))
    assert fields(renderer.message(item(**more)), "MSH")[18] == "UNICODE UTF-8", where
    assert fields(renderer.message(item()), "MSH")[18] == ""


def test_character_set_is_named_when_only_the_header_is_not_ascii() -> None:
    assert fields(OruRenderer(mapping({"sending_facility": "Köln"})).message(item()), "MSH")[18] == "UNICODE UTF-8"


# ------------------------------------------------------------------------------------- control identifiers


def test_control_id_follows_identity_and_content_and_nothing_else() -> None:
    def control(renderer: OruRenderer, one: SetItem) -> str:
        return fields(renderer.message(one), "MSH")[10]

    first = control(OruRenderer(mapping()), item())
    assert control(OruRenderer(mapping()), item()) == first, "another renderer, equal objects"
    assert control(OruRenderer(mapping(), "20300101"), item()) == first, "a later resend of the same content"
    other = [
        control(OruRenderer(mapping()), item(number("heart_rate", "73"))),
        control(OruRenderer(mapping()), item(number("heart_rate", "72.0"))),
        control(OruRenderer(mapping()), item(identity=IDENTITY[::-1])),
        control(OruRenderer(mapping()), item(notes=("x",))),
        control(OruRenderer(mapping(status="final")), item()),
    ]
    assert len({first, *other}) == 6


def test_same_set_same_bytes_whatever_was_rendered_before() -> None:
    renderer = OruRenderer(mapping())
    readings = (number("systolic", "120"), number("temperature", "37.0", site="oral"), absent("spo2", "error"))
    expected = renderer.message(item(*readings, notes=("a",), device=DEVICE))
    for _ in range(3):
        renderer.message(item(number("heart_rate", "1"), operator=Party("N1"), location=Party("W")))
        assert renderer.message(item(*readings, notes=("a",), device=DEVICE)) == expected


def test_memos_stay_bounded_and_emptying_them_changes_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(oru, "_REMEMBERED", 3)
    renderer = OruRenderer(mapping())
    sets = [
        item(
            number("heart_rate", str(40 + n)),
            number("spo2", str(60 + n)),
            patient=Party(f"P{n}"),
            device=Party(f"D{n}"),
            notes=(f"note {n}",),
        )
        for n in range(20)
    ]
    for one in sets:
        assert renderer.message(one) == OruRenderer(mapping()).message(one)
    memos = [renderer._observations, renderer._heads, renderer._tails, renderer._comments]
    assert all(0 < len(memo) <= 3 for memo in memos)  # type: ignore[arg-type]


# ---------------------------------------------------------------------------------- patient, visit, order


@pytest.mark.parametrize(
    ("party", "expected"),
    [
        (PATIENT, "000123^^^WARD^MR"),
        (Party("1", "https://clinic.example/mrn", "", "MR"), "1^^^&https://clinic.example/mrn&URI^MR"),
        (Party("1", "urn:oid:1.2.3", "", "PI"), "1^^^&1.2.3&ISO^PI"),
        (Party("1", "urn:uuid:7a0f", "", "PI"), "1^^^&7a0f&UUID^PI"),
        (Party("1", "x", "HOSP&1.2.3&ISO", "MR"), "1^^^HOSP&1.2.3&ISO^MR"),
        (Party("1", "x", "&1.2.3&ISO", "MR"), "1^^^&1.2.3&ISO^MR"),
        (Party("1", "x", "A&E", "MR"), r"1^^^A\T\E^MR"),
        (Party("1", "x", "A&E&WARD", "MR"), r"1^^^A\T\E\T\WARD^MR"),
        (Party("1"), "1"),
        (Party("1", "", "", "MR"), "1^^^^MR"),
    ],
)
def test_patient_identifier_with_its_authority(party: Party, expected: str) -> None:
    message = OruRenderer(mapping()).message(item(patient=party))
    assert segments(message, "PID") == [f"PID|1||{expected}||^^^^^^U"]


def test_no_visit_without_place_or_encounter() -> None:
    message = OruRenderer(mapping()).message(item())
    assert [segment[:3] for segment in segments(message)] == ["MSH", "PID", "OBR", "OBX"]


@pytest.mark.parametrize("patient_class", ["I", "U"])
def test_visit_holds_class_place_and_encounter(patient_class: str) -> None:
    renderer = OruRenderer(mapping({"patient_class": patient_class}))
    place, encounter = Party("Ward 4", "", "NORTH"), Party("V77", "", "NORTH", "VN")
    pv1 = fields(renderer.message(item(location=place, encounter=encounter)), "PV1")
    assert (pv1[2], pv1[3], pv1[19]) == (patient_class, "Ward 4^^^NORTH", "V77^^^NORTH^VN")
    assert fields(renderer.message(item(encounter=encounter)), "PV1")[3] == ""
    assert fields(renderer.message(item(location=place)), "PV1")[19] == ""


def test_long_place_is_a_description_and_never_cut() -> None:
    renderer = OruRenderer(mapping())
    at_limit, above = "W" * 20, "W" * 21
    assert fields(renderer.message(item(location=Party(at_limit))), "PV1")[3] == at_limit
    assert fields(renderer.message(item(location=Party(above))), "PV1")[3] == "^^^^^^^^" + above


def test_order_segment_is_by_choice() -> None:
    assert segments(OruRenderer(mapping()).message(item()), "ORC") == []
    message = OruRenderer(mapping({"orc": True})).message(item())
    assert segments(message, "ORC") == [f"ORC|RE||{IDENTITY}^SPOTCHECK"]
    assert [segment[:3] for segment in segments(message)] == ["MSH", "PID", "ORC", "OBR", "OBX"]


@pytest.mark.parametrize(("status", "obr", "obx"), [("final", "F", "F"), ("preliminary", "P", "R")])
def test_status_in_request_and_observation(status: str, obr: str, obx: str) -> None:
    message = OruRenderer(mapping(status=status)).message(item())
    assert fields(message, "OBR")[25] == obr
    assert fields(message, "OBX")[11] == obx


def test_request_names_set_panel_and_time() -> None:
    obr = fields(OruRenderer(mapping()).message(item()), "OBR")
    assert obr[1] == "1"
    assert obr[3] == f"{IDENTITY}^SPOTCHECK"
    assert obr[4].split("^")[::2] == ["85353-1", "LN"]
    assert obr[7] == TIME.dtm


# ------------------------------------------------------------------------------------------ observations


@pytest.mark.parametrize("version", VERSIONS)
def test_number(version: str) -> None:
    message = OruRenderer(mapping({"version": version})).message(item(number("systolic", "128"), device=DEVICE))
    assert segments(message, "OBX") == [
        "OBX|1|NM|8480-6^Systolic blood pressure^LN^150021^MDC_PRESS_BLD_NONINV_SYS^MDC|1.1.1.1|128|"
        "mm[Hg]^mmHg^UCUM|||||R|||20260314093000+0100||||MON-7^BIOMED"
    ]


@pytest.mark.parametrize("text", ["37.0", "37", "-5", "0.50", "100"])
def test_precision_of_a_number_is_kept(text: str) -> None:
    assert fields(OruRenderer(mapping()).message(item(number("temperature", text))), "OBX")[5] == text


def test_number_never_has_an_exponent() -> None:
    large, small = number("weight", "1E+2", "kg"), number("height", "0E-3", "cm")
    message = OruRenderer(mapping()).message(item(large, small))
    assert [fields(message, "OBX", n)[5] for n in (0, 1)] == ["100", "0.000"]


def test_code_order_follows_the_mapping() -> None:
    both = number("systolic", "128")
    assert fields(OruRenderer(mapping({"first_code": "loinc"})).message(item(both)), "OBX")[3].split("^")[2::3] == [
        "LN",
        "MDC",
    ]
    message = OruRenderer(mapping({"first_code": "mdc"})).message(item(both))
    assert fields(message, "OBX")[3] == "150021^MDC_PRESS_BLD_NONINV_SYS^MDC^8480-6^Systolic blood pressure^LN"
    assert fields(message, "OBX")[6] == "mm[Hg]^mmHg^UCUM^266016^MDC_DIM_MMHG^MDC"


def test_vital_without_mdc_code_leads_with_loinc_either_way() -> None:
    vital = next(key for key, vital in vitals().items() if vital.mdc is None and vital.kind == "quantity")
    for first in ("loinc", "mdc"):
        message = OruRenderer(mapping({"first_code": first})).message(item(number(vital, "1")))
        assert fields(message, "OBX")[3].split("^")[0::2] == [vitals()[vital].codings[0].code, "LN"]


def test_blood_pressure_is_one_observation_for_each_value() -> None:
    readings = number("systolic", "128"), number("diastolic", "80"), number("mean_pressure", "96")
    message = OruRenderer(mapping()).message(item(*readings))
    assert [fields(message, "OBX", n)[5] for n in range(3)] == ["128", "80", "96"]
    assert [fields(message, "OBX", n)[1] for n in range(3)] == ["1", "2", "3"]
    assert len({fields(message, "OBX", n)[4] for n in range(3)}) == 3
    alone = OruRenderer(mapping()).message(item(readings[0]))
    assert len(segments(alone, "OBX")) == 1, "a side that was not measured is not invented"


def test_pulse_of_cuff_and_oximeter_differ_in_code_and_sub_id() -> None:
    message = OruRenderer(mapping()).message(item(number("pulse_cuff", "70"), number("pulse_oximeter", "71")))
    first, second = fields(message, "OBX", 0), fields(message, "OBX", 1)
    assert first[3] != second[3]
    assert first[4] != second[4]


def test_glucose_code_follows_the_unit() -> None:
    message = OruRenderer(mapping()).message(item(number("glucose", "100", "mg/dL")))
    other = OruRenderer(mapping()).message(item(number("glucose", "5.6", "mmol/L")))
    assert fields(message, "OBX")[3].startswith("41653-7^")
    assert fields(other, "OBX")[3].startswith("14743-9^")
    assert fields(other, "OBX")[6].startswith("mmol/L^")


@pytest.mark.parametrize(("comparator", "flag"), [("<", "<"), ("<=", "<"), (">", ">"), (">=", ">")])
def test_comparator_is_a_structured_numeric(comparator: str, flag: str) -> None:
    obx = fields(OruRenderer(mapping()).message(item(number("spo2", "70", comparator=comparator))), "OBX")
    assert (obx[2], obx[5], obx[6], obx[8]) == ("SN", f"{comparator}^70", "%^%^UCUM", flag)


def test_questionable_value_is_kept_and_marked() -> None:
    obx = fields(OruRenderer(mapping()).message(item(number("spo2", "65", flagged=True))), "OBX")
    assert (obx[2], obx[5], obx[8], obx[11]) == ("NM", "65", "QUES", "R")


def test_questionable_and_off_scale_are_two_flags() -> None:
    reading = number("spo2", "70", comparator="<", flagged=True)
    assert fields(OruRenderer(mapping()).message(item(reading)), "OBX")[8] == "<~QUES"
    assert fields(OruRenderer(mapping(mark_questionable=False)).message(item(reading)), "OBX")[8] == "<"


def test_mark_is_left_out_by_choice() -> None:
    obx = fields(OruRenderer(mapping(mark_questionable=False)).message(item(number("spo2", "65", flagged=True))), "OBX")
    assert (obx[5], obx[8]) == ("65", "")


@pytest.mark.parametrize(("version", "kind"), [("2.5.1", "CE"), ("2.6", "CWE")])
def test_coded_answer(version: str, kind: str) -> None:
    reading = Reading("consciousness", "A", Outcome.RECORDED, code="alert")
    obx = fields(OruRenderer(mapping({"version": version})).message(item(reading)), "OBX")
    answer = vitals()["consciousness"].answers["alert"].coding
    assert (obx[2], obx[5], obx[6]) == (kind, f"{answer.code}^{answer.display}^SCT", "")


@pytest.mark.parametrize(
    ("reason", "flag"),
    [
        ("error", "INV"),
        ("not-a-number", "INV"),
        ("negative-infinity", "INV"),
        ("positive-infinity", "INV"),
        ("not-performed", "NAV"),
        ("unknown", "NAV"),
        ("temp-unknown", "NAV"),
        ("asked-declined", "NAV"),
    ],
)
@pytest.mark.parametrize("status", ["final", "preliminary"])
def test_failed_measurement_is_x_without_type_value_or_unit(reason: str, flag: str, status: str) -> None:
    message = OruRenderer(mapping(status=status)).message(item(absent("spo2", reason, "probe off")))
    obx = fields(message, "OBX")
    assert (obx[2], obx[5], obx[6]) == ("", "", "")
    assert (obx[8], obx[11], obx[14]) == (flag, "X", TIME.dtm)
    assert segments(message)[-1] == "NTE|1||probe off"


def test_failed_measurement_is_not_questionable_as_well() -> None:
    reading = absent("spo2", "error")
    reading.flagged = True
    assert fields(OruRenderer(mapping()).message(item(reading)), "OBX")[8] == "INV"


def test_failed_measurement_without_words_carries_the_reason_code() -> None:
    message = OruRenderer(mapping()).message(item(absent("spo2", "not-performed")))
    assert segments(message)[-1] == "NTE|1||data-absent-reason: not-performed"


def test_note_of_a_reading_stands_behind_its_own_observation() -> None:
    message = OruRenderer(mapping()).message(
        item(number("systolic", "128"), absent("spo2", "error", "NOSIG"), number("pulse", "70"), notes=("one", "two"))
    )
    assert [segment[:5] for segment in segments(message)] == [
        "MSH|^", "PID|1", "OBR|1", "NTE|1", "NTE|2", "OBX|1", "OBX|2", "NTE|1", "OBX|3",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("text", "noted"),
    [
        ("157 lb 8 oz", 'Exported as "157 lb 8 oz".'),
        ("98 lb", 'Exported as "98 lb".'),
        ("2520", 'Exported as "2520" (oz).'),
    ],
)
def test_a_text_that_says_its_unit_gets_no_other_beside_it(text: str, noted: str) -> None:
    weight = number("weight", "71.4", source_value=Decimal(2520), source_unit="[oz_av]")
    weight.text = text
    message = OruRenderer(mapping(keep_original=True)).message(item(weight))
    assert segments(message, "NTE") == [f"NTE|1||{noted}"]


def test_exported_text_is_noted_by_choice_when_a_value_was_converted() -> None:
    converted = number("temperature", "37.0", source_value=Decimal("98.6"), source_unit="[degF]")
    converted.text = "98.6"
    same = number("heart_rate", "72", source_value=Decimal(72), source_unit="/min")
    message = OruRenderer(mapping(keep_original=True)).message(item(converted, same))
    assert segments(message, "NTE") == ['NTE|1||Exported as "98.6" (degF).']
    assert segments(OruRenderer(mapping()).message(item(converted, same)), "NTE") == []


def test_recorded_quantity_without_value_is_a_fault_and_not_an_empty_record() -> None:
    with pytest.raises(ValueError, match="heart_rate has no value"):
        OruRenderer(mapping()).message(item(Reading("heart_rate", "72", Outcome.RECORDED, unit="/min")))


# ------------------------------------------------------------------------- site, method, device, operator


def test_site_stands_in_obx_20_from_2_6() -> None:
    obx = fields(
        OruRenderer(mapping({"version": "2.6"})).message(item(number("temperature", "37.0", site="oral"))), "OBX"
    )
    assert obx[3] == "8310-5^Body temperature^LN^188424^MDC_TEMP_ORAL^MDC"
    assert (obx[17], obx[20]) == ("", "74262004^Oral cavity structure^SCT")


def test_site_is_a_repetition_of_obx_17_in_2_5_1() -> None:
    renderer = OruRenderer(mapping())
    alone = fields(renderer.message(item(number("temperature", "37.0", site="oral"))), "OBX")
    assert (alone[17], alone[20]) == ("74262004^Oral cavity structure^SCT", "")
    both = fields(renderer.message(item(number("systolic", "128", site="left_arm", method="automatic"))), "OBX")
    method, site = both[17].split("~")
    assert method == "AMEAS^auto-measurement^MDC"
    assert site == "368208006^Left upper arm structure^SCT^LA^left arm^HL70163"
    method_only = fields(renderer.message(item(number("systolic", "128", method="automatic"))), "OBX")
    assert method_only[17] == method


@pytest.mark.parametrize("version", VERSIONS)
def test_every_site_and_method_of_the_vocabulary_has_something_to_say(version: str) -> None:
    renderer = OruRenderer(mapping({"version": version}))
    for vital in vitals().values():
        for site in vital.sites.values():
            obx = fields(renderer.message(item(number(vital.key, "1", site=site.key))), "OBX")
            said = obx[20] if version == "2.6" else obx[17]
            assert "~" not in said
            code = site.snomed.code if site.snomed else site.v2 or (site.loinc.code if site.loinc else "")
            assert said.split("^")[0] == code
            assert said.strip("^")
        for method in vital.methods.values():
            obx = fields(renderer.message(item(number(vital.key, "1", method=method.key))), "OBX")
            coding = method.v2 or method.snomed
            assert coding is None or obx[17].startswith(f"{coding.code}^{coding.display}^")


def test_each_observation_has_its_own_site_and_method() -> None:
    message = OruRenderer(mapping({"version": "2.6"})).message(
        item(
            number("systolic", "128", site="left_arm", method="automatic"),
            number("diastolic", "80", site="right_arm"),
            number("heart_rate", "72"),
            number("temperature", "37.0", site="oral"),
        )
    )
    rows = [fields(message, "OBX", position) for position in range(4)]
    assert [row[17].split("^")[0] for row in rows] == ["AMEAS", "", "", ""]
    assert [row[20].split("^")[0] for row in rows] == ["368208006", "368209003", "", "74262004"]


def test_site_without_any_code_is_said_in_words() -> None:
    assert oru._site(Site("x", "left & right", None, None, None, "")) == {"site_text": r"left \T\ right"}


def test_unknown_coding_system_is_a_fault() -> None:
    with pytest.raises(VocabularyError, match="no HL7 v2 name"):
        oru._triplets("code", Coding("http://example.org/codes", "1", "one"))


def test_device_and_operator_stand_in_every_observation() -> None:
    operator = Party("N17", "urn:oid:1.2.3", "", "EI")
    message = OruRenderer(mapping()).message(
        item(number("systolic", "128"), absent("spo2", "error"), device=DEVICE, operator=operator)
    )
    for position in range(2):
        obx = fields(message, "OBX", position)
        assert obx[16] == "N17^^^^^^^^&1.2.3&ISO^^^^EI"
        assert obx[18] == "MON-7^BIOMED"


@pytest.mark.parametrize(
    ("device", "expected"),
    [
        (Party("A^1", "", "BIO&MED"), r"A\S\1^BIO\T\MED"),
        (Party("A", "https://x.example/d"), "A^^https://x.example/d^URI"),
        (Party("A", "", "REG&0123456789ABCDEF&GUID"), "A^REG^0123456789ABCDEF^GUID"),
        (Party("A"), "A"),
    ],
)
def test_device_is_an_entity_identifier(device: Party, expected: str) -> None:
    assert fields(OruRenderer(mapping()).message(item(device=device)), "OBX")[18] == expected


# ------------------------------------------------------------------------------------------------ escapes

NASTY = "a|b^c~d\\e&f"
ESCAPED = r"a\F\b\S\c\R\d\E\e\T\f"


@pytest.mark.parametrize("version", VERSIONS)
def test_separators_are_escaped_wherever_text_comes_from_outside(version: str) -> None:
    party = Party(NASTY, "", NASTY, NASTY)
    one = item(
        number("heart_rate", "72"),
        absent("spo2", "error", NASTY),
        patient=party, device=party, operator=party, location=party, encounter=party, notes=(NASTY,),
    )  # fmt: skip
    message = OruRenderer(mapping({"version": version, "sending_facility": NASTY})).message(one)
    pid, obx, pv1 = fields(message, "PID"), fields(message, "OBX"), fields(message, "PV1")
    assert pid[3] == f"{ESCAPED}^^^{ESCAPED}^{ESCAPED}"
    assert fields(message, "MSH")[4] == ESCAPED
    assert fields(message, "NTE")[3] == fields(message, "NTE", 1)[3] == ESCAPED
    assert obx[16].startswith(ESCAPED + "^^^^^^^^")
    assert obx[18].startswith(ESCAPED + "^")
    assert pv1[3].startswith(ESCAPED + "^")
    assert pv1[19].startswith(ESCAPED + "^")


@pytest.mark.parametrize("end", ["\n", "\r", "\r\n", "\x0b", "\x0c", "\x85", "\u2028", "\u2029"])
def test_line_end_in_a_note_is_a_formatted_break(end: str) -> None:
    message = OruRenderer(mapping()).message(item(notes=(f"first{end}second{end}{end}",)))
    assert segments(message, "NTE") == [r"NTE|1||first\.br\second\.br\\.br" + "\\"]


@pytest.mark.parametrize(
    ("character", "expected"),
    [("\r", "0D"), ("\n", "0A"), ("\x0b", "0B"), ("\x1c", "1C"), ("\x00", "00"), ("\t", "09"), ("\u2028", "E280A8")],
)
def test_control_characters_in_an_identifier_are_hexadecimal(character: str, expected: str) -> None:
    message = OruRenderer(mapping()).message(item(patient=Party(f"1{character}2")))
    assert fields(message, "PID")[3] == f"1\\X{expected}\\2"


def test_frame_characters_never_leave_in_a_note() -> None:
    message = OruRenderer(mapping()).message(item(notes=("a\x1cb\x0bc\x00",)))
    assert not set(message) & {"\x0b", "\x1c", "\x00"}


def test_two_quotes_do_not_become_the_delete_command() -> None:
    message = OruRenderer(mapping()).message(item(patient=Party('""'), notes=('""', 'he said "" twice')))
    assert fields(message, "PID")[3] == r"\X2222" + "\\"
    assert [fields(message, "NTE", n)[3] for n in (0, 1)] == [r"\X2222" + "\\", 'he said "" twice']


# ------------------------------------------------------------------------------------------------ batches


def test_batch_counts_and_names() -> None:
    renderer = OruRenderer(mapping({"sending_facility": "NORTH"}), received="20260314100000+0100")
    messages = [renderer.message(item(number("heart_rate", str(n)))) for n in (70, 71, 72)]
    text = renderer.batch(messages, "7")
    rows = segments(text)
    assert [row[:3] for row in rows] == ["FHS", "BHS", *["MSH", "PID", "OBR", "OBX"] * 3, "BTS", "FTS"]
    assert rows[-2:] == ["BTS|3", "FTS|1"]
    for name in ("FHS", "BHS"):
        header = fields(text, name)
        assert header[2:5] == [r"^~\&", "SPOTCHECK", "NORTH"]
        assert (header[7], header[9]) == ("20260314100000+0100", "7")
        assert re.fullmatch(r"[0-9A-F]{20}", header[11])
    assert "".join(messages) in text


def test_batch_control_id_follows_its_messages_and_number() -> None:
    renderer = OruRenderer(mapping())
    first, second = (renderer.message(item(number("heart_rate", str(n)))) for n in (70, 71))

    def control(messages: list[str], number: str) -> str:
        return fields(renderer.batch(messages, number), "BHS")[11]

    assert control([first, second], "1") == control([first, second], "1")
    assert len({control([first, second], "1"), control([first], "1"), control([first, second], "2")}) == 3
    later = OruRenderer(mapping(), "20300101")
    resent = [later.message(item(number("heart_rate", str(n)))) for n in (70, 71)]
    assert fields(later.batch(resent, "1"), "BHS")[11] == control([first, second], "1")


def test_empty_batch_says_so() -> None:
    assert segments(OruRenderer(mapping()).batch([], "1"))[-2:] == ["BTS|0", "FTS|1"]


@pytest.mark.parametrize("version", VERSIONS)
def test_batch_is_read_by_another_library(version: str) -> None:
    renderer = OruRenderer(mapping({"version": version}))
    messages = [renderer.message(item(identity=f"{n:032x}", notes=("a\nb|",))) for n in range(5)]
    batches = hl7.parse_file(renderer.batch(messages, "1"))
    assert [str(message).rstrip("\r") for message in batches[0]] == [message.rstrip("\r") for message in messages]


# ------------------------------------------------------------------------------------------ shapes to check


def test_first_message_of_each_shape_is_offered_for_a_closer_look() -> None:
    renderer = OruRenderer(mapping())
    first = renderer.message(item(number("heart_rate", "70")))
    assert renderer.fresh == [first]
    renderer.message(item(number("heart_rate", "71"), patient=Party("9", "https://x.example/p", "WARD", "MR")))
    assert renderer.fresh == [first], "another value is no other shape"
    for more in (
        item(number("heart_rate", "71", comparator="<")),
        item(number("heart_rate", "71", flagged=True)),
        item(number("spo2", "97")),
        item(absent("spo2", "error")),
        item(number("temperature", "37.0", site="oral")),
        item(number("heart_rate", "71"), device=DEVICE),
        item(number("heart_rate", "71"), location=Party("W")),
        item(number("heart_rate", "71"), location=Party("W" * 30)),
        item(number("heart_rate", "71"), notes=("x",)),
        item(number("heart_rate", "71"), patient=Party("ä", "https://x.example/p", "WARD", "MR")),
    ):
        renderer.fresh = []
        message = renderer.message(more)
        assert renderer.fresh == [message]
        renderer.message(more)
        assert renderer.fresh == [message], "not offered twice"
