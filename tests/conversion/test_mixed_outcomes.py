"""Sets of which one part is recorded and another is not, and what a run does beside the first of several things."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from fhir.resources.R4B.observation import Observation
from pydantic import ValidationError

from gateway.conversion.batch import Batch
from gateway.errors import MappingError, OutputError
from gateway.ledger import Hold, HoldFilter, Ledger, SetFilter, open_ledger
from gateway.model import Outcome
from gateway.verify.fhir import FhirVerifier, Problem
from tests.conversion.conversion_kit import WIDE, WIDE_HEADER, fhir_facts, findings, observations, retract, run, written

ACCEPT = WIDE.replace('version = "1"', 'version = "1"\ncorrections = "accept"')
PANEL = ACCEPT + "\n[output.fhir]\npanel = true\n"


def export(tmp: Path, name: str, *rows: str, header: str = WIDE_HEADER) -> Path:
    path = tmp / name
    path.write_text("\n".join([header, *rows, ""]))
    return path


def row(values: str, at: str = "09:30", device: str = "M1") -> str:
    """A row of the kit's mapping; values of Sys, Dia, HR, SpO2, Temp and Weight."""
    return f"2026-03-14 {at},P-0007,{device},{values}"


def convert(tmp: Path, out: str, *rows: str, mapping: str = WIDE, **options: Any) -> Batch:
    """Convert rows into the ledger of the test; without rows only what is held is looked at."""
    exports = [export(tmp, f"{out}.csv", *rows)] if rows else []
    return run(tmp, exports, mapping, out, ledger=tmp / "ledger.db", **options)


def outcomes(batch: Batch) -> dict[str, int]:
    every = batch.report.reckoning.readings.all
    return {each.value: getattr(every, each.value) for each in Outcome if getattr(every, each.value)}


def holds(tmp: Path, state: str | None = "open") -> list[Hold]:
    with open_ledger(tmp / "ledger.db", readonly=True) as ledger:
        return ledger.holds(HoldFilter(state=state))


def facts(tmp: Path, out: str) -> dict[str, str]:
    return {fact.vital: fact.value for fact in fhir_facts(tmp / out)}


def rules(tmp: Path, out: str) -> list[tuple[str, int]]:
    return sorted((each["rule"], int(each["line"])) for each in findings(tmp / out))


class TestRevisions:
    """A set that an earlier run recorded comes again and says more, less or something else."""

    def test_a_set_panel_is_not_written_anew_from_some_of_its_members(self, tmp_path: Path) -> None:
        """The export does not have the weight any more: a panel written now would lose it."""
        convert(tmp_path, "one", row("121,79,64,97,36.8,71.4"), mapping=PANEL)
        batch = convert(tmp_path, "two", row("121,79,64,97,38.6,"), mapping=PANEL)
        assert outcomes(batch) == {"repeat": 4, "held": 1}
        assert not written(tmp_path / "two")
        (hold,) = holds(tmp_path)
        assert (hold.vitals, hold.reasons) == ("temperature", "same-identity-other-content")

    def test_nor_when_it_only_adds(self, tmp_path: Path) -> None:
        convert(tmp_path, "one", row("121,79,64,,,71.4"), mapping=PANEL)
        batch = convert(tmp_path, "two", row("121,79,64,97,,"), mapping=PANEL)
        assert outcomes(batch) == {"repeat": 3, "held": 1}
        assert not written(tmp_path / "two")

    def test_with_all_its_members_it_is(self, tmp_path: Path) -> None:
        convert(tmp_path, "one", row("121,79,64,97,36.8,71.4"), mapping=PANEL)
        batch = convert(tmp_path, "two", row("121,79,64,97,38.6,71.4"), mapping=PANEL)
        assert outcomes(batch) == {"repeat": 5, "recorded": 1}
        assert facts(tmp_path, "two") == {"temperature": "38.6"}

    def test_what_stands_behind_a_held_value_is_refused_as_well(self, tmp_path: Path) -> None:
        """The pulse is out of its limits; what is other behind it must not count as recorded."""
        convert(tmp_path, "one", row("121,79,64,97,36.8,71.4"))
        batch = convert(tmp_path, "two", row("121,79,640,93,36.8,82.4"))
        assert outcomes(batch) == {"held": 3, "repeat": 3}
        assert not written(tmp_path / "two")
        (hold,) = holds(tmp_path)
        assert (hold.vitals, hold.readings) == ("heart_rate,spo2,weight", 3)

    def test_what_stands_behind_a_held_value_is_a_repeat(self, tmp_path: Path) -> None:
        convert(tmp_path, "one", row("121,79,,97,36.8,71.4"))
        batch = convert(tmp_path, "two", row("121,79,640,97,36.8,71.4"))
        assert outcomes(batch) == {"held": 1, "repeat": 5}

    def test_one_group_is_corrected_another_added_and_a_third_refused(self, tmp_path: Path) -> None:
        final = ACCEPT + '\n[output]\nstatus = "final"\n'
        convert(tmp_path, "one", row("121,79,64,,36.8,"), mapping=final)
        batch = convert(tmp_path, "two", row("131,,64,97,38.6,"), mapping=final)
        assert outcomes(batch) == {"held": 1, "repeat": 1, "recorded": 2}
        assert facts(tmp_path, "two") == {"spo2": "97", "temperature": "38.6"}
        status = {
            each["identifier"][0]["value"].split(".")[1]: each["status"] for each in observations(tmp_path / "two")
        }
        assert status == {"spo2": "final", "temperature": "corrected"}
        (hold,) = holds(tmp_path)
        assert hold.vitals == "systolic"

    def test_the_ledger_keeps_what_a_revision_does_not_name(self, tmp_path: Path) -> None:
        """A second export holds the saturation alone: the set of the first one stays known whole."""
        whole = row("121,79,64,,36.8,71.4")
        convert(tmp_path, "one", whole)
        assert outcomes(convert(tmp_path, "two", row(",,,97,,"))) == {"recorded": 1}
        with open_ledger(tmp_path / "ledger.db", readonly=True) as ledger:
            (known,) = ledger.sets(SetFilter())
        said = [part.partition("=")[0] for part in known.readings.split(";")]
        assert said == ["diastolic", "heart_rate", "spo2", "systolic", "temperature", "weight"]
        assert known.keys == "blood_pressure,heart_rate,spo2,temperature,weight"
        again = convert(tmp_path, "three", row("121,79,64,97,36.8,71.4"))
        assert outcomes(again) == {"repeat": 6}
        assert not written(tmp_path / "three")

    def test_after_a_retraction_the_ledger_knows_only_what_was_recorded_anew(self, tmp_path: Path) -> None:
        """What was taken back and not confirmed is not in the records any more, nor in the ledger's row."""
        convert(tmp_path, "one", row("121,79,64,97,36.8,71.4"))
        retract(tmp_path / "ledger.db", SetFilter(), tmp_path / "back", who="N. Ole", why="a test")
        with open_ledger(tmp_path / "ledger.db") as ledger:
            ledger.settle([each.id for each in ledger.holds(HoldFilter())], "discard", "", "N. Ole", "wrong",
                          at=datetime.now(UTC))  # fmt: skip
        assert outcomes(convert(tmp_path, "two", row("121,79,,,38.6,"))) == {"recorded": 3}
        with open_ledger(tmp_path / "ledger.db", readonly=True) as ledger:
            (known,) = ledger.sets(SetFilter())
        assert known.readings == "diastolic=79 mm[Hg];systolic=121 mm[Hg];temperature=38.6 Cel"

    @pytest.mark.parametrize(("second", "found"), [("38.6", {"recorded": 1, "repeat": 7}),
                                                   ("39.1", {"recorded": 1, "repeat": 3, "held": 4})])  # fmt: skip
    def test_two_corrections_of_one_set_in_a_batch(self, tmp_path: Path, second: str, found: dict[str, int]) -> None:
        """The first counts; the second says the same or is held, and never goes out beside it."""
        convert(tmp_path, "one", row("121,79,64,,36.8,"), mapping=ACCEPT)
        both = (row("121,79,64,,38.6,"), row(f"121,79,64,,{second},"))
        batch = convert(tmp_path, "two", *both, mapping=ACCEPT)
        assert outcomes(batch) == found
        assert [fact.value for fact in fhir_facts(tmp_path / "two")] == ["38.6"]


class TestHeld:
    def test_holds_behind_those_of_another_form_are_taken_up(self, tmp_path: Path) -> None:
        """The first export was a printed listing under the same title; what is held after it is still released."""
        listing = """
title = "A kit"
version = "1"
form = "listing"
namespace = "https://kit.example.org/readings"

[[listing.records]]
use = "header"
pattern = 'MONITOR (?P<device>\\S+)'

[[listing.records]]
use = "entry"
pattern = '(?P<when>\\d{4}-\\d\\d-\\d\\d \\d\\d:\\d\\d) +(?P<who>\\S+) +PR (?P<hr>\\S+)'

[time]
columns = ["when"]
formats = ["%Y-%m-%d %H:%M"]
zone = "America/Chicago"
past_days = "any"

[patient]
column = "who"
pattern = "any"
system = "https://kit.example.org/patients"

[device]
column = "device"
system = "https://kit.example.org/monitors"

[category]
fixed = "adult"

[vitals.heart_rate]
column = "hr"
unit = "/min"
"""
        printed = tmp_path / "printed.txt"
        printed.write_text("MONITOR M8\n2026-03-14 09:30 P-0007 PR slow\n")
        run(tmp_path, [printed], listing, "zero", ledger=tmp_path / "ledger.db")
        convert(tmp_path, "one", row("121,79,64,LOW,36.8,71.4"))
        assert [each.vitals for each in holds(tmp_path)] == ["heart_rate", "spo2"]
        batch = convert(tmp_path, "two", mapping=WIDE.replace('"--" =', '"LOW" = "error"\n"--" ='))
        assert [each.vitals for each in holds(tmp_path)] == ["heart_rate"]
        assert batch.report.batch.holds is not None
        assert (batch.report.batch.holds.taken_up, batch.report.batch.holds.open) == (1, 1)

    def test_holds_behind_those_of_other_columns_are_taken_up(self, tmp_path: Path) -> None:
        header = WIDE_HEADER.replace("SpO2", "Saturation")
        file = export(tmp_path, "zero.csv", row("121,79,64,LOW,36.8,71.4"), header=header)
        renamed = WIDE.replace('column = "SpO2"', 'column = "Saturation"')
        run(tmp_path, [file], renamed, "zero", ledger=tmp_path / "ledger.db")
        convert(tmp_path, "one", row("121,79,64,LOW,36.8,71.4", at="10:30"))
        convert(tmp_path, "two", mapping=WIDE.replace('"--" =', '"LOW" = "error"\n"--" ='))
        assert len(holds(tmp_path)) == 1
        convert(tmp_path, "three", mapping=renamed.replace('"--" =', '"LOW" = "error"\n"--" ='))
        assert holds(tmp_path) == []

    def test_broken_text_is_kept_and_taken_up_again(self, tmp_path: Path) -> None:
        """A line with bytes that are no text is kept as it is beside the sets that wait in its block."""
        file = tmp_path / "one.csv"
        lines = [WIDE_HEADER, row("121,79,64,LOW,36.8,71.4"), row("118,76,71,98,36.6,", at="09:45")]
        file.write_bytes("\n".join(lines).encode() + b"\n2026-03-14 10:00,P-\xe9\xff,M1,118,76,71,98,36.6,\n")
        convert_ = run(tmp_path, [file], WIDE, "one", ledger=tmp_path / "ledger.db")
        assert outcomes(convert_)["recorded"] == 10
        batch = convert(tmp_path, "two", mapping=WIDE.replace('"--" =', '"LOW" = "error"\n"--" ='))
        assert batch.report.batch.holds is not None
        assert batch.report.batch.holds.taken_up >= 1
        assert "spo2" not in [each.vitals for each in holds(tmp_path)]


class TestVerification:
    """The sets of a batch are verified together; one that fails is held, and it alone."""

    ROWS = (row(",,61,,,", at="09:30"), row(",,62,,,", at="09:40"), row(",,63,,,", at="09:50"))

    def expect(self, tmp_path: Path, out: str, held: int) -> None:
        left = {"61", "62", "63"} - {str(60 + held)}
        assert {fact.value for fact in fhir_facts(tmp_path / out)} == left
        assert rules(tmp_path, out) == [("record-failed-verification", held + 1)]

    @pytest.mark.parametrize("bundle", ["transaction", "ndjson"])
    @pytest.mark.parametrize("place", [1, 2, 3])
    def test_by_the_gateways_own_check(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, place: int, bundle: str
    ) -> None:
        found: Callable[..., list[Problem]] = FhirVerifier.bundle
        lines: Callable[..., list[Problem]] = FhirVerifier.resources

        def bad(texts: list[Any]) -> list[Problem]:
            values = [json.loads(each) if isinstance(each, bytes) else each["resource"] for each in texts]
            pulses = [each.get("valueQuantity", {}).get("value") for each in values]
            return [Problem(at, "made to fail") for at, pulse in enumerate(pulses) if pulse == 60 + place]

        monkeypatch.setattr(
            FhirVerifier, "bundle", lambda own, data: [*found(own, data), *bad(json.loads(data)["entry"])]
        )
        monkeypatch.setattr(FhirVerifier, "resources", lambda own, data: [*lines(own, data), *bad(list(data))])
        batch = run(tmp_path, [export(tmp_path, "a.csv", *self.ROWS)], WIDE, bundle=bundle)
        assert outcomes(batch) == {"recorded": 2, "held": 1}
        self.expect(tmp_path, "out", place)

    @pytest.mark.parametrize("bundle", ["transaction", "ndjson"])
    @pytest.mark.parametrize("place", [1, 2, 3])
    def test_by_the_reference_library(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, place: int, bundle: str
    ) -> None:
        read = Observation.model_validate_json
        asked: list[bytes] = []

        def refuse(data: bytes, **options: Any) -> Observation:
            asked.append(data)
            assert len(asked) < 20, "a set that fails must not be tried again"
            if json.loads(data)["valueQuantity"]["value"] == 60 + place:
                fault: Any = {"type": "missing", "loc": ("status",), "input": {}}
                raise ValidationError.from_exception_data("Observation", [fault])
            return read(data, **options)

        monkeypatch.setattr(Observation, "model_validate_json", refuse)
        batch = run(tmp_path, [export(tmp_path, "a.csv", *self.ROWS)], WIDE, bundle=bundle, verify="full")
        assert outcomes(batch) == {"recorded": 2, "held": 1}
        self.expect(tmp_path, "out", place)

    def test_what_no_set_is_to_blame_for_stops_the_run(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        """The first entry of a bundle is the monitor: a fault there holds no set in place of it."""
        monkeypatch.setattr(FhirVerifier, "bundle", lambda own, data: [Problem(0, "made to fail")])
        with pytest.raises(OutputError, match="could not be verified"):
            run(tmp_path, [export(tmp_path, "a.csv", *self.ROWS)], WIDE)
        assert not (tmp_path / "out").exists()


class TestMonitorsAtOneTime:
    ROWS = tuple(row(f"12{at},79,6{at},97,36.{at},", device=f"M{at}") for at in range(1, 5))

    @pytest.mark.parametrize("workers", [1, 2])
    def test_are_sets_of_their_own(self, tmp_path: Path, workers: int) -> None:
        """Four monitors measure in the same minute: one batch, four sets, none of them taken for another."""
        batch = run(tmp_path, [export(tmp_path, "a.csv", *self.ROWS)], WIDE, workers=workers)
        assert outcomes(batch) == {"recorded": 20}
        assert {fact.device for fact in fhir_facts(tmp_path / "out")} == {"M1", "M2", "M3", "M4"}
        assert rules(tmp_path, "out") == []


class TestLists:
    """Lists whose entries carry an age, from monitors that measure every quarter of an hour."""

    MAPPING = WIDE + '\n[time.age]\ncolumn = "Ago"\nanchor = "columns"\n\n[memory]\ncycle_minutes = 15\n'

    def send(self, tmp: Path, out: str, sent: str, *entries: tuple[int, str], mapping: str = "") -> Batch:
        """One list: how many minutes ago, and the pulse, whose last digits tell entries apart."""
        rows = [f"2026-03-14 {sent},P-0007,M1,,,{pulse},,,,{ago}" for ago, pulse in entries]
        exports = [export(tmp, f"{out}.csv", *rows, header=f"{WIDE_HEADER},Ago")] if entries else []
        return run(tmp, exports, mapping or self.MAPPING, out, ledger=tmp / "ledger.db")

    def test_a_gap_is_told_once(self, tmp_path: Path) -> None:
        """The next list shows the same entries and the same gap; only what is new is judged."""
        self.send(tmp_path, "one", "10:00", (75, "61"), (60, "62"), (0, "63"))
        assert rules(tmp_path, "one") == [("cycle-missed", 4)]
        self.send(tmp_path, "two", "10:15", (90, "61"), (75, "62"), (15, "63"), (0, "64"))
        assert not [rule for rule, _ in rules(tmp_path, "two") if rule == "cycle-missed"]
        assert [fact.value for fact in fhir_facts(tmp_path / "two")] == ["64"]

    def test_a_gap_before_the_oldest_entry_known_is_no_news(self, tmp_path: Path) -> None:
        """A longer list reaches further back: what stood at the head of the first one is known and not judged."""
        self.send(tmp_path, "one", "10:00", (15, "62"), (0, "63"))
        self.send(tmp_path, "two", "10:15", (90, "61"), (30, "62"), (15, "63"), (0, "64"))
        assert not [rule for rule, _ in rules(tmp_path, "two") if rule == "cycle-missed"]

    def test_entries_taken_up_from_holds_say_nothing_about_gaps(self, tmp_path: Path) -> None:
        """Two of five entries were held: taken up alone they lie far apart, and no reading is missing between them."""
        entries = ((60, "LOW"), (45, "62"), (30, "63"), (15, "64"), (0, "LOW"))
        self.send(tmp_path, "one", "10:00", *entries)
        assert [each.vitals for each in holds(tmp_path)] == ["heart_rate", "heart_rate"]
        declared = self.MAPPING.replace('"--" =', '"LOW" = "error"\n"--" =')
        batch = self.send(tmp_path, "two", "10:15", (0, "72"), mapping=declared)
        assert batch.report.batch.holds is not None
        assert (batch.report.batch.holds.taken_up, batch.report.batch.holds.open) == (2, 0)
        assert not [rule for rule, _ in rules(tmp_path, "two") if rule == "cycle-missed"]


def test_a_mapping_that_changes_while_a_run_begins_is_refused(tmp_path: Path) -> None:
    """The ledger would keep another text than the one the records were made with."""
    ledger, file = tmp_path / "ledger.db", tmp_path / "late.toml"
    other = WIDE.replace('title = "A kit"', 'title = "Another kit"')

    def change(*words: Any, **options: Any) -> Ledger:
        file.write_text(other)
        return open_ledger(*words, **options)

    exports = [export(tmp_path, "a.csv", row("121,79,64,97,36.8,71.4"))]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("gateway.ledger.open_ledger", change)
        with pytest.raises(MappingError, match="changed while it was read"):
            run(tmp_path, exports, WIDE, "late", ledger=ledger)
    assert not (tmp_path / "late").exists()
    with open_ledger(ledger) as opened:
        assert opened.runs() == []
