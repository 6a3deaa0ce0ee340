"""What becomes of a device's times, against the published decision table, and corrected times against zoneinfo.

Source of the table: HL7 Personal Health Device Implementation Guide, "Logic to Report Coincident Timestamps" in
input/intro-notes/StructureDefinition-PhdCoincidentTimestampObservation-notes.md (github HL7/phd@2da199b, read
2026; https://build.fhir.org/ig/HL7/phd). Its cases by the marks of the guide:

    no timestamp in the measurement                     time of reception
    older time line, not externally synchronised        no meaningful timestamp: not reported
    current time line, gateway better synchronised      shifted by the difference
    current time line, not externally synchronised      shifted by the difference

None of the forms of export says that a clock is externally synchronised, so a clock is never taken to be. Where the
guide takes the time of reception for a measurement without a timestamp, the gateway holds it: an export is received
hours after a measurement, a personal device's message at once.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.mapping.model import Clock, Time
from gateway.normalise.clocks import ClockReader, Dump
from tests.conversion.conversion_kit import WIDE, WIDE_HEADER, Fact, fhir_facts, findings, observations, resources, run

CLOCK = """
[time.clock]
columns = ["Shown"]
reference = "columns"
reference_columns = ["True"]
policy = "correct"
limit_minutes = 1440
order = "oldest-first"

[patient]"""


@pytest.mark.parametrize(
    ("case", "times", "recorded", "held_by"),
    [
        ("current time line", ["2026-03-14 09:30"], ["2026-03-14T09:36:00-05:00"], set()),
        ("older time line", ["2026-03-14 11:30", "2026-03-14 09:30"], ["2026-03-14T09:36:00-05:00"],
         {"clock-reset-since"}),
        ("older time line alone", ["2026-03-14 11:30"], [], {"clock-reset-since"}),
        ("no timestamp", [""], [], {"time-missing"}),
    ],
)  # fmt: skip
def test_decision_table(tmp_path: Path, case: str, times: list[str], recorded: list[str], held_by: set[str]) -> None:
    """The guide's example: the device is found to be six minutes behind, so six minutes are added to its times."""
    rows = [f"{text},P-{at},M1,,,64,,,,2026-03-14 09:54,2026-03-14 10:00" for at, text in enumerate(times)]
    export = tmp_path / "list.csv"
    export.write_text("\n".join([f"{WIDE_HEADER},Shown,True", *rows, ""]), encoding="utf-8")
    run(tmp_path, [export], WIDE.replace("[patient]", CLOCK), verify="full")
    out = tmp_path / "out"
    vital_signs = [each for each in observations(out) if "category" in each]
    assert [each["effectiveDateTime"] for each in vital_signs] == recorded, case
    assert {row["rule"] for row in findings(out)} == held_by


def test_the_pair_is_kept_as_the_guide_has_it(tmp_path: Path) -> None:
    """Source: github HL7/phd StructureDefinition.PhdCoincidentTimeStampObservation.fsh, and the page named above.

    subject: the device; effectiveDateTime: the gateway's time; valueDateTime: the device's, with the gateway's offset;
    status: final; code: MDC 67975 for a wall clock without an offset; no derivedFrom, hasMember, specimen, focus.
    StructureDefinition.CoincidentTimeStampReference.fsh: the extension by which a measurement refers to it.
    """
    export = tmp_path / "list.csv"
    row = "2026-03-14 09:30,P-1,M1,,,64,,,,2026-03-14 09:54,2026-03-14 10:00"
    export.write_text(f"{WIDE_HEADER},Shown,True\n{row}\n", encoding="utf-8")
    run(tmp_path, [export], WIDE.replace("[patient]", CLOCK), bundle="ndjson")
    found = {each["id"]: each for each in resources(tmp_path / "out")}
    (clock,) = [each for each in found.values() if "valueDateTime" in each]
    (pulse,) = [each for each in found.values() if "valueQuantity" in each]
    (provenance,) = [each for each in found.values() if each["resourceType"] == "Provenance"]
    assert clock["status"] == "final"
    assert [(each["system"], each["code"]) for each in clock["code"]["coding"]] == [
        ("urn:iso:std:iso:11073:10101", "67975")
    ]
    assert found[clock["subject"]["reference"].partition("/")[2]]["resourceType"] == "Device"
    assert (clock["effectiveDateTime"], clock["valueDateTime"]) == (
        "2026-03-14T10:00:00-05:00",
        "2026-03-14T09:54:00-05:00",
    )
    assert clock.keys().isdisjoint({"derivedFrom", "hasMember", "specimen", "focus"})
    reference = {"reference": f"Observation/{clock['id']}"}
    assert pulse["extension"] == [
        {
            "url": "http://hl7.org/fhir/uv/phd/StructureDefinition/CoincidentTimeStampReference",
            "valueReference": reference,
        }
    ]
    assert {"role": "source", "what": reference} in provenance["entity"]
    assert [fact.time for fact in fhir_facts_of(tmp_path / "out")] == ["2026-03-14T09:36:00-05:00"]


def fhir_facts_of(out: Path) -> list[Fact]:
    """The values of vital signs; the record of the device's time has none and would not be found by its device."""
    (out / "fhir" / "device-times.ndjson").unlink()
    return fhir_facts(out)


SPRING, AUTUMN = datetime(2026, 3, 8, 8, tzinfo=UTC), datetime(2026, 11, 1, 7, tzinfo=UTC)
"""Changes in America/Chicago: the second Sunday of March and the first of November, 02:00 (15 U.S.C. 260a)."""


@given(
    at=st.integers(0, 525_599).map(lambda minutes: datetime(2026, 1, 1, 6, tzinfo=UTC) + timedelta(minutes=minutes)),
    offset=st.integers(-86_399, 86_399),
    later=st.integers(0, 60),
)
def test_corrected_times_against_zoneinfo(at: datetime, offset: int, later: int) -> None:
    """A list sent some minutes after a reading, by a clock that is off: zoneinfo says what its local times are."""
    zone = ZoneInfo("America/Chicago")
    dump = at + timedelta(minutes=later)
    off = timedelta(seconds=offset)
    shown = [(instant + off).astimezone(zone) for instant in (at, dump)]
    clock = Clock(
        columns=["c"], reference="given", policy="correct", limit_minutes=1440, order="oldest-first",
        formats=["%Y-%m-%d %H:%M:%S"],
    )  # fmt: skip
    time = Time(columns=["t"], formats=["%Y-%m-%d %H:%M:%S"], zone="America/Chicago", clock=clock)
    reader = ClockReader(time, None, dump)
    texts = [each.strftime("%Y-%m-%d %H:%M:%S") for each in shown]
    moment = reader.settle(reader.times.read(texts[0]), reader.compare(Dump("M1", texts[1], "")))
    # What the clock showed happened twice, or clocks changed between the two: nothing can be said.
    if any(each.fold or each.replace(fold=1).utcoffset() != each.utcoffset() for each in shown):
        assert not moment.fhir
    elif offset and not -1 < offset < 60 and shown[0].utcoffset() != shown[1].utcoffset():
        assert [noticed.rule for noticed in moment.noticed] == ["clock-change-between"]
    else:
        # The time of sending is stated to the minute: a clock ahead by less than that is in step.
        expected = at + off if -1 < offset < 60 else at
        assert moment.fhir == expected.astimezone(zone).isoformat()
        assert moment.own is not None
        assert moment.own.fhir == shown[0].isoformat()


def test_the_changes_fall_into_the_year_tried() -> None:
    zone = ZoneInfo("America/Chicago")
    for change in (SPRING, AUTUMN):
        before, after = (change + timedelta(seconds=step) for step in (-1, 1))
        assert before.astimezone(zone).utcoffset() != after.astimezone(zone).utcoffset()
