"""The v2 verifier: hand-typed good messages pass, each single fault is caught.

Structure and rules: HL7 v2.5.1 and v2.6 ORU^R01 with the OBX layout of IHE Devices; patients and values invented.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from importlib import import_module

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.verify import oru as verify_oru
from gateway.verify.oru import COMPONENTS, OruVerifier, deep_oru

IDENTITY = "3f1c9d0a7be24865a1d2c3b4e5f60718"
WHEN = "202603140930-0500"

GOOD = "\r".join(
    (
        rf"MSH|^~\&|SPOTCHECK|HILLSIDE|EHR||{WHEN}||ORU^R01^ORU_R01|0A1B2C3D4E5F60718293|P|2.5.1|||||",
        "PID|1||H0417^^^HILL^MR||^^^^^^U",
        "PV1|1|U|W3^^B4||||||||||||||||V9",
        f"ORC|RE||{IDENTITY}^SPOTCHECK",
        f"OBR|1||{IDENTITY}^SPOTCHECK|85353-1^Vital signs panel^LN|||{WHEN}||||||||||||||||||F",
        "OBX|1|NM|8480-6^Systolic blood pressure^LN^150021^MDC_PRESS_BLD_NONINV_SYS^MDC|1.1.1.1|188|mm[Hg]^mmHg^UCUM||"
        f"QUES|||F|||{WHEN}||N12|AMEAS^auto-measurement^MDC|SN7^^0102030405060708^EUI-64",
        "OBX|2|NM|8462-4^Diastolic blood pressure^LN^150022^MDC_PRESS_BLD_NONINV_DIA^MDC|1.1.1.2|80|mm[Hg]^mmHg^UCUM||"
        f"|||F|||{WHEN}||N12||SN7",
        f"OBX|3|SN|2708-6^Oxygen saturation^LN^150456^MDC_PULS_OXIM_SAT_O2^MDC|1.1.3.1|<^70|%^%^UCUM||<|||F|||{WHEN}",
        r"NTE|1||Low perfusion \T\ motion",
        f"OBX|4||8310-5^Body temperature^LN|1.1.4.1||Cel^Cel^UCUM||INV|||X|||{WHEN}",
        "NTE|1||NOSIG: probe off",
        f"OBX|5|CE|67775-7^Level of responsiveness^LN|1.1.9.1|248234008^Mentally alert^SCT||||||F|||{WHEN}",
        f"OBX|6|NM|9279-1^Respiratory rate^LN|1.1.5.1|18|/min^/min^UCUM|||||F|||{WHEN}",
        f"OBX|7|ST|START^How the measurement was started^L|1.1.1.5|started by hand||||||F|||{WHEN}",
        f"OBX|8|CE|8358-4^Cuff size^LN|1.1.1.6|720737000^Blood pressure cuff, adult size^SCT||||||F|||{WHEN}",
        "",
    )
)
NEWER = GOOD.replace("|2.5.1|", "|2.6|").replace("|CE|", "|CWE|")


def told(message: str, version: str = "2.5.1") -> list[str]:
    return [problem.what for problem in OruVerifier(version).messages([message])]


def test_good_messages_pass() -> None:
    assert told(GOOD) == []
    assert told(NEWER, "2.6") == []
    minimal = "\r".join(line for line in GOOD.split("\r") if line[:3] not in ("PV1", "ORC", "NTE"))
    assert told(minimal) == []
    assert told(re.sub(r"-0500", "", minimal).replace("202603140930", "20260314")) == []


@pytest.mark.parametrize("text", [GOOD, NEWER])
def test_hl7apy_reads_the_good_messages_too(text: str) -> None:
    assert deep_oru(text) == ""


def swap(old: str, new: str, count: int = 1) -> Callable[[str], str]:
    def change(message: str) -> str:
        assert old in message, old
        return message.replace(old, new, count)

    return change


def line(start: str, change: Callable[[str], str]) -> Callable[[str], str]:
    """Change the first segment that begins with `start`."""

    def changed(message: str) -> str:
        lines = message.split("\r")
        at = next(index for index, text in enumerate(lines) if text.startswith(start))
        lines[at] = change(lines[at])
        return "\r".join(lines)

    return changed


def field(start: str, number: int, text: str) -> Callable[[str], str]:
    def change(segment: str) -> str:
        fields = segment.split("|")
        at = number - 1 if start.startswith("MSH") else number
        fields += [""] * (at + 1 - len(fields))
        fields[at] = text
        return "|".join(fields)

    return line(start, change)


def without(start: str) -> Callable[[str], str]:
    def change(message: str) -> str:
        lines = message.split("\r")
        lines.remove(next(text for text in lines if text.startswith(start)))
        return "\r".join(lines)

    return change


def before(start: str, extra: str) -> Callable[[str], str]:
    return line(start, lambda segment: f"{extra}\r{segment}")


ORDERS = "not in the order"
FAULTS: list[tuple[str, Callable[[str], str], str]] = [
    ("no MSH", without("MSH"), ORDERS),
    ("no PID", without("PID"), ORDERS),
    ("no OBR", without("OBR"), ORDERS),
    ("PV1 before PID", lambda m: before("PID", "PV1|1|U")(without("PV1")(m)), ORDERS),
    ("ORC behind OBR", lambda m: before("OBX|1", "ORC|RE")(without("ORC")(m)), ORDERS),
    ("PID twice", before("PV1", "PID|1||H0417^^^HILL^MR||^^^^^^U"), ORDERS),
    ("unknown segment", before("OBX|1", "ZZZ|1"), "does not write: 'ZZZ'"),
    ("segment of another message", before("OBX|1", "SPM|1"), "does not write: 'SPM'"),
    ("no observation", lambda m: m[: m.index("OBX|1")], ORDERS),
    ("empty segment", swap("\rPV1", "\r\rPV1"), ""),
    ("line feeds", lambda m: m.replace("\r", "\r\n"), "carriage return"),
    ("last carriage return gone", lambda m: m[:-1], "carriage return"),
    ("NUL", swap("H0417", "H0\x00417"), "NUL"),
    ("control character", swap("Low perfusion", "Low\x0bperfusion"), "control"),
    ("MSH-2", field("MSH", 2, "^~\\&#"), "MSH-2"),
    ("MSH-7 missing", field("MSH", 7, ""), "MSH-7"),
    ("MSH-7 not a DTM", field("MSH", 7, "2026-03-14"), "MSH-7"),
    ("MSH-9 short", field("MSH", 9, "ORU^R01"), "MSH-9"),
    ("MSH-10 missing", field("MSH", 10, ""), "MSH-10"),
    ("MSH-10 too long", field("MSH", 10, "A" * 21), "MSH-10"),
    ("MSH-11 missing", field("MSH", 11, ""), "MSH-11"),
    ("MSH-11 unknown", field("MSH", 11, "Q"), "MSH-11"),
    ("MSH-12 of another version", field("MSH", 12, "2.6"), "MSH-12"),
    ("MSH-15 alone", field("MSH", 15, "AL"), "MSH-15"),
    ("MSH-18 unknown", field("MSH", 18, "UTF8"), "MSH-18"),
    ("not ASCII without MSH-18", swap("motion", "mötion"), "MSH-18"),
    ("not in the named set", lambda m: field("MSH", 18, "8859/1")(swap("motion", "motion €")(m)), "MSH-18"),
    ("field not in use", field("MSH", 8, "secret"), "MSH-8"),
    ("PID-3 missing", field("PID", 3, ""), "PID-3"),
    ("PID-3 without id", field("PID", 3, "^^^HILL^MR"), "PID-3"),
    ("PID-3 without type", field("PID", 3, "H0417^^^HILL"), "PID-3"),
    ("PID-5 missing", field("PID", 5, ""), "PID-5"),
    ("PID-3 null", field("PID", 3, '""'), "delete"),
    ("too many components", field("PID", 3, "^".join("a" * 12)), "components"),
    ("PV1-2 missing", field("PV1", 2, ""), "PV1-2"),
    ("PV1-2 unknown", field("PV1", 2, "X"), "PV1-2"),
    ("ORC-1 missing", field("ORC", 1, ""), "ORC-1"),
    ("ORC of another order", field("ORC", 3, "0" * 32 + "^SPOTCHECK"), "ORC-3"),
    ("OBR without number", lambda m: without("ORC")(field("OBR", 3, "")(m)), "OBR-3"),
    ("OBR-3 not an identity", lambda m: without("ORC")(field("OBR", 3, "17^SPOTCHECK")(m)), "OBR-3"),
    ("OBR-4 missing", field("OBR", 4, ""), "OBR-4"),
    ("OBR-4 without system", field("OBR", 4, "85353-1^Vital signs panel"), "OBR-4"),
    ("OBR-4 check digit", field("OBR", 4, "85353-2^Vital signs panel^LN"), "check digit"),
    (
        "OBR-4 with its second triplet alone",
        field("OBR", 4, "^^^85353-1^Vital signs panel^LN"),
        "first triplet is empty",
    ),
    (
        "OBX-17 with its second triplet alone",
        field("OBX|1", 17, "^^^AMEAS^auto-measurement^MDC"),
        "first triplet is empty",
    ),
    ("OBR-7 missing", field("OBR", 7, ""), "OBR-7"),
    ("OBR-7 without offset", field("OBR", 7, "202603140930"), "OBR-7"),
    ("OBR-25 missing", field("OBR", 25, ""), "OBR-25"),
    ("OBR-25 unknown", field("OBR", 25, "Q"), "OBR-25"),
    ("OBR-25 disagrees", field("OBR", 25, "P"), "OBR-25 and OBX-11"),
    ("OBX-1 missing", field("OBX|2", 1, ""), "OBX-1"),
    ("OBX-1 out of step", field("OBX|2", 1, "3"), "OBX-1"),
    ("OBX-2 missing", field("OBX|1", 2, ""), "OBX-2"),
    ("OBX-2 unknown", field("OBX|1", 2, "XX"), "OBX-2"),
    ("OBX-2 of the other version", field("OBX|5", 2, "CWE"), "OBX-2"),
    ("text for a number", field("OBX|1", 2, "ST"), "OBX-2"),
    ("OBX-3 missing", field("OBX|1", 3, ""), "OBX-3"),
    ("OBX-3 unknown code", field("OBX|1", 3, "2345-7^Glucose^LN"), "OBX-3"),
    ("OBX-3 check digit", field("OBX|1", 3, "8480-7^Systolic^LN"), "check digit"),
    ("OBX-3 LOINC misnamed", field("OBX|1", 3, "8480-6^Systolic^LOINC"), "OBX-3"),
    ("OBX-3 MDC of another vital", swap("150022", "150021"), "OBX-3"),
    ("OBX-3 without text", field("OBX|1", 3, "8480-6^^LN"), "belong together"),
    ("OBX-4 missing", field("OBX|1", 4, ""), "OBX-4"),
    ("OBX-4 twice", field("OBX|2", 4, "1.1.1.1"), "OBX-4"),
    ("OBX-4 of another form", field("OBX|1", 4, "A1"), "OBX-4"),
    ("OBX-5 missing", field("OBX|1", 5, ""), "OBX-2 and OBX-5"),
    ("OBX-5 not a number", field("OBX|1", 5, "abc"), "OBX-5"),
    ("OBX-5 decimal comma", field("OBX|1", 5, "36,5"), "OBX-5"),
    ("OBX-5 no leading digit", field("OBX|1", 5, ".5"), "OBX-5"),
    ("OBX-5 with unit", field("OBX|1", 5, "98%"), "OBX-5"),
    ("OBX-5 comparator in NM", field("OBX|1", 5, "<70"), "OBX-5"),
    ("OBX-5 too long", field("OBX|1", 5, "1" * 17), "OBX-5"),
    ("OBX-5 two values", field("OBX|1", 5, "120~80"), "OBX-5"),
    ("OBX-5 two components", field("OBX|1", 5, "120^80"), "OBX-5"),
    ("OBX-5 null", field("OBX|1", 5, '""'), "delete"),
    ("SN without number", field("OBX|3", 5, "<"), "OBX-5"),
    ("SN unknown comparator", field("OBX|3", 5, "!^70"), "OBX-5"),
    ("SN flag of the other side", field("OBX|3", 5, ">^70"), "off-scale"),
    ("SN without flag", field("OBX|3", 8, ""), "off-scale"),
    ("answer of another system", field("OBX|5", 5, "248234008^Mentally alert^L"), "published answer of this"),
    ("answer without system", field("OBX|5", 5, "248234008^Mentally alert"), "OBX-5"),
    ("answer as a number", lambda m: field("OBX|5", 5, "1")(field("OBX|5", 2, "NM")(m)), "OBX-2"),
    ("answer check digit", field("OBX|5", 5, "248234009^Mentally alert^SCT"), "SNOMED"),
    ("number as an answer", field("OBX|6", 2, "CE"), "OBX-2"),
    (
        "cuff of another question",
        field("OBX|8", 5, "33586001^Sitting position^SCT"),
        "published answer of LOINC 8358-4",
    ),
    ("cuff of another system", field("OBX|8", 5, "AD^adult^L"), "published answer"),
    (
        "mode with a code",
        lambda m: field("OBX|7", 5, "720737000^x^SCT")(field("OBX|7", 2, "CE")(m)),
        "How the measurement was started",
    ),
    ("cuff as a number", lambda m: field("OBX|8", 5, "12")(field("OBX|8", 2, "NM")(m)), "an answer or a text"),
    ("cuff with MDC", field("OBX|8", 3, "8358-4^Cuff size^LN^150021^MDC_X^MDC"), "stands alone"),
    ("mode with units", field("OBX|7", 6, "mm[Hg]^mmHg^UCUM"), "OBX-6"),
    ("mode without words", field("OBX|7", 5, ""), "OBX-5"),
    ("cuff twice", lambda m: field("OBX|7", 4, "1.1.1.6")(m), "OBX-4"),
    ("mode without a pressure", lambda m: without("OBX|1")(without("OBX|2")(m)), "there is none within the OBR"),
    ("OBX-6 missing", field("OBX|1", 6, ""), "OBX-6"),
    ("OBX-6 not UCUM", field("OBX|1", 6, "mmHg"), "OBX-6"),
    ("OBX-6 wrong unit", field("OBX|1", 6, "kPa^kPa^UCUM"), "OBX-6"),
    ("OBX-6 beats for breaths", field("OBX|6", 6, "/min^/min^UCUM^264864^MDC_DIM_BEAT_PER_MIN^MDC"), "OBX-6: MDC"),
    ("OBX-6 another MDC unit", field("OBX|1", 6, "mm[Hg]^mmHg^UCUM^265987^MDC_DIM_KILO_PASCAL^MDC"), "OBX-6: MDC"),
    ("OBX-6 swapped units", field("OBX|6", 6, "%^%^UCUM"), "OBX-6"),
    ("OBX-8 unknown flag", field("OBX|1", 8, "ODD"), "OBX-8"),
    ("value with a missing flag", field("OBX|1", 8, "INV"), "OBX-8"),
    ("no value, no flag", field("OBX|4", 8, ""), "OBX-8"),
    ("no value but final", field("OBX|4", 11, "F"), "OBX-11"),
    ("a value but X", field("OBX|1", 11, "X"), "OBX-11"),
    ("OBX-11 missing", field("OBX|1", 11, ""), "OBX-11"),
    ("OBX-11 unknown", field("OBX|1", 11, "Q"), "OBX-11"),
    ("OBX-14 missing", field("OBX|1", 14, ""), "OBX-14"),
    ("OBX-14 in FHIR form", field("OBX|1", 14, "2026-03-14T09:30:00-05:00"), "OBX-14"),
    ("OBX-14 without offset", field("OBX|6", 14, "202603140930"), "OBX-14"),
    ("OBX-14 31 February", field("OBX|6", 14, "20260231"), "does not exist"),
    ("OBX-14 hour 24", field("OBX|6", 14, "2026031424-0500"), "OBX-14"),
    ("OBX-20 in 2.5.1", field("OBX|1", 20, "LA^left arm^HL70163"), "OBX-20"),
    ("OBX-17 without system", field("OBX|1", 17, "AMEAS"), "OBX-17"),
    ("OBX-18 empty repetition", field("OBX|1", 18, "SN7~"), "OBX-18"),
    ("NTE without text", field("NTE", 3, ""), "NTE-3"),
    ("half an escape", swap(r"\T\ motion", r"\T motion"), "escape"),
    ("unknown escape", swap(r"\T\ motion", r"\Q\ motion"), "escape"),
    ("unescaped separator in a note", swap(r"\T\ motion", "^ motion"), "NTE-3"),
    ("unescaped ampersand in a note", swap(r"\T\ motion", "& motion"), "NTE-3"),
]


@pytest.mark.parametrize(("fault", "change", "says"), FAULTS, ids=[fault for fault, _, _ in FAULTS])
def test_each_single_fault_is_caught(fault: str, change: Callable[[str], str], says: str) -> None:
    problems = told(change(GOOD))
    assert problems, f"not caught: {fault}"
    assert any(says in what for what in problems), problems
    warm = OruVerifier("2.5.1")
    assert warm.messages([GOOD]) == []
    assert [problem.what for problem in warm.messages([change(GOOD)])] == problems


REPEATING = {"MSH-18", "MSH-21", "PID-3", "PID-5", "OBX-8", "OBX-16", "OBX-17", "OBX-18", "OBX-20", "NTE-3"}
"""Fields of HL7 v2.6, chapters 2, 3 and 7, that may repeat and that the gateway may fill with several."""


@pytest.mark.parametrize("segment", ["MSH", "PID", "PV1", "ORC", "OBR", "OBX|1", "OBX|5", "NTE"])
def test_a_field_repeats_where_the_standard_has_it_repeat(segment: str) -> None:
    text = field("OBX|1", 20, "LA^Left arm^HL70163")(NEWER)
    found = next(each for each in text.split("\r") if each.startswith(segment))
    fields = found.split("|")
    for at, content in enumerate(fields[1:], 1):
        number = at + (segment == "MSH")
        if content and number > 2:
            name = f"{segment[:3]}-{number}"
            said = told(field(segment, number, f"{content}~{content}")(text), "2.6")
            if name in REPEATING:
                assert said == []
            else:
                assert any(name in what for what in said), (name, said)


def test_a_method_that_no_code_stands_for_is_its_text() -> None:
    """A coded element with its text alone: v2+ CWE, where component 1 may be empty if 2 is not (from memory)."""
    assert told(field("OBX|1", 17, "^without contact")(GOOD)) == []
    assert told(field("OBX|1", 17, "^without contact^MDC")(GOOD)) != []
    assert told(field("OBX|1", 3, "^Systolic blood pressure")(GOOD)) != []


def test_a_second_triplet_may_be_left_out() -> None:
    assert told(field("OBR", 4, "85353-1^Vital signs panel^LN^^^")(GOOD)) == []


def test_site_belongs_to_the_newer_version() -> None:
    assert told(field("OBX|1", 20, "LA^Left arm^HL70163")(NEWER), "2.6") == []


def test_non_ascii_needs_its_character_set() -> None:
    message = swap("motion", "mötion")(GOOD)
    assert told(field("MSH", 18, "UNICODE UTF-8")(message)) == []
    assert told(field("MSH", 18, "8859/1")(message)) == []


def test_a_time_of_its_own_is_allowed() -> None:
    assert told(field("OBX|2", 14, "202603140931-0500")(GOOD)) == []


def test_the_time_is_only_cut_out_of_obx_14() -> None:
    """A value that happens to be written like the time of the set must not pass or fail as a time."""
    message = re.sub(r"-0500", "", without("ORC")(GOOD)).replace("202603140930", "20260314")
    assert told(message) == []
    assert told(field("OBX|6", 5, "20260314")(message)) == []
    assert told(field("OBX|6", 4, "20260314")(message)) == ["OBX-4: is not of four to six numbers with dots"]
    assert told(field("OBX|6", 14, "")(field("OBX|6", 12, "20260314")(message))) != []


def test_control_ids_and_fillers_are_unique() -> None:
    other = GOOD.replace("0A1B2C", "0A1B2D")
    problems = OruVerifier("2.5.1").messages([GOOD, other, GOOD.replace(IDENTITY, "0" * 32)])
    assert [(problem.index, problem.what) for problem in problems] == [
        (1, "OBR-3: stands here twice"),
        (2, "MSH-10: stands here twice"),
    ]


SECOND = GOOD.replace("0A1B2C", "0A1B2D").replace(IDENTITY, "91aa02c4d7e84f3bb6057c1e2d3f4a5b")
HEAD = rf"FHS|^~\&|SPOTCHECK|HILLSIDE|EHR||{WHEN}||B1|||" "\r"
BATCH = HEAD + HEAD.replace("FHS", "BHS") + GOOD + SECOND + "BTS|2\rFTS|1\r"


def test_good_batch_passes() -> None:
    assert OruVerifier("2.5.1").batch(BATCH) == []


@pytest.mark.parametrize(
    ("fault", "change", "says"),
    [
        ("count of messages", swap("BTS|2", "BTS|3"), "BTS-1"),
        ("no count of messages", swap("BTS|2", "BTS|"), "BTS-1"),
        ("count of batches", swap("FTS|1", "FTS|2"), "FTS-1"),
        ("no file header", lambda b: b[len(HEAD) :], "BHS"),
        ("no batch header", swap(HEAD.replace("FHS", "BHS"), ""), "MSH"),
        ("no batch trailer", swap("BTS|2\r", ""), "FTS"),
        ("no file trailer", swap("FTS|1\r", ""), "FTS"),
        ("two file trailers", swap("FTS|1\r", "FTS|1\rFTS|1\r"), "FTS"),
        (
            "message behind the batch",
            lambda b: b.replace("BTS|2\r", "").replace("FTS", "BTS|1\r" + GOOD + "FTS"),
            "MSH",
        ),
        ("loose segment", swap("BTS|2\r", "BTS|2\rNTE|1||x\r"), "outside"),
        ("line feeds", lambda b: b.replace("\r", "\n"), "carriage return"),
        ("empty", lambda _: "", "FTS"),
    ],
)
def test_batch_faults_are_caught(fault: str, change: Callable[[str], str], says: str) -> None:
    problems = OruVerifier("2.5.1").batch(change(BATCH))
    assert any(problem.index == -1 and says in problem.what for problem in problems), (fault, problems)


def test_messages_found_good_before_must_be_the_ones_in_the_file() -> None:
    inside = ["MSH" + part.split("BTS|")[0] for part in BATCH.split("MSH")[1:]]
    verifier = OruVerifier("2.5.1")
    assert verifier.messages(inside) == []
    assert verifier.batch(BATCH, inside) == []
    assert verifier.batch(BATCH.replace("|NM|", "|XX|", 1), inside) != []
    assert verifier.batch(BATCH, inside[:1]) == []


def test_a_fault_inside_a_batch_has_its_place() -> None:
    broken = BATCH[: len(HEAD) * 2 + len(GOOD)] + BATCH[len(HEAD) * 2 + len(GOOD) :].replace("|18|/min^", "|18|%^", 1)
    assert [problem.index for problem in OruVerifier("2.5.1").batch(broken)] == [1]


@given(st.integers(0, len(GOOD)), st.integers(0, 5), st.text(max_size=4))
@settings(max_examples=200, deadline=None)
def test_no_text_makes_it_raise_or_quote(at: int, length: int, extra: str) -> None:
    message = GOOD[:at] + extra + GOOD[at + length :]
    said = " ".join(told(message)) + " ".join(problem.what for problem in OruVerifier("2.6").batch(message))
    assert "H0417" not in said
    assert "N12" not in said


def test_what_is_remembered_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(OruVerifier, "REMEMBERED", 20)
    verifier = OruVerifier("2.5.1")
    for number in range(200):
        message = GOOD.replace("H0417", f"P{number}").replace("|18|", f"|{number}|").replace("probe off", f"n{number}")
        assert verifier.messages([message]) == []
        assert max(len(verifier._segments), len(verifier._heads), len(verifier._tails), len(verifier._times)) <= 20


@pytest.mark.parametrize("version", ["2.5.1", "2.6"])
def test_the_field_table_is_that_of_the_standard(version: str) -> None:
    """Types, repetition and required fields against the tables of hl7apy 1.3.5 for each version."""
    from hl7apy import load_library
    from hl7apy.core import Field, Segment

    structure = load_library(version)
    for name, fields in verify_oru._table(version).items():
        segment = Segment(name, version=version)
        order = structure.get(name, "Segment")[1]
        for number, (kind, required, repeating) in fields.items():
            entry = next((item for item in order if item[0] == f"{name}_{number}"), None)
            assert entry is not None, f"{name}-{number} is not in {version}"
            low, high = entry[2]
            assert required or not low, f"{name}-{number} is required"
            assert not repeating or high != 1, f"{name}-{number} does not repeat"
            found = Field(f"{name}_{number}", version=version).datatype
            same = {found, {"TS": "DTM", "varies": "varies"}.get(found or "", found)}
            assert kind in same, f"{name}-{number} is {found}, not {kind}"
        assert segment.name == name


@pytest.mark.parametrize("version", ["v2_5_1", "v2_6"])
def test_component_counts_are_those_of_the_standard(version: str) -> None:
    """Against the data types of hl7apy 1.3.5; CE left the standard's tables when CWE took its place."""
    table = import_module(f"hl7apy.{version}.datatypes").DATATYPES_STRUCTS
    counted = {kind: len(table[kind]) for kind in COMPONENTS if kind in table}
    assert counted == {kind: COMPONENTS[kind] for kind in counted}
    assert COMPONENTS.keys() - counted.keys() <= {"CE"}
