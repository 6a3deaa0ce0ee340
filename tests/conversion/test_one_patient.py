"""One measurement is current for one patient, whatever says whose it is, and in whatever order it is read."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from gateway.conversion.batch import Batch
from gateway.ledger import HoldFilter, KnownSet, SetFilter, open_ledger
from tests.conversion.conversion_kit import (
    WIDE,
    WIDE_HEADER,
    fhir_facts,
    findings,
    observations,
    oru_facts,
    retract,
    run,
    written,
)

BY_ASSOCIATION = WIDE.replace('column = "Who"\n', "")
NO_DEVICE = WIDE.replace('[device]\ncolumn = "On"\nsystem = "https://kit.example.org/monitors"\n', "")
ASSOCIATIONS = "device,patient,from,to,established,by\n"
PATIENTS = "https://kit.example.org/patients"
VALUES = "121,79,64,97,36.8,71.4"
LIST = [f"2026-03-14 {hour}:{minute},,M1,12{hour[1]},79,6{minute[0]},97,36.8," for hour in ("08", "09", "10", "11")
        for minute in ("00", "30")]  # fmt: skip


@pytest.fixture(params=["sqlite", "postgresql"])
def place(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """Where a new ledger can be made."""
    if request.param == "sqlite":
        return str(tmp_path / "ward.ledger")
    new_schema: Callable[[], str] = request.getfixturevalue("new_schema")
    return new_schema()


@pytest.fixture
def ledger(tmp_path: Path) -> str:
    return str(tmp_path / "ward.ledger")


def row(who: str, time: str = "09:30", values: str = VALUES, device: str = "M1") -> str:
    return f"2026-03-14 {time},{who},{device},{values}"


def export(tmp: Path, name: str, *rows: str, header: str = WIDE_HEADER) -> Path:
    path = tmp / f"{name}.csv"
    path.write_text("\n".join([header, *rows, ""]))
    return path


def stays(tmp: Path, name: str, *stretches: tuple[str, str, str]) -> Path:
    path = tmp / f"{name}.assoc.csv"
    lines = [f"M1,{who},2026-03-14T{since}:00-05:00,2026-03-14T{until}:00-05:00,scan,N. Ole\n" for who, since, until in
             stretches]  # fmt: skip
    path.write_text(ASSOCIATIONS + "".join(lines))
    return path


def lines_of(out: Path, rule: str) -> list[int]:
    return [int(each["line"]) for each in findings(out) if each["rule"] == rule]


def said_of(out: Path, rule: str) -> list[str]:
    return [each["message"] for each in findings(out) if each["rule"] == rule]


def adds_up(batch: Batch) -> None:
    assert batch.report.reckoning.readings.adds_up


def current(place: str) -> dict[tuple[str, int], list[KnownSet]]:
    """The recorded sets by device and printed time."""
    found: dict[tuple[str, int], list[KnownSet]] = {}
    with open_ledger(place, readonly=True) as ledger:
        for each in ledger.sets():
            found.setdefault((each.device, each.wall), []).append(each)
    return found


def settle(place: str, action: Any, patient: str = "", reason: str | None = None, *, last: bool = False) -> None:
    with open_ledger(place) as ledger:
        holds = ledger.holds(HoldFilter(reason=reason))[-1 if last else 0 :]
        assert holds
        ledger.settle([hold.id for hold in holds], action, patient, "N. Ole", "asked", at=datetime.now(UTC))


class TestOtherAssociations:
    def test_of_the_next_night(self, place: str, tmp_path: Path) -> None:
        file = export(tmp_path, "list", *LIST)
        first = stays(tmp_path, "first", ("A1", "08:00", "12:00"))
        second = stays(tmp_path, "second", ("A1", "08:00", "09:40"), ("B2", "09:40", "12:00"))
        run(tmp_path, [file], BY_ASSOCIATION, "one", ledger=place, as_="both", associations=first)
        again = run(tmp_path, [file], BY_ASSOCIATION, "two", ledger=place, as_="both", associations=second)
        adds_up(again)
        assert again.status == 1
        assert lines_of(tmp_path / "two", "other-patient") == [6, 7, 8, 9]
        assert not written(tmp_path / "two")
        assert {each.patient for sets in current(place).values() for each in sets} == {"A1"}
        message = said_of(tmp_path / "two", "other-patient")[0]
        assert "recorded by run 1" in message
        assert message.count("by an association") == 2
        assert "A1" not in message
        assert "B2" not in message

    def test_the_hold_goes_to_the_new_patient_when_the_first_is_taken_back(self, place: str, tmp_path: Path) -> None:
        file = export(tmp_path, "list", *LIST)
        first = stays(tmp_path, "first", ("A1", "08:00", "12:00"))
        second = stays(tmp_path, "second", ("A1", "08:00", "09:40"), ("B2", "09:40", "12:00"))
        run(tmp_path, [file], BY_ASSOCIATION, "one", ledger=place, as_="both", associations=first)
        run(tmp_path, [file], BY_ASSOCIATION, "two", ledger=place, as_="both", associations=second)
        since = int(datetime.fromisoformat("2026-03-14T09:40:00-05:00").timestamp())
        retract(
            place, SetFilter(patient="A1", since=since), tmp_path / "back", who="N", why="w", reason="wrong-patient"
        )
        run(tmp_path, [], BY_ASSOCIATION, "three", ledger=place, as_="both", associations=second)
        assert {fact.patient for fact in fhir_facts(tmp_path / "three")} == {"B2"}
        sets = current(place)
        assert all(len(each) == 1 for each in sets.values())
        assert sum(each.patient == "B2" for (each,) in sets.values()) == 4
        with open_ledger(place, readonly=True) as ledger:
            gone = {each.wall: each for each in ledger.sets(SetFilter(state="retracted"))}
        assert {each.chain for (each,) in sets.values() if each.patient == "B2"} == {
            each.identity for each in gone.values()
        }


class TestColumn:
    def test_changed_between_exports(self, place: str, tmp_path: Path) -> None:
        run(tmp_path, [export(tmp_path, "a", row("A1"))], WIDE, "one", ledger=place)
        batch = run(tmp_path, [export(tmp_path, "b", row("B2"))], WIDE, "two", ledger=place)
        adds_up(batch)
        assert batch.status == 1
        assert [each.patient for (each,) in current(place).values()] == ["A1"]
        assert said_of(tmp_path / "two", "other-patient")[0].count("by the export's own column") == 2

    @pytest.mark.parametrize("workers", [1, 2])
    @pytest.mark.parametrize("known", [True, False])
    def test_both_rows_in_one_export(self, known: bool, workers: int, tmp_path: Path) -> None:
        file = export(tmp_path, "a", row("A1"), row("C3", "10:00"), row("B2"), row("B2"))
        options: dict[str, Any] = {"ledger": str(tmp_path / "l.db")} if known else {}
        batch = run(tmp_path, [file], WIDE, "one", workers=workers, **options)
        adds_up(batch)
        assert batch.status == 1
        assert {fact.patient for fact in fhir_facts(tmp_path / "one")} == {"A1", "C3"}
        assert lines_of(tmp_path / "one", "other-patient") == [4]
        assert "stands at line 2 for another patient" in said_of(tmp_path / "one", "other-patient")[0]
        assert lines_of(tmp_path / "one", "repeat-in-batch") == [5]

    def test_two_exports_of_one_run(self, tmp_path: Path) -> None:
        files = [export(tmp_path, "a", row("A1")), export(tmp_path, "b", row("B2"))]
        run(tmp_path, files, WIDE, "one")
        assert {fact.patient for fact in fhir_facts(tmp_path / "one")} == {"A1"}
        assert "line 2 of export 1" in said_of(tmp_path / "one", "other-patient")[0]

    def test_blocks_and_workers_give_the_same(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        """The copies stand thousands of rows, and so some blocks, after the first."""
        rows = [
            f"2026-03-{9 + at // 1440:02} {at // 60 % 24:02}:{at % 60:02},P{at},M1,121,79,6{at % 10},97,36.8,71.4"
            for at in range(0, 20_000, 2)
        ]
        again = [each.replace(",P", ",Q") for each in rows[::3]]
        near = [each.replace(",P", ",R").replace("121,79", "133,88") for each in rows[1::3]]
        file = export(tmp_path, "a", *rows, *again, *near)
        results = []
        for workers in (1, 2):
            batch = run(tmp_path, [file], WIDE, f"w{workers}", workers=workers, bundle="ndjson")
            adds_up(batch)
            results.append(written(tmp_path / f"w{workers}"))
            results[-1]["findings"] = (tmp_path / f"w{workers}" / "findings.csv").read_bytes()
        assert results[0] == results[1]
        assert len(lines_of(tmp_path / "w1", "other-patient")) == len(again) + len(near)
        assert {fact.patient[0] for fact in fhir_facts(tmp_path / "w1")} == {"P"}

    def test_one_vital_that_agrees_is_enough(self, place: str, tmp_path: Path) -> None:
        run(tmp_path, [export(tmp_path, "a", row("A1"))], WIDE, "one", ledger=place)
        run(tmp_path, [export(tmp_path, "b", row("B2", values="131,89,74,97,37.8,91.4"))], WIDE, "two", ledger=place)
        assert lines_of(tmp_path / "two", "other-patient") == [2]
        assert len(current(place)) == 1

    def test_without_any_it_is_another_measurement(self, place: str, tmp_path: Path) -> None:
        run(tmp_path, [export(tmp_path, "a", row("A1"))], WIDE, "one", ledger=place)
        run(tmp_path, [export(tmp_path, "b", row("B2", values="131,89,74,93,37.8,91.4"))], WIDE, "two", ledger=place)
        assert lines_of(tmp_path / "two", "other-patient") == []
        assert lines_of(tmp_path / "two", "patients-close-together") == [2]
        assert {each.patient for sets in current(place).values() for each in sets} == {"A1", "B2"}

    def test_other_numbers_of_the_monitor_are_other_measurements(self, tmp_path: Path) -> None:
        mapping = WIDE.replace('version = "1"', 'version = "1"\nsequence = "No"')
        rows = [f"{row('A1')},1", f"{row('B2')},2", f"{row('C3')},2"]
        run(tmp_path, [export(tmp_path, "a", *rows, header=f"{WIDE_HEADER},No")], mapping, "one")
        assert {fact.patient for fact in fhir_facts(tmp_path / "one")} == {"A1", "B2"}
        assert lines_of(tmp_path / "one", "other-patient") == [4]

    def test_a_day_is_no_place(self, tmp_path: Path) -> None:
        mapping = WIDE.replace("%Y-%m-%d %H:%M", "%Y-%m-%d")
        rows = [row("A1").replace(" 09:30", ""), row("B2").replace(" 09:30", "")]
        run(tmp_path, [export(tmp_path, "a", *rows)], mapping, "one")
        assert {fact.patient for fact in fhir_facts(tmp_path / "one")} == {"A1", "B2"}

    def test_how_each_patient_was_established(self, ledger: str, tmp_path: Path) -> None:
        scanned = WIDE.replace("[patient]\n", '[patient]\nstrip = ["PT-"]\n')
        run(tmp_path, [export(tmp_path, "a", row("PT-A1"), row("B2"))], scanned, "one", ledger=ledger)
        (message,) = said_of(tmp_path / "one", "other-patient")
        assert "who was established by a scanned code" in message
        assert "this one was established by the export's own column" in message
        assert [each.how for (each,) in current(ledger).values()] == ["scan"]


class TestWithoutDevice:
    ROWS = (
        "2026-03-14 09:30,A1,,121,79,64,97,36.8,71.4",
        "2026-03-14 09:30,B2,,121,79,64,97,36.8,71.4",
        "2026-03-14 09:30,C3,,122,79,64,97,36.8,71.4",
        "2026-03-14 09:31,D4,,121,79,64,97,36.8,71.4",
        "2026-03-14 09:40,A1,,,,64,97,,",
        "2026-03-14 09:40,B2,,,,64,97,,",
    )

    @pytest.mark.parametrize("apart", [True, False])
    def test_only_equal_contents_that_say_much_are_the_same(self, apart: bool, place: str, tmp_path: Path) -> None:
        parts = [[each] for each in self.ROWS] if apart else [list(self.ROWS)]
        for night, rows in enumerate(parts):
            run(tmp_path, [export(tmp_path, f"{night}", *rows)], NO_DEVICE, f"n{night}", ledger=place)
        held = [rule for night in range(len(parts)) for rule in lines_of(tmp_path / f"n{night}", "other-patient")]
        assert held == ([2] if apart else [3])
        found = {(each.patient, each.wall % 3600 // 60) for sets in current(place).values() for each in sets}
        assert found == {("A1", 30), ("C3", 30), ("D4", 31), ("A1", 40), ("B2", 40)}


class TestDecisions:
    def test_a_held_value_cannot_be_assigned_past_what_was_recorded(self, place: str, tmp_path: Path) -> None:
        file = export(tmp_path, "a", row("A1", values=",,,97,54.1,"))
        run(tmp_path, [file], WIDE, "one", ledger=place)
        settle(place, "assign", "B2")
        run(tmp_path, [], WIDE, "two", ledger=place)
        assert not written(tmp_path / "two")
        assert [each.patient for (each,) in current(place).values()] == ["A1"]
        with open_ledger(place, readonly=True) as ledger:
            (hold,) = ledger.holds(HoldFilter())
        assert "other-patient" in hold.reasons

    def test_of_two_held_for_a_value_only_one_is_confirmed(self, ledger: str, tmp_path: Path) -> None:
        """A held set is current for nobody, so that neither hides the other; of two confirmed ones, one is recorded."""
        file = export(tmp_path, "a", row("A1", values=",,,,54.1,"), row("B2", values=",,,,54.1,"))
        run(tmp_path, [file], WIDE, "one", ledger=ledger)
        assert not current(ledger)
        settle(ledger, "confirm")
        run(tmp_path, [], WIDE, "two", ledger=ledger)
        assert [each.patient for (each,) in current(ledger).values()] == ["A1"]
        with open_ledger(ledger, readonly=True) as opened:
            assert [hold.reasons for hold in opened.holds(HoldFilter())] == ["other-patient"]

    def test_what_is_assigned_back_is_recorded_anew(self, place: str, tmp_path: Path) -> None:
        file = export(tmp_path, "a", row("A1"))
        run(tmp_path, [file], WIDE, "one", ledger=place, as_="both")
        run(tmp_path, [export(tmp_path, "b", row("B2"))], WIDE, "two", ledger=place, as_="both")
        wrong = {"who": "N. Ole", "why": "the other bed", "reason": "wrong-patient"}
        retract(place, SetFilter(patient="A1"), tmp_path / "back", **wrong)  # type: ignore[arg-type]
        run(tmp_path, [], WIDE, "three", ledger=place, as_="both")
        ((b2,),) = current(place).values()
        assert b2.patient == "B2"
        retract(place, SetFilter(patient="B2"), tmp_path / "back-2", **wrong)  # type: ignore[arg-type]
        run(tmp_path, [file], WIDE, "four", ledger=place, as_="both")
        assert not current(place), "read again, it waits: it was taken back"
        settle(place, "assign", "A1", "retracted-before")
        run(tmp_path, [], WIDE, "five", ledger=place, as_="both")
        ((a1,),) = current(place).values()
        assert (a1.patient, a1.revision) == ("A1", 2)
        assert b2.chain == a1.identity
        assert len(oru_facts(tmp_path / "five")) == 6

    def test_a_person_has_said_whose_it_is(self, ledger: str, tmp_path: Path) -> None:
        file = export(tmp_path, "a", row("A1"))
        run(tmp_path, [file], WIDE, "one", ledger=ledger)
        wrong = {"who": "N. Ole", "why": "the other bed", "reason": "wrong-patient"}
        retract(ledger, SetFilter(patient="A1"), tmp_path / "back", **wrong)  # type: ignore[arg-type]
        run(tmp_path, [file], WIDE, "two", ledger=ledger)
        settle(ledger, "assign", "B2")
        run(tmp_path, [], WIDE, "three", ledger=ledger)
        again = run(tmp_path, [file, export(tmp_path, "b", row("A1"), row("A1", "11:00"))], WIDE, "four", ledger=ledger)
        assert again.status == 0
        with open_ledger(ledger, readonly=True) as opened:
            assert {(each.patient, each.how) for each in opened.sets()} == {("B2", "person"), ("A1", "column")}
            assert not opened.holds(HoldFilter())

    def test_what_was_in_error_is_in_error_for_everybody(self, place: str, tmp_path: Path) -> None:
        run(tmp_path, [export(tmp_path, "a", row("A1"))], WIDE, "one", ledger=place)
        retract(place, SetFilter(patient="A1"), tmp_path / "back", who="N. Ole", why="a test")
        run(tmp_path, [export(tmp_path, "b", row("B2"))], WIDE, "two", ledger=place)
        assert not current(place)
        assert lines_of(tmp_path / "two", "retracted-before") == [2]
        # The hold of the set that was taken back is left alone.
        settle(place, "confirm", last=True)
        run(tmp_path, [], WIDE, "three", ledger=place)
        ((b2,),) = current(place).values()
        assert b2.patient == "B2"
        assert b2.chain not in (None, b2.identity)


class TestCorrections:
    ACCEPT = WIDE.replace('version = "1"', 'version = "1"\ncorrections = "accept"')

    def test_one_set_corrected_from_another_export_is_held_for_another_patient(
        self, ledger: str, tmp_path: Path
    ) -> None:
        run(tmp_path, [export(tmp_path, "a", row("A1"))], self.ACCEPT, "one", ledger=ledger)
        other = row("B2", values="131,79,64,97,36.8,71.4")
        run(tmp_path, [export(tmp_path, "b", other)], self.ACCEPT, "two", ledger=ledger)
        assert [each.patient for (each,) in current(ledger).values()] == ["A1"]

    def test_a_corrected_set_goes_on_with_its_chain(self, place: str, tmp_path: Path) -> None:
        run(tmp_path, [export(tmp_path, "a", row("A1"))], self.ACCEPT, "one", ledger=place)
        ((first,),) = current(place).values()
        retract(place, SetFilter(patient="A1"), tmp_path / "back", who="N. Ole", why="a bed", reason="wrong-patient")
        run(tmp_path, [export(tmp_path, "b", row("B2"))], self.ACCEPT, "two", ledger=place)
        other = row("B2", values="131,79,64,97,36.8,71.4")
        run(tmp_path, [export(tmp_path, "c", other)], self.ACCEPT, "three", ledger=place)
        ((last,),) = current(place).values()
        assert (last.patient, last.revision, last.chain) == ("B2", 2, first.identity)

    def test_an_older_export_does_not_correct_back(self, place: str, tmp_path: Path) -> None:
        old, new = export(tmp_path, "a", row("A1")), export(tmp_path, "b", row("A1", values="131,79,64,97,36.8,71.4"))
        run(tmp_path, [old], self.ACCEPT, "one", ledger=place)
        run(tmp_path, [new], self.ACCEPT, "two", ledger=place)
        assert lines_of(tmp_path / "two", "correction-recorded") == [2]
        again = run(tmp_path, [old], self.ACCEPT, "three", ledger=place)
        assert (again.status, written(tmp_path / "three")) == (0, {})
        both = run(tmp_path, [old, new], self.ACCEPT, "four", ledger=place)
        assert (both.status, written(tmp_path / "four")) == (0, {})

    def test_nor_does_another_export_that_says_the_same(self, place: str, tmp_path: Path) -> None:
        old, new = row("A1"), row("A1", values="131,79,64,97,36.8,71.4")
        run(tmp_path, [export(tmp_path, "a", old)], self.ACCEPT, "one", ledger=place)
        run(tmp_path, [export(tmp_path, "b", new)], self.ACCEPT, "two", ledger=place)
        late = export(tmp_path, "c", old, row("A1", "11:00"))
        for name in ("three", "four"):
            batch = run(tmp_path, [late], self.ACCEPT, name, ledger=place)
            assert batch.status == 1
            assert lines_of(tmp_path / name, "same-identity-other-content") == [2]
        with open_ledger(place, readonly=True) as opened:
            assert [hold.line for hold in opened.holds(HoldFilter())] == [2]

    @pytest.mark.parametrize("workers", [1, 2])
    def test_two_in_one_batch_are_compared_with_each_other(self, workers: int, tmp_path: Path) -> None:
        ledger = str(tmp_path / "l.db")
        run(tmp_path, [export(tmp_path, "a", row("A1"))], self.ACCEPT, "one", ledger=ledger)
        values = ["131,79,64,97,36.8,71.4", "132,79,64,97,36.8,71.4", "131,79,64,97,36.8,71.4", VALUES]
        file = export(tmp_path, "b", *[row("A1", values=each) for each in values])
        run(tmp_path, [file], self.ACCEPT, "two", ledger=ledger, workers=workers)
        assert lines_of(tmp_path / "two", "correction-recorded") == [2]
        assert lines_of(tmp_path / "two", "same-identity-other-content") == [3, 5]
        assert lines_of(tmp_path / "two", "repeat-in-batch") == [4]
        ((known,),) = current(ledger).values()
        assert "systolic=131" in known.readings


class TestCloseTogether:
    SECONDS = WIDE.replace("%H:%M", "%H:%M:%S")

    def close(self, tmp: Path, *rows: str, mapping: str = SECONDS, **options: Any) -> list[int]:
        run(tmp, [export(tmp, "close", *rows)], mapping, "close", replace="ledger" not in options, **options)
        return lines_of(tmp / "close", "patients-close-together")

    @pytest.mark.parametrize(("second", "told"), [("09:30:59", True), ("09:31:00", False), ("09:29:01", True)])
    def test_by_default_a_minute(self, second: str, told: bool, tmp_path: Path) -> None:
        rows = row("A1", "09:30:00"), row("B2", second, "131,89,74,93,37.8,91.4")
        assert self.close(tmp_path, *rows) == ([3] if told else [])
        assert len(fhir_facts(tmp_path / "close")) == 12

    def test_the_mapping_may_say_another_time_or_none(self, tmp_path: Path) -> None:
        rows = row("A1", "09:30:00"), row("B2", "09:32:00", "131,89,74,93,37.8,91.4"), row("A1", "09:32:00")
        for seconds, told in ((121, [3, 4]), (120, [4]), (1, [4]), (0, [])):
            mapping = self.SECONDS.replace('column = "On"', f'column = "On"\nchange_seconds = {seconds}')
            assert self.close(tmp_path, *rows[:2], row("C3", "09:32:00"), mapping=mapping) == told

    def test_the_effect_is_the_mappings_choice(self, tmp_path: Path) -> None:
        rows = row("A1", "09:30:00"), row("B2", "09:30:20", "131,89,74,93,37.8,91.4")
        for effect, count in (("off", 12), ("note", 12), ("flag", 12), ("hold", 6)):
            mapping = self.SECONDS + f'\n[rules]\npatients-close-together = "{effect}"\n'
            assert self.close(tmp_path, *rows, mapping=mapping) == ([] if effect == "off" else [3])
            assert len(fhir_facts(tmp_path / "close")) == count

    def test_other_devices_and_the_same_patient_are_not_told(self, tmp_path: Path) -> None:
        rows = row("A1", "09:30:00"), row("B2", "09:30:20", device="M2"), row("A1", "09:30:40")
        assert self.close(tmp_path, *rows) == []

    def test_a_list_read_again_is_not_close_to_itself(self, tmp_path: Path) -> None:
        rows = row("A1", "09:30:00"), row("B2", "09:30:40", "131,89,74,93,37.8,91.4")
        assert self.close(tmp_path, *rows, *rows) == [3]

    def test_where_nights_meet(self, place: str, tmp_path: Path) -> None:
        run(tmp_path, [export(tmp_path, "a", row("A1", "09:30:00"))], self.SECONDS, "one", ledger=place)
        rows = row("B2", "09:40:00", "131,89,74,93,37.8,91.4"), row("C3", "09:30:30", "132,88,75,92,37.9,92.4")
        assert self.close(tmp_path, *rows, ledger=place) == [3]
        assert "run 1" in said_of(tmp_path / "close", "patients-close-together")[0]


class TestMerged:
    def merge(self, place: str, *pairs: tuple[str, str]) -> None:
        from sqlalchemy import insert

        from gateway.ledger.tables import merged

        systems = {"system": PATIENTS, "surviving_system": PATIENTS}
        with open_ledger(place) as ledger, ledger._writing() as connection:
            for old, now in pairs:
                connection.execute(
                    insert(merged).values(**systems, patient=old, surviving=now, at=datetime.now(UTC), who="N. Ole")
                )

    def test_the_surviving_identifier_is_recorded(self, place: str, tmp_path: Path) -> None:
        self.merge(place, ("A1", "A2"), ("A2", "A3"))
        batch = run(tmp_path, [export(tmp_path, "a", row("A1"))], WIDE, "one", ledger=place)
        adds_up(batch)
        ((known,),) = current(place).values()
        assert (known.patient, known.how) == ("A3", "merge")
        assert lines_of(tmp_path / "one", "patient-merged") == [2]
        assert not any(name in said_of(tmp_path / "one", "patient-merged")[0] for name in ("A1", "A2", "A3"))

    def test_two_identifiers_of_one_patient_are_one_patient(self, place: str, tmp_path: Path) -> None:
        self.merge(place, ("A1", "A2"))
        run(tmp_path, [export(tmp_path, "a", row("A1"))], WIDE, "one", ledger=place)
        again = run(tmp_path, [export(tmp_path, "b", row("A2"))], WIDE, "two", ledger=place)
        assert again.status == 0
        assert not written(tmp_path / "two")

    def test_what_the_old_identifier_has_is_not_recorded_again(self, place: str, tmp_path: Path) -> None:
        run(tmp_path, [export(tmp_path, "a", row("A1"))], WIDE, "one", ledger=place)
        self.merge(place, ("A1", "A2"))
        again = run(tmp_path, [export(tmp_path, "b", row("A2")), tmp_path / "a.csv"], WIDE, "two", ledger=place)
        assert again.status == 0
        assert not written(tmp_path / "two")
        run(tmp_path, [export(tmp_path, "c", row("A2", values="131,79,64,97,36.8,71.4"))], WIDE, "three", ledger=place)
        assert "merged since" in said_of(tmp_path / "three", "other-patient")[0]

    def test_export_and_association_may_name_one_patient_by_either(self, ledger: str, tmp_path: Path) -> None:
        self.merge(ledger, ("A1", "A2"))
        known = stays(tmp_path, "a", ("A2", "08:00", "12:00"))
        batch = run(tmp_path, [export(tmp_path, "a", row("A1"))], WIDE, "one", ledger=ledger, associations=known)
        assert batch.status == 0

    def test_a_circle_is_left_alone(self, ledger: str, tmp_path: Path) -> None:
        self.merge(ledger, ("A1", "A2"), ("A2", "A1"))
        run(tmp_path, [export(tmp_path, "a", row("A1"))], WIDE, "one", ledger=ledger)
        assert [each.patient for (each,) in current(ledger).values()] == ["A1"]


class TestLists:
    """Entries with ages: the same entry moves by up to a step from one list to the next."""

    AGES = WIDE.replace('columns = ["When"]\nformats = ["%Y-%m-%d %H:%M"]', "").replace(
        'zone = "America/Chicago"', 'zone = "America/Chicago"\nage = { column = "When", anchor = "given" }'
    )

    def dump(self, tmp: Path, name: str, place: str | None, sent: str, *rows: str, **options: Any) -> Path:
        given = {"ledger": place} if place else {}
        when = datetime.fromisoformat(f"2026-03-14T{sent}-05:00")
        run(tmp, [export(tmp, name, *rows)], self.AGES, name, sent=when, **given, **options)
        return tmp / name

    def entry(self, age: int, who: str, values: str = VALUES, device: str = "M1") -> str:
        return f"{age},{who},{device},{values}"

    def test_for_another_patient(self, place: str, tmp_path: Path) -> None:
        self.dump(tmp_path, "one", place, "10:00:10", self.entry(30, "A1"))
        out = self.dump(
            tmp_path, "two", place, "10:20:40", self.entry(50, "B2"), self.entry(5, "C3", "131,79,64,97,36.8,")
        )
        assert lines_of(out, "other-patient") == [2]
        assert {fact.patient for fact in fhir_facts(out)} == {"C3"}
        assert {each.patient for sets in current(place).values() for each in sets} == {"A1", "C3"}

    def test_in_one_batch(self, tmp_path: Path) -> None:
        files = [export(tmp_path, "a", self.entry(30, "A1")), export(tmp_path, "b", self.entry(30, "B2"))]
        run(tmp_path, files, self.AGES, "one", sent=datetime.fromisoformat("2026-03-14T10:00:00-05:00"))
        assert {fact.patient for fact in fhir_facts(tmp_path / "one")} == {"A1"}
        assert len(lines_of(tmp_path / "one", "other-patient")) == 1

    def test_after_the_first_was_taken_back(self, place: str, tmp_path: Path) -> None:
        self.dump(tmp_path, "one", place, "10:00:10", self.entry(30, "A1"))
        wrong = {"who": "N. Ole", "why": "the other bed", "reason": "wrong-patient"}
        retract(place, SetFilter(patient="A1"), tmp_path / "back", **wrong)  # type: ignore[arg-type]
        out = self.dump(tmp_path, "two", place, "10:20:40", self.entry(50, "B2"))
        assert {fact.patient for fact in fhir_facts(out)} == {"B2"}
        ((b2,),) = current(place).values()
        assert b2.chain not in (None, b2.identity)
        for name, who in (("three", "B2"), ("four", "A1")):
            out = self.dump(tmp_path, name, place, "10:30:20", self.entry(60, who))
            assert not written(out)
        assert [each.patient for (each,) in current(place).values()] == ["B2"]

    def test_without_a_device_each_patient_has_a_list(self, ledger: str, tmp_path: Path) -> None:
        mapping = self.AGES.replace('[device]\ncolumn = "On"\nsystem = "https://kit.example.org/monitors"\n', "")
        rows = [self.entry(30, "A1"), self.entry(30, "B2"), self.entry(20, "A1", ",,64,97,,"),
                self.entry(20, "B2", ",,64,97,,")]  # fmt: skip
        when = datetime.fromisoformat("2026-03-14T10:00:00-05:00")
        run(tmp_path, [export(tmp_path, "a", *rows)], mapping, "one", sent=when, ledger=ledger)
        assert lines_of(tmp_path / "one", "other-patient") == [3]
        assert len(observations(tmp_path / "one")) == 5 + 2 + 2
