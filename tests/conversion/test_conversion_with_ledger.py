"""Runs with a ledger: nothing is recorded twice, what is held is taken up again, corrections say that they are."""

from __future__ import annotations

import json
from collections import Counter
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from gateway.conversion.batch import Batch
from gateway.errors import UsageError
from gateway.ledger import HoldFilter, SetFilter, open_ledger
from gateway.model import Outcome
from tests.conversion.conversion_kit import (
    WIDE,
    WIDE_HEADER,
    fhir_facts,
    findings,
    observations,
    oru_facts,
    oru_messages,
    resources,
    retract,
    run,
    written,
)

ROWS = [
    "2026-03-14 09:30,P-0007,M1,121,79,64,97,36.8,71.4",
    "2026-03-14 09:45,P-0008,M1,118,76,71,98,36.6,",
    "2026-03-14 10:05,P-0009,M2,135,88,58,95,37.2,80.1",
    "2026-03-14 10:20,P-0007,M2,122,80,66,97,36.9,",
]

BY_ASSOCIATION = WIDE.replace('column = "Who"\n', "")
ASSOCIATIONS = "device,patient,from,to,established,by\n"


def export(tmp: Path, name: str, *rows: str, header: str = WIDE_HEADER) -> Path:
    path = tmp / name
    path.write_text("\n".join([header, *rows, ""]))
    return path


def outcomes(batch: Batch) -> dict[str, int]:
    row = batch.report.reckoning.readings.all
    return {each.value: getattr(row, each.value) for each in Outcome if getattr(row, each.value)}


def convert(tmp: Path, exports: list[Path], out: str, mapping: str = WIDE, **options: Any) -> Batch:
    return run(tmp, exports, mapping, out, ledger=tmp / "ledger.db", **options)


def open_holds(tmp: Path) -> list[Any]:
    with open_ledger(tmp / "ledger.db", readonly=True) as ledger:
        return ledger.holds(HoldFilter())


class TestRepeats:
    def test_the_same_export_again_adds_nothing(self, tmp_path: Path) -> None:
        file = export(tmp_path, "a.csv", *ROWS)
        first = convert(tmp_path, [file], "one", as_="both")
        again = convert(tmp_path, [file], "two", as_="both")
        assert outcomes(first) == {"recorded": 22}
        assert outcomes(again) == {"repeat": 22}
        assert not written(tmp_path / "two")
        rules = {row["rule"] for row in findings(tmp_path / "two")}
        assert rules == {"repeat-of-earlier-run", "export-read-before"}
        assert again.status == 0

    def test_an_overlapping_export_adds_what_is_new(self, tmp_path: Path) -> None:
        convert(tmp_path, [export(tmp_path, "a.csv", *ROWS[:3])], "one")
        batch = convert(tmp_path, [export(tmp_path, "b.csv", *ROWS[1:])], "two")
        assert outcomes(batch) == {"recorded": 5, "repeat": 11}
        assert {fact.time[11:16] for fact in fhir_facts(tmp_path / "two")} == {"10:20"}

    def test_the_same_reading_by_another_path(self, tmp_path: Path) -> None:
        convert(tmp_path, [export(tmp_path, "a.csv", *ROWS)], "one")
        other = WIDE.replace('title = "A kit"', 'title = "Another kit"').replace('unit = "Cel"', 'unit = "[degF]"')
        other = other.replace("[vitals.temperature]", '[vitals.temperature]\nrecord_unit = "Cel"')
        file = export(tmp_path, "b.csv", "2026-03-14 09:30,P-0007,M1,121,79,64,97,98.24,71.4")
        batch = convert(tmp_path, [file], "two", other)
        assert outcomes(batch) == {"repeat": 6}
        assert not written(tmp_path / "two")

    def test_a_further_vital_is_added(self, tmp_path: Path) -> None:
        convert(tmp_path, [export(tmp_path, "a.csv", "2026-03-14 09:30,P-0007,M1,121,79,64,,,")], "one", as_="both")
        file = export(tmp_path, "b.csv", "2026-03-14 09:30,P-0007,M1,121,79,64,97,,")
        batch = convert(tmp_path, [file], "two", as_="both")
        assert outcomes(batch) == {"repeat": 3, "recorded": 1}
        assert [fact.vital for fact in fhir_facts(tmp_path / "two")] == ["spo2"]
        assert [fact.vital for fact in oru_facts(tmp_path / "two")] == ["spo2"]
        with open_ledger(tmp_path / "ledger.db", readonly=True) as ledger:
            (known,) = ledger.sets(SetFilter())
        assert known.keys == "blood_pressure,heart_rate,spo2"
        again = convert(tmp_path, [file], "three", as_="both")
        assert outcomes(again) == {"repeat": 4}

    @pytest.mark.slow
    def test_any_number_of_workers_gives_the_same(self, tmp_path: Path) -> None:
        rows = [f"2026-03-{day:02} 09:{minute:02},P-{day:04},M1,121,79,64,97,36.8,71.4" for day in range(1, 29)
                for minute in range(60)]  # fmt: skip
        convert(tmp_path, [export(tmp_path, "a.csv", *rows[:900])], "one")
        file = export(tmp_path, "b.csv", *rows)
        run(tmp_path, [export(tmp_path, "a.csv", *rows[:900])], WIDE, "other", ledger=tmp_path / "other.db")
        batch = convert(tmp_path, [file], "two")
        shared = run(tmp_path, [file], WIDE, "shared", ledger=tmp_path / "other.db", workers=2)
        assert outcomes(batch) == outcomes(shared)
        assert written(tmp_path / "two") == written(tmp_path / "shared")

    def test_reading_again_opens_no_further_hold(self, tmp_path: Path) -> None:
        """Two entries of one identity: the first was recorded, the second is held, and so it stays."""
        file = export(tmp_path, "a.csv", ROWS[0], ROWS[0].replace("36.8", "38.6"))
        convert(tmp_path, [file], "one")
        before = open_holds(tmp_path)
        assert [(hold.line, hold.reasons) for hold in before] == [(3, "same-identity-other-content")]
        for name in ("two", "three"):
            convert(tmp_path, [file], name)
            assert [(hold.id, hold.line) for hold in open_holds(tmp_path)] == [(1, 3)]

    def test_results_are_never_replaced(self, tmp_path: Path) -> None:
        with pytest.raises(UsageError, match="never replaced"):
            convert(tmp_path, [export(tmp_path, "a.csv", *ROWS)], "one", replace=True)


class TestCorrections:
    BEFORE = "2026-03-14 09:30,P-0007,M1,121,79,64,97,38.6,"
    AFTER = "2026-03-14 09:30,P-0007,M1,121,79,64,97,36.8,"

    def test_other_values_are_held(self, tmp_path: Path) -> None:
        convert(tmp_path, [export(tmp_path, "a.csv", self.BEFORE)], "one")
        batch = convert(tmp_path, [export(tmp_path, "b.csv", self.AFTER)], "two")
        assert outcomes(batch) == {"repeat": 4, "held": 1}
        assert not written(tmp_path / "two")
        assert [hold.reasons for hold in open_holds(tmp_path)] == ["same-identity-other-content"]

    def test_or_correct_what_was_recorded(self, tmp_path: Path) -> None:
        accept = (
            WIDE.replace('version = "1"', 'version = "1"\ncorrections = "accept"') + '\n[output]\nstatus = "final"\n'
        )
        convert(tmp_path, [export(tmp_path, "a.csv", self.BEFORE)], "one", accept, as_="both")
        batch = convert(tmp_path, [export(tmp_path, "b.csv", self.AFTER)], "two", accept, as_="both")
        assert outcomes(batch) == {"repeat": 4, "recorded": 1}
        (observation,) = observations(tmp_path / "two")
        (original,) = [
            each for each in observations(tmp_path / "one") if each["identifier"] == observation["identifier"]
        ]
        assert observation["status"] == "corrected"
        assert observation["valueQuantity"]["value"] != original["valueQuantity"]["value"]
        bundle = json.loads(next(iter(data for name, data in written(tmp_path / "two").items() if "fhir/" in name)))
        requests = {entry["resource"]["resourceType"]: entry["request"] for entry in bundle["entry"]}
        assert requests["Observation"]["method"] == "PUT"
        (message,) = oru_messages(tmp_path / "two")
        assert [str(segment[11]) for segment in message.segments("OBX")] == ["C"]
        again = convert(tmp_path, [export(tmp_path, "b.csv", self.AFTER)], "three", accept, as_="both")
        assert outcomes(again) == {"repeat": 5}

    def test_half_a_pressure_is_no_correction(self, tmp_path: Path) -> None:
        accept = WIDE.replace('version = "1"', 'version = "1"\ncorrections = "accept"')
        convert(tmp_path, [export(tmp_path, "a.csv", self.BEFORE)], "one", accept)
        file = export(tmp_path, "b.csv", "2026-03-14 09:30,P-0007,M1,131,,64,97,38.6,")
        batch = convert(tmp_path, [file], "two", accept)
        assert outcomes(batch)["held"] == 1
        assert not written(tmp_path / "two")


class TestHolds:
    def test_a_late_association_releases(self, tmp_path: Path) -> None:
        file = export(tmp_path, "a.csv", "2026-03-14 09:30,,M1,121,79,64,97,36.8,71.4")
        nobody = tmp_path / "nobody.csv"
        nobody.write_text(ASSOCIATIONS)
        batch = convert(tmp_path, [file], "one", BY_ASSOCIATION, associations=nobody)
        assert outcomes(batch) == {"held": 6}
        assert batch.status == 1
        (hold,) = open_holds(tmp_path)
        assert (hold.reasons, hold.device, hold.readings) == ("association-none", "M1", 6)

        still = convert(tmp_path, [], "two", BY_ASSOCIATION, associations=nobody)
        assert still.report.batch.holds is not None
        assert (still.report.batch.holds.taken_up, still.report.batch.holds.open) == (1, 1)
        assert len(open_holds(tmp_path)) == 1

        late = tmp_path / "late.csv"
        late.write_text(ASSOCIATIONS + "M1,P-0007,2026-03-14T08:00:00-05:00,,scan,N. Ole\n")
        released = convert(tmp_path, [], "three", BY_ASSOCIATION, associations=late)
        assert released.report.batch.holds is not None
        assert (released.report.batch.holds.released, released.report.batch.holds.open) == (1, 0)
        assert {fact.patient for fact in fhir_facts(tmp_path / "three")} == {"P-0007"}
        assert len(fhir_facts(tmp_path / "three")) == 6
        assert not open_holds(tmp_path)
        assert not written(convert(tmp_path, [file], "four", BY_ASSOCIATION, associations=late).folder)

    def test_a_corrected_mapping_releases(self, tmp_path: Path) -> None:
        file = export(tmp_path, "a.csv", "2026-03-14 09:30,P-0007,M1,121,79,64,LOW,36.8,71.4")
        convert(tmp_path, [file], "one")
        assert [hold.vitals for hold in open_holds(tmp_path)] == ["spo2"]
        better = WIDE.replace('"--" = "not-performed"', '"--" = "not-performed"\n"LOW" = "error"')
        better = better.replace('version = "1"', 'version = "2"')
        batch = convert(tmp_path, [], "two", better)
        assert batch.report.batch.holds is not None
        assert not open_holds(tmp_path)

    def test_a_mapping_of_other_columns_leaves_what_it_cannot_read(self, tmp_path: Path) -> None:
        file = export(tmp_path, "a.csv", "2026-03-14 09:30,P-0007,M1,121,79,64,LOW,36.8,71.4")
        convert(tmp_path, [file], "one")
        renamed = export(tmp_path, "b.csv", ROWS[1], header=WIDE_HEADER.replace("SpO2", "Saturation"))
        batch = convert(tmp_path, [renamed], "two", WIDE.replace('column = "SpO2"', 'column = "Saturation"'))
        assert outcomes(batch) == {"recorded": 5}
        assert [hold.vitals for hold in open_holds(tmp_path)] == ["spo2"]

    def test_one_value_is_released_and_the_rest_stays(self, tmp_path: Path) -> None:
        file = export(tmp_path, "a.csv", "2026-03-14 09:30,P-0007,M1,121,79,640,97,36.8,71.4")
        first = convert(tmp_path, [file], "one", as_="both")
        assert outcomes(first) == {"recorded": 5, "held": 1}
        (hold,) = open_holds(tmp_path)
        assert (hold.vitals, hold.reasons) == ("heart_rate", "outside-hold-limits")
        with open_ledger(tmp_path / "ledger.db") as ledger:
            assert ledger.settle([hold.id], "confirm", "", "Dr. N. Ole", "checked by hand", at=hold.opened_at) == 1
        batch = convert(tmp_path, [], "two", as_="both")
        assert [(fact.vital, fact.value) for fact in fhir_facts(tmp_path / "two")] == [("heart_rate", "640")]
        assert [(fact.vital, fact.value) for fact in oru_facts(tmp_path / "two")] == [("heart_rate", "640")]
        assert batch.report.batch.holds is not None
        assert batch.report.batch.holds.released == 1
        assert not open_holds(tmp_path)

    def test_a_person_assigns_the_patient(self, tmp_path: Path) -> None:
        file = export(tmp_path, "a.csv", "2026-03-14 09:30,,M1,121,79,64,97,36.8,71.4")
        convert(tmp_path, [file], "one")
        (hold,) = open_holds(tmp_path)
        with open_ledger(tmp_path / "ledger.db") as ledger:
            ledger.settle([hold.id], "assign", "P-0042", "N. Ole", "asked the ward", at=hold.opened_at)
        convert(tmp_path, [], "two")
        assert {fact.patient for fact in fhir_facts(tmp_path / "two")} == {"P-0042"}
        assert not open_holds(tmp_path)

    def test_an_assigned_patient_is_checked_as_well(self, tmp_path: Path) -> None:
        strict = WIDE.replace('pattern = "any"', 'pattern = "P-[0-9]{4}"')
        convert(tmp_path, [export(tmp_path, "a.csv", "2026-03-14 09:30,,M1,121,79,64,97,36.8,71.4")], "one", strict)
        (hold,) = open_holds(tmp_path)
        with open_ledger(tmp_path / "ledger.db") as ledger:
            ledger.settle([hold.id], "assign", "P-42", "N. Ole", "asked the ward", at=hold.opened_at)
        convert(tmp_path, [], "two", strict)
        assert not written(tmp_path / "two")
        assert [hold.reasons for hold in open_holds(tmp_path)] == ["patient-malformed"]

    def test_what_is_discarded_does_not_come_back(self, tmp_path: Path) -> None:
        file = export(tmp_path, "a.csv", "2026-03-14 09:30,,M1,121,79,64,97,36.8,71.4")
        convert(tmp_path, [file], "one")
        with open_ledger(tmp_path / "ledger.db") as ledger:
            ledger.settle([each.id for each in ledger.holds(HoldFilter())], "discard", "", "N. Ole", "a test reading",
                          at=datetime.now(UTC))  # fmt: skip
        batch = convert(tmp_path, [file], "two")
        assert outcomes(batch) == {"held": 6}
        assert not open_holds(tmp_path)

    def test_two_entries_of_one_reading_are_recorded_once(self, tmp_path: Path) -> None:
        row = "2026-03-14 09:30,,M1,121,79,64,97,36.8,71.4"
        nobody = tmp_path / "nobody.csv"
        nobody.write_text(ASSOCIATIONS)
        for name in ("a", "b"):
            file = export(tmp_path, f"{name}.csv", row, f"2026-03-15 09:0{len(name)},,M9,{name},,,,,")
            convert(tmp_path, [file], name, BY_ASSOCIATION, associations=nobody)
        late = tmp_path / "late.csv"
        late.write_text(ASSOCIATIONS + "M1,P-0007,2026-03-14T08:00:00-05:00,,scan,N. Ole\n")
        batch = convert(tmp_path, [], "c", BY_ASSOCIATION, associations=late)
        assert len(fhir_facts(tmp_path / "c")) == 6
        assert batch.report.batch.holds is not None
        assert (batch.report.batch.holds.released, batch.report.batch.holds.repeats) == (1, 1)


def test_the_report_tells_of_the_holds(with_page: None, tmp_path: Path) -> None:
    convert(tmp_path, [export(tmp_path, "a.csv", "2026-03-14 09:30,,M1,121,79,64,97,36.8,71.4")], "one")
    page = (tmp_path / "one" / "report.html").read_text()
    assert "holds in the ledger: 0 before + 1 opened - 0 closed = 1 open: 1 patient-missing" in page


def test_the_records_name_no_run(tmp_path: Path) -> None:
    """The same exports give the same records, whatever ledger they pass through."""
    file = export(tmp_path, "a.csv", *ROWS)
    convert(tmp_path, [file], "one", as_="both")
    run(tmp_path, [file], WIDE, "plain", as_="both")
    assert written(tmp_path / "one") == written(tmp_path / "plain")
    assert any(each["resourceType"] == "Provenance" for each in resources(tmp_path / "one"))


class TestRetraction:
    WRONG = ASSOCIATIONS + "M1,P-0001,2026-03-14T08:00:00-05:00,2026-03-14T12:00:00-05:00,typed,N. Ole\n"
    RIGHT = ASSOCIATIONS + (
        "M1,P-0001,2026-03-14T08:00:00-05:00,2026-03-14T09:40:00-05:00,typed,N. Ole\n"
        "M1,P-0002,2026-03-14T09:40:00-05:00,2026-03-14T12:00:00-05:00,scan,N. Ole\n"
    )
    ROWS = (
        "2026-03-14 09:30,,M1,121,79,64,97,36.8,71.4",
        "2026-03-14 10:00,,M1,135,88,58,95,37.2,80.1",
        "2026-03-14 10:30,,M1,133,86,60,96,37.1,",
    )

    def prepare(self, tmp: Path, status: str = "final") -> tuple[str, Path, Path]:
        mapping = BY_ASSOCIATION + f'\n[output]\nstatus = "{status}"\n'
        wrong, right = tmp / "wrong.csv", tmp / "right.csv"
        wrong.write_text(self.WRONG)
        right.write_text(self.RIGHT)
        convert(tmp, [export(tmp, "a.csv", *self.ROWS)], "one", mapping, as_="both", associations=wrong)
        return mapping, tmp / "one.toml", right

    def test_a_wrong_patient_is_recovered(self, tmp_path: Path) -> None:
        _, mapping, right = self.prepare(tmp_path)
        since = int(datetime.fromisoformat("2026-03-14T09:40:00-05:00").timestamp())
        which = SetFilter(device="M1", since=since)
        dry = retract(tmp_path / "ledger.db", which, None, who="N. Ole", why="bed 4, not bed 3", dry_run=True,
                      associations=right)  # fmt: skip
        assert (dry.sets, dry.moved, dry.kept, dry.observations, dry.messages) == (2, 2, 0, 9, 2)
        with open_ledger(tmp_path / "ledger.db", readonly=True) as ledger:
            assert all(known.state == "recorded" for known in ledger.sets(SetFilter()))

        done = retract(
            tmp_path / "ledger.db", which, tmp_path / "back", who="N. Ole", why="bed 4, not bed 3",
            reason="wrong-patient", mapping=mapping, associations=right,
        )  # fmt: skip
        assert (done.sets, done.observations, done.messages) == (2, 9, 2)
        back = observations(tmp_path / "back" / "retracted")
        assert {each["status"] for each in back} == {"entered-in-error"}
        assert {each["subject"]["identifier"]["value"] for each in back} == {"P-0001"}
        before = {each["identifier"][0]["value"]: each for each in observations(tmp_path / "one")}
        for each in back:
            assert each == before[each["identifier"][0]["value"]] | {"status": "entered-in-error"}
        for message in oru_messages(tmp_path / "back" / "retracted"):
            assert {str(segment[11]) for segment in message.segments("OBX")} == {"W"}
            assert str(message.segment("PID")[3][0][0]) == "P-0001"
        anew = fhir_facts(tmp_path / "back" / "recorded")
        assert {(fact.patient, fact.time[11:16]) for fact in anew} == {("P-0002", "10:00"), ("P-0002", "10:30")}
        assert len(anew) == 11
        assert not open_holds(tmp_path)
        with open_ledger(tmp_path / "ledger.db", readonly=True) as ledger:
            assert ledger.verify_audit() is None
            actions = Counter((entry.who, entry.action) for entry in ledger.audit())
            states = Counter((known.patient, known.state) for known in ledger.sets(SetFilter(state=None)))
        assert actions == {("N. Ole", "retract"): 3, ("N. Ole", "record anew"): 2}
        assert states == {("P-0001", "recorded"): 1, ("P-0001", "retracted"): 2, ("P-0002", "recorded"): 2}
        # And it stays so, whatever is read again.
        again = convert(tmp_path, [tmp_path / "a.csv"], "two", mapping.read_text(), as_="both", associations=right)
        assert set(outcomes(again)) == {"repeat"}

    def test_nothing_comes_back_by_itself(self, tmp_path: Path) -> None:
        _, mapping, _ = self.prepare(tmp_path)
        retract(tmp_path / "ledger.db", SetFilter(), tmp_path / "back", who="N. Ole", why="a test", mapping=mapping,
                associations=tmp_path / "wrong.csv")  # fmt: skip
        assert not written(tmp_path / "back" / "recorded")
        assert [hold.reasons for hold in open_holds(tmp_path)] == ["retracted-before"] * 3
        batch = convert(tmp_path, [tmp_path / "a.csv"], "two", mapping.read_text(), as_="both",
                        associations=tmp_path / "wrong.csv")  # fmt: skip
        assert set(outcomes(batch)) == {"repeat"}, "of sets that are held"
        assert not written(tmp_path / "two")
        assert len(open_holds(tmp_path)) == 3

    def test_unless_a_person_confirms_it(self, tmp_path: Path) -> None:
        mapping, _, _ = self.prepare(tmp_path)
        retract(tmp_path / "ledger.db", SetFilter(), tmp_path / "back", who="N. Ole", why="a mistake")
        with open_ledger(tmp_path / "ledger.db") as ledger:
            ids = [hold.id for hold in ledger.holds(HoldFilter())]
            ledger.settle(ids[:1], "confirm", "", "N. Ole", "right after all", at=datetime.now(UTC))
        convert(tmp_path, [], "two", mapping, as_="both", associations=tmp_path / "wrong.csv")
        assert len(fhir_facts(tmp_path / "two")) == 6
        assert {each["status"] for each in observations(tmp_path / "two")} == {"corrected"}
        assert len(open_holds(tmp_path)) == 2

    @pytest.mark.parametrize("status", ["preliminary", "final"])
    def test_every_message_of_a_long_story_has_an_id_of_its_own(self, tmp_path: Path, status: str) -> None:
        """A receiver that drops what it has seen must not drop a second retraction, nor what comes back after one."""
        mapping, _, _ = self.prepare(tmp_path, status)
        for turn in ("1", "2"):
            retract(tmp_path / "ledger.db", SetFilter(), tmp_path / f"back{turn}", who="N. Ole", why="a mistake")
            with open_ledger(tmp_path / "ledger.db") as ledger:
                ids = [hold.id for hold in ledger.holds(HoldFilter())]
                ledger.settle(ids, "confirm", "", "N. Ole", "right after all", at=datetime.now(UTC))
            convert(tmp_path, [], f"again{turn}", mapping, as_="both", associations=tmp_path / "wrong.csv")
        folders = ["one", "back1/retracted", "again1", "back2/retracted", "again2"]
        controls = [str(each.segment("MSH")[10]) for name in folders for each in oru_messages(tmp_path / name)]
        assert len(controls) == 15
        assert len(set(controls)) == 15

    def test_a_wrong_mapping_is_put_right(self, tmp_path: Path) -> None:
        """Kilograms that were pounds: the same sets, with other values."""
        final = WIDE + '\n[output]\nstatus = "final"\n'
        convert(tmp_path, [export(tmp_path, "a.csv", ROWS[0])], "one", final)
        better = final.replace('unit = "kg"', 'unit = "[lb_av]"\nrecord_unit = "kg"').replace('"1"', '"2"')
        file = tmp_path / "better.toml"
        file.write_text(better)
        which = SetFilter(mapping_version="1")
        retract(tmp_path / "ledger.db", which, tmp_path / "back", who="N. Ole", why="pounds", mapping=file)
        facts = {fact.vital: fact.value for fact in fhir_facts(tmp_path / "back" / "recorded")}
        assert facts["weight"] == "32.39", "71.4 international pounds of 0.45359237 kg"
        assert len(facts) == 6
        assert not open_holds(tmp_path)

    def test_corrected_sets_are_retracted_as_they_stand(self, tmp_path: Path) -> None:
        accept = (
            WIDE.replace('version = "1"', 'version = "1"\ncorrections = "accept"') + '\n[output]\nstatus = "final"\n'
        )
        convert(tmp_path, [export(tmp_path, "a.csv", TestCorrections.BEFORE)], "one", accept, as_="both")
        convert(tmp_path, [export(tmp_path, "b.csv", TestCorrections.AFTER)], "two", accept, as_="both")
        done = retract(tmp_path / "ledger.db", SetFilter(), tmp_path / "back", who="N. Ole", why="a test")
        assert (done.observations, done.messages) == (4, 1)
        facts = {fact.vital: fact.value for fact in fhir_facts(tmp_path / "back" / "retracted")}
        assert facts["temperature"] == "36.8"

    @pytest.mark.parametrize("bundle", ["transaction", "collection", "ndjson"])
    def test_in_every_form(self, tmp_path: Path, bundle: str) -> None:
        convert(tmp_path, [export(tmp_path, "a.csv", *ROWS)], "one", bundle=bundle)
        done = retract(tmp_path / "ledger.db", SetFilter(device="M1"), tmp_path / "back", who="N. Ole", why="a test")
        assert done.sets == 2
        assert {each["status"] for each in observations(tmp_path / "back" / "retracted")} == {"entered-in-error"}

    def test_nothing_to_retract(self, tmp_path: Path) -> None:
        convert(tmp_path, [export(tmp_path, "a.csv", *ROWS)], "one")
        with pytest.raises(UsageError, match="No recorded set fits"):
            retract(tmp_path / "ledger.db", SetFilter(device="M7"), tmp_path / "back", who="N. Ole", why="a test")
        assert not (tmp_path / "back").exists()
