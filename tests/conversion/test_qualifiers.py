"""What is said of a measurement beside its value: mode, cuff, position, method, signal quality; and of its time."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from gateway.conversion import convert
from gateway.inspection.preview import preview
from tests.conversion.conversion_kit import (
    LONG,
    LONG_HEADER,
    REPOSITORY,
    WIDE,
    WIDE_HEADER,
    findings,
    observations,
    oru_messages,
    run,
)
from tests.conversion.test_serial import RECEIVED

MODE = 'values = { "M" = "manual", "A" = "automatic", "R" = "rapid-repeat" }'
CUFF = 'values = { "AD" = "adult", "LG" = "large_adult", "N3" = "neonate_3" }'
QUALIFIED = (
    WIDE.replace('fixed = "adult"', 'column = "Group"\nvalues = { "A" = "adult", "N" = "neonate" }')
    .replace(
        'column = "SpO2"\nunit = "%"',
        'column = "SpO2"\nunit = "%"\n'
        'quality = { column = "Signal", values = { "4" = "good", "1" = "questionable", "0" = "invalid" } }',
    )
    .replace(
        'column = "Sys"\nunit = "mmHg"',
        'column = "Sys"\nunit = "mmHg"\n'
        'method = { column = "How", values = { "O" = "oscillometric", "A" = "auscultation" } }',
    )
    + f'\n[mode]\ncolumn = "Start"\n{MODE}\n\n[cuff]\ncolumn = "Cuff"\n{CUFF}\n\n[position]\nfixed = "sitting"\n'
)
HEADER = "When,Who,On,Group,Sys,Dia,HR,SpO2,Temp,Weight,Start,Cuff,How,Signal"
GOOD = "2026-03-14 09:30,P-0007,M1,A,121,79,64,97,36.8,71.4,A,AD,O,4"


def converted(tmp_path: Path, *rows: str, mapping: str = QUALIFIED, header: str = HEADER, **options: Any) -> Path:
    """The result of a small export."""
    (tmp_path / "a.csv").write_text("\n".join([header, *rows, ""]), encoding="utf-8")
    batch = run(tmp_path, [tmp_path / "a.csv"], mapping, as_="both", bundle="ndjson", **options)
    assert batch.report.reckoning.readings.adds_up
    assert batch.report.reckoning.lines.adds_up
    return tmp_path / "out"


def pressure(folder: Path) -> dict[str, Any]:
    (record,) = [each for each in observations(folder) if each["code"]["coding"][0]["code"] == "85354-9"]
    return record


STARTED = "How the measurement was started"
"""No code is published for it; 8357-6, Blood pressure method, asks for the technique."""


def asked(part: dict[str, Any]) -> str:
    """The first code of a component, or its text where no code is published."""
    return str(part["code"]["coding"][0]["code"] if "coding" in part["code"] else part["code"]["text"])


def beside(record: dict[str, Any]) -> dict[str, Any]:
    """LOINC -> answer of the components that are no pressures."""
    return {asked(part): part["valueCodeableConcept"] for part in record["component"] if "valueCodeableConcept" in part}


def segments(folder: Path) -> dict[str, list[str]]:
    """LOINC -> fields of the OBX of the only message."""
    (message,) = oru_messages(folder)
    return {str(segment[3][0][0]): [str(each) for each in segment] for segment in message.segments("OBX")}


def told(folder: Path, *without: str) -> list[tuple[str, str, str, str]]:
    return [
        (row["rule"], row["effect"], row["column"], row["vital"])
        for row in findings(folder)
        if row["rule"] not in without
    ]


def test_mode_cuff_and_position_are_components_and_segments_of_their_own(tmp_path: Path) -> None:
    out = converted(tmp_path, GOOD)
    assert told(out) == []
    record = pressure(out)
    assert [asked(part) for part in record["component"]] == [
        "8480-6", "8462-4", STARTED, "8358-4", "8361-8",
    ]  # fmt: skip
    snomed = "http://snomed.info/sct"
    assert beside(record) == {
        # No code is published for what started a measurement: text, never a code made up.
        STARTED: {"text": "automatic measurement, started by the monitor at its interval"},
        "8358-4": {
            "coding": [{"system": snomed, "code": "720737000", "display": "Blood pressure cuff, adult size"}],
            "text": "adult cuff",
        },
        "8361-8": {
            "coding": [{"system": snomed, "code": "33586001", "display": "Sitting position"}],
            "text": "sitting",
        },
    }
    assert record["method"]["coding"][0]["code"] == "31813000"
    obx = segments(out)
    assert obx["START"][2:6] == [
        "ST", "START^How the measurement was started^L", "1.1.1.5",
        "automatic measurement, started by the monitor at its interval",
    ]  # fmt: skip
    assert obx["8358-4"][2:6] == [
        "CE", "8358-4^Blood pressure device Cuff size^LN", "1.1.1.6",
        "720737000^Blood pressure cuff, adult size^SCT",
    ]  # fmt: skip
    assert obx["8361-8"][2] == "CE"
    assert obx["8361-8"][5] == "33586001^Sitting position^SCT"
    assert obx["8480-6"][17] == "31813000^Vascular oscillometry^SCT"
    assert [fields[1] for fields in obx.values()] == [str(number) for number in range(1, len(obx) + 1)]
    for code in ("START", "8358-4", "8361-8"):
        assert (obx[code][11], obx[code][14], obx[code][17]) == ("R", "202603140930-0500", "")


@pytest.mark.parametrize("mode", [("M", "single measurement, started by hand"), ("R", "one of a rapid series")])
def test_each_mode_in_its_own_words(tmp_path: Path, mode: tuple[str, str]) -> None:
    out = converted(tmp_path, GOOD.replace(",A,AD,", f",{mode[0]},LG,"))
    assert beside(pressure(out))[STARTED]["text"].startswith(mode[1])
    assert beside(pressure(out))["8358-4"] == {"text": "large adult cuff"}
    assert segments(out)["8358-4"][2:6:3] == ["ST", "large adult cuff"]
    assert "AMEAS" not in str(segments(out))
    assert "MMEAS" not in str(segments(out))


def test_an_undeclared_text_is_left_out_and_told_once(tmp_path: Path) -> None:
    out = converted(tmp_path, GOOD.replace(",A,AD,", ",X,XL,"))
    assert told(out) == [("undeclared-qualifier", "note", column, "") for column in ("Start", "Cuff")]
    assert set(beside(pressure(out))) == {"8361-8"}
    assert not {"START", "8358-4"} & set(segments(out))


@pytest.mark.parametrize(("effect", "pressures", "mark"), [("hold", 0, 0), ("flag", 1, 2), ("note", 1, 0)])
def test_a_site_may_choose_that_it_holds(tmp_path: Path, effect: str, pressures: int, mark: int) -> None:
    mapping = QUALIFIED + f'\n[rules]\nundeclared-qualifier = "{effect}"\n'
    out = converted(tmp_path, GOOD.replace(",AD,", ",XL,"), mapping=mapping)
    records = [each for each in observations(out) if each["code"]["coding"][0]["code"] == "85354-9"]
    assert len(records) == pressures
    assert sum("interpretation" in part for each in records for part in each["component"]) == mark
    assert tuple(
        str(each["valueQuantity"]["value"])
        for each in observations(out)
        if each["code"]["coding"][0]["code"] in ("8867-4", "2708-6")
    ) == ("64", "97")


def test_blank_cells_say_nothing(tmp_path: Path) -> None:
    out = converted(tmp_path, "2026-03-14 09:30,P-0007,M1,A,121,79,64,97,36.8,71.4,, ,,")
    assert told(out) == []
    assert set(beside(pressure(out))) == {"8361-8"}
    assert "method" not in pressure(out)
    assert "QUES" not in str(segments(out))


def test_without_a_pressure_there_is_nothing_to_say(tmp_path: Path) -> None:
    out = converted(tmp_path, "2026-03-14 09:30,P-0007,M1,A,,,64,97,36.8,71.4,X,XL,O,4")
    assert told(out) == []
    assert not {"START", "8358-4", "8361-8"} & set(segments(out))
    assert all("component" not in each for each in observations(out))


@pytest.mark.parametrize(
    ("group", "cuff", "speaks"), [("A", "N3", True), ("N", "AD", True), ("A", "LG", False), ("N", "N3", False)]
)
def test_a_cuff_that_is_not_made_for_the_patient(tmp_path: Path, group: str, cuff: str, speaks: bool) -> None:
    row = GOOD.replace("M1,A,", f"M1,{group},").replace(",AD,", f",{cuff},").replace("121,79,64", "70,40,140")
    out = converted(tmp_path, row.replace("71.4", "3.4"))
    own = [row for row in told(out) if row[0] == "cuff-not-for-category"]
    assert own == ([("cuff-not-for-category", "note", "Cuff", "")] if speaks else [])
    assert "8358-4" in beside(pressure(out))


def test_a_doubted_value_is_recorded_and_marked(tmp_path: Path) -> None:
    out = converted(tmp_path, GOOD[:-1] + "1")
    assert told(out) == [("signal-quality-poor", "flag", "SpO2", "spo2")]
    (spo2,) = [each for each in observations(out) if each["code"]["coding"][0]["code"] == "2708-6"]
    (mark,) = spo2["interpretation"]
    assert mark["coding"][0] == {
        "system": "http://hl7.org/fhir/uv/pocd/CodeSystem/measurement-status",
        "code": "questionable",
        "display": "Questionable",
    }
    assert segments(out)["2708-6"][5:12:3] == ["97", "QUES", "R"]
    assert segments(out)["8867-4"][8] == ""


def test_an_invalid_value_is_absent(tmp_path: Path) -> None:
    mapping = QUALIFIED + '\n[output]\nfailed = "record"\n'
    out = converted(tmp_path, GOOD[:-1] + "0", mapping=mapping)
    assert told(out) == [("absent-declared", "note", "SpO2", "spo2")]
    (spo2,) = [each for each in observations(out) if each["code"]["coding"][0]["code"] == "2708-6"]
    assert "valueQuantity" not in spo2
    assert spo2["dataAbsentReason"]["coding"][0]["code"] == "error"
    assert segments(out)["2708-6"][2:12:3] == ["", "", "INV", "X"]


@pytest.mark.parametrize(("row", "rule"), [(GOOD[:-1] + "7", "quality"), (GOOD.replace(",O,", ",P,"), "method")])
def test_undeclared_quality_and_method_are_held(tmp_path: Path, row: str, rule: str) -> None:
    out = converted(tmp_path, row)
    assert f"undeclared-{rule}" in {each[0] for each in told(out)}
    loinc = {"quality": "2708-6", "method": "85354-9"}[rule]
    assert loinc not in {each["code"]["coding"][0]["code"] for each in observations(out)}


def test_the_long_layout_reads_them_from_the_rows(tmp_path: Path) -> None:
    mapping = LONG + f'\n[mode]\ncolumn = "Start"\n{MODE}\n'
    rows = [
        "2026-03-14 09:30;P-0007;M1;Sys;121;mmHg;M",
        "2026-03-14 09:30;P-0007;M1;Dia;79;mmHg;M",
        "2026-03-14 09:30;P-0007;M1;HR;64;/min;?",
    ]
    out = converted(tmp_path, *rows, mapping=mapping, header="When;Who;On;What;Value;Unit;Start")
    assert told(out) == []
    assert list(beside(pressure(out))) == [STARTED]
    assert len(oru_messages(out)) == 1


def test_another_mode_is_another_content(tmp_path: Path) -> None:
    out = converted(tmp_path, GOOD, GOOD.replace(",A,AD,", ",R,AD,"))
    assert told(out) == [("same-identity-other-content", "hold", "", "")]


HEADED = (REPOSITORY / "mappings" / "framed-example.toml").read_text("utf-8")


@pytest.mark.parametrize(("text", "outcome"), [("NEO", "hold"), ("CHILD", ""), ("ADULT", "hold"), ("OTHER", "")])
def test_the_mode_in_the_heading_of_a_serial_list_chooses_the_limits(tmp_path: Path, text: str, outcome: str) -> None:
    """One pulse, four categories: too slow for the neonate's own band, fit for the child's, too fast for the adult's.

    The limits are the mapping's own, so that the test does not hang on the proposal.
    """
    limits = "".join(
        f"\n[plausibility.limits.{name}]\npulse_oximeter = {{ hold = {band} }}\n"
        for name, band in (("neonate", "[150, 220]"), ("child", "[100, 160]"), ("adult", "[30, 120]"))
    )
    (tmp_path / "m.toml").write_text(HEADED + limits, "utf-8")

    def frame(number: int, record: str) -> bytes:
        body = f"{number}{record}\r".encode() + b"\x03"
        return b"\x02" + body + f"{sum(body) % 256:02X}".encode() + b"\r\n"

    record = "R|17|00482913|2026-03-14 09:30:10|||93|130|98|36.9||||"
    (tmp_path / "a.cap").write_bytes(frame(1, f"H|SC-1042|2026-03-14 11:05:30|{text}") + frame(2, record))
    convert([tmp_path / "a.cap"], tmp_path / "m.toml", tmp_path / "out", received=RECEIVED)
    held = [row for row in findings(tmp_path / "out") if row["rule"] == "outside-hold-limits"]
    assert [row["effect"] for row in held] == ([outcome] if outcome else [])
    assert ("undeclared-category" in {row["rule"] for row in findings(tmp_path / "out")}) == (text == "OTHER")


LIST = ["SPOT CHECK LIST   UNIT SC-1042", "SENT 2026-03-14 11:05", "MODE ADULT", "#17  ID 00482913    A0095",
        "     BP 128/76 (93)   HR 72"]  # fmt: skip


def test_an_age_says_to_what_its_time_is_known(tmp_path: Path) -> None:
    (tmp_path / "a.txt").write_text("\n".join([*LIST, ""]), "utf-8")
    mapping = REPOSITORY / "mappings" / "listing-example.toml"
    convert([tmp_path / "a.txt"], mapping, tmp_path / "out", as_="both", bundle="ndjson", received=RECEIVED)
    words = "Time known to within 1 minute: stamped as an age."
    records = observations(tmp_path / "out")
    assert records
    for record in records:
        assert record["note"] == [{"text": words}]
        assert record["effectiveDateTime"] == "2026-03-14T09:30:00-04:00"
    (message,) = oru_messages(tmp_path / "out")
    assert [str(note[3]) for note in message.segments("NTE")] == [words]
    assert str(message.segment("OBR")[7]) == "202603140930-0400"
    shown = preview(mapping, tmp_path / "a.txt", received=RECEIVED)
    assert "time 2026-03-14T09:30:00-04:00, known to within 1 minute" in "\n".join(shown)


def test_a_time_of_the_day_says_nothing_of_the_kind(tmp_path: Path) -> None:
    out = converted(tmp_path, GOOD)
    assert all("note" not in each for each in observations(out))


POSITION = WIDE + '\n[position]\ncolumn = "Pos"\nvalues = { ST = "standing", SI = "sitting" }\n'


def positions(folder: Path, *rows: str) -> list[tuple[int, str, str]]:
    """Converts rows of the kit's wide export with a position behind; what is said of positions that are lost."""
    (folder / "p.csv").write_text("\n".join([f"{WIDE_HEADER},Pos", *rows]) + "\n", encoding="utf-8")
    run(folder, [folder / "p.csv"], POSITION)
    return [
        (int(row["line"]), row["column"], row["message"])
        for row in findings(folder / "out")
        if row["rule"] == "qualifier-not-carried"
    ]


def test_a_position_that_no_record_states_is_told(tmp_path: Path) -> None:
    lost = "the body position (standing) is in no record: only those of blood pressures have a place for it"
    assert positions(
        tmp_path,
        "2026-03-14 09:30,P-0007,M1,,,98,,,,ST",  # a pulse alone
        "2026-03-14 09:31,P-0007,M1,121,79,98,,,,ST",  # its pressure says it
        "2026-03-14 09:32,P-0007,M1,121,x,98,,,,ST",  # its pressure is held
        "2026-03-14 09:33,P-0007,M1,,,98,,,,",
        "2026-03-14 09:34,P-0007,M1,,,x,,,,ST",  # nothing is recorded
    ) == [(2, "Pos", lost), (4, "Pos", lost)]


def test_a_position_in_the_row_of_a_pulse_is_told_where_the_pressure_has_another(tmp_path: Path) -> None:
    rows = [f"2026-03-14 09:30;P-0007;M1;{rest}" for rest in ("Sys;121;mmHg;SI", "Dia;79;mmHg;SI", "HR;98;/min;ST")]
    (tmp_path / "p.csv").write_text("\n".join([f"{LONG_HEADER};Pos", *rows]) + "\n", encoding="utf-8")
    run(tmp_path, [tmp_path / "p.csv"], LONG + POSITION[len(WIDE) :])
    assert [row["message"][:28] for row in findings(tmp_path / "out")] == ["the body position (standing)"]
