"""Sets go to another patient: taken back there, recorded here, in the right order, once."""

from __future__ import annotations

import json
from datetime import datetime
from pathlib import Path

import pytest

from gateway.errors import UsageError
from gateway.ledger import SetFilter, open_ledger
from tests.conversion.conversion_kit import fhir_facts, observations, oru_messages
from tests.decisions.decisions_kit import CHECKED, SYSTEMS, WHO, WHY, Ward, told

ROWS = (
    "2026-03-14 09:30,A1,M1,121,79,64,97,36.8,",
    "2026-03-14 10:00,A1,M1,118,76,71,98,36.6,",
    "2026-03-14 10:30,A1,M1,119,77,70,96,54.1,",
)
BY_ASSOCIATION = CHECKED.replace('column = "Who"\n', "")
TYPED = "M1,A1,2026-03-14T08:00:00-05:00,2026-03-14T12:00:00-05:00,typed,N. Ole"
HEAD = "device,patient,from,to,established,by\n"


def epoch(clock: str) -> int:
    return int(datetime.fromisoformat(f"2026-03-14T{clock}:00-05:00").timestamp())


AFTER = SetFilter(since=epoch("09:40"))


@pytest.fixture
def ward(place: str, tmp_path: Path) -> Ward:
    return Ward(tmp_path, place)


def current(ward: Ward) -> list[tuple[str, int]]:
    return sorted((each.patient, each.epoch) for each in ward.sets())


def test_recorded_at_once(both: str, tmp_path: Path) -> None:
    ward = Ward(tmp_path, both)
    ward.convert(*ROWS)
    dry = ward.move(AFTER, "B2", now=True, dry_run=True)
    assert (dry.sets, dry.moved, dry.kept, dry.waiting) == (2, 2, 0, 0)
    assert not ward.audit()
    done = ward.move(AFTER, "B2", now=True)
    assert told(done) == told(dry)
    assert done.folder is not None
    assert done.anew is not None
    back = observations(done.folder)
    assert {each["status"] for each in back} == {"entered-in-error"}
    assert len(back) == done.observations
    assert {str(segment[11]) for each in oru_messages(done.folder) for segment in each.segments("OBX")} == {"W"}
    anew = fhir_facts(done.anew.folder)
    assert {(fact.patient, fact.time[11:16]) for fact in anew} == {("B2", "10:00"), ("B2", "10:30")}
    assert current(ward) == [("A1", epoch("09:30")), ("B2", epoch("10:00")), ("B2", epoch("10:30"))]
    # One decision, and each set that it is about.
    assert ward.audit() == [(WHO, "move", "run", WHY), (WHO, "move", "set", WHY), (WHO, "move", "set", WHY)]
    # The value that was held is held still, as the other patient's.
    assert [(hold.reasons, hold.patient) for hold in ward.holds()] == [("outside-hold-limits", "B2")]
    ward.settle("confirm", ward.holds()[0].id)
    ward.convert()
    assert {fact.patient for fact in fhir_facts(ward.folder / f"out-{ward.turn}")} == {"B2"}
    assert not ward.holds()


def test_recorded_by_the_next_run(both: str, tmp_path: Path) -> None:
    ward = Ward(tmp_path, both)
    ward.convert(*ROWS[:2])
    ward.move(AFTER, "B2")
    assert current(ward) == [("A1", epoch("09:30"))]
    assert [(hold.action, hold.patient) for hold in ward.holds()] == [("assign", "B2")]
    ward.convert()
    assert current(ward) == [("A1", epoch("09:30")), ("B2", epoch("10:00"))]
    assert not ward.holds()


def test_every_target_gets_them_in_order(ward: Ward) -> None:
    ward.convert(*ROWS[:2])
    ward.convert("2026-03-14 11:00,C3,M2,,,,97,,", targets=(("ehr", "fhir"),))
    ward.move(SetFilter(patient="A1", since=epoch("09:40")), "B2", now=True)
    with open_ledger(ward.place, readonly=True) as ledger:
        (retraction,) = [run.id for run in ledger.runs() if run.counts == '{"retracted": 1}']
        recorded = [run.id for run in ledger.runs()][-1]
    for target in ("ehr", "lab"):
        runs = [run for run, _ in ward.queue(target)]
        assert runs == sorted(runs)
        assert runs[-2:] == [retraction, recorded]


def test_a_target_that_did_not_get_them_gets_no_retraction(ward: Ward) -> None:
    ward.convert(ROWS[0], targets=(("ehr", "fhir"),))
    ward.convert(ROWS[1].replace("M1", "M2"))
    ward.move(SetFilter(device="M1"), "B2", now=True)
    assert {run for run, _ in ward.queue("lab")} == {2}


def test_back_again(ward: Ward) -> None:
    """There and back: the set is the first patient's once more, and nobody else's."""
    ward.convert(ROWS[0])
    before = ward.patients()
    ward.move(SetFilter(), "B2", now=True)
    ward.move(SetFilter(patient="B2"), "A1", now=True)
    assert ward.patients() == before
    assert not ward.holds()
    ward.move(SetFilter(), "B2")
    ward.convert()
    assert {patient for patient, _ in ward.patients()} == {"B2"}
    states = [(each.patient, each.state, each.revision) for each in ward.sets(None)]
    assert sorted(states) == [("A1", "retracted", 2), ("B2", "recorded", 2)]


def test_what_is_the_patients_already_is_left_alone(ward: Ward) -> None:
    ward.convert(ROWS[0], ROWS[1].replace("A1", "B2"))
    done = ward.move(SetFilter(device="M1"), "B2", now=True)
    assert (done.sets, done.moved, done.kept) == (1, 1, 1)
    with pytest.raises(UsageError, match="nothing is to be moved: all 2 sets are recorded for that patient already"):
        ward.move(SetFilter(device="M1"), "B2")
    assert [each.revision for each in ward.sets()] == [1, 1]


def test_values_that_wait_elsewhere_go_with_the_set(ward: Ward) -> None:
    """Another export said more of the set, which is held: it is the other patient's as well."""
    ward.convert(ROWS[0].replace("36.8", ""))
    ward.convert(ROWS[0].replace("36.8", "54.1"))
    (hold,) = ward.holds()
    ward.move(SetFilter(), "B2", now=True)
    ward.settle("confirm", hold.id)
    ward.convert()
    assert {patient for patient, _ in ward.patients()} == {"B2"}
    assert all("temperature" in each.readings for each in ward.sets())


def test_a_confirmed_value_stays_confirmed(ward: Ward) -> None:
    ward.convert(ROWS[2])
    ward.settle("confirm", ward.holds()[0].id)
    ward.move(SetFilter(), "B2", now=True)
    assert not ward.holds()
    ((patient, readings),) = ward.patients()
    assert patient == "B2"
    assert "temperature" in readings


def test_only_its_own_sets_are_recorded_at_once(ward: Ward) -> None:
    """Other holds wait for a run of their own, which may know more of them."""
    ward.convert(ROWS[0], "2026-03-14 11:00,,M1,118,76,71,98,36.6,")
    ward.settle("assign", ward.holds()[0].id, patient="C3")
    ward.move(SetFilter(), "B2", now=True)
    assert {patient for patient, _ in ward.patients()} == {"B2"}
    assert [hold.patient for hold in ward.holds()] == ["C3"]


class TestRefused:
    @pytest.mark.parametrize(
        ("patient", "system", "what"),
        [
            ("", "", "a move needs to know where to"),
            ("b2", "", "cannot be moved: the assigned patient identifier does not have the declared form"),
            ("B2", "https://other.example.org", "does not know this system"),
        ],
    )
    def test_where_to(self, ward: Ward, patient: str, system: str, what: str) -> None:
        ward.convert(*ROWS[:2])
        before = current(ward)
        for dry_run in (True, False):
            with pytest.raises(UsageError, match=what):
                ward.move(SetFilter(), patient, system, dry_run=dry_run)
        assert current(ward) == before
        assert not ward.audit()
        assert not list(ward.folder.glob(".out*"))

    def test_of_which_system(self, ward: Ward) -> None:
        ward.mapping = SYSTEMS
        header = "When,Who,On,Sys,Dia,HR,SpO2,Temp,Weight,Issuer"
        ward.convert(f"{ROWS[0]},HOME", header=header)
        with pytest.raises(UsageError, match="names 2 systems"):
            ward.move(SetFilter(), "A1")
        ward.move(SetFilter(), "A1", "https://away.example.org/patients", now=True)
        assert [(each.patient, each.patient_system) for each in ward.sets()] == [
            ("A1", "https://away.example.org/patients")
        ]

    def test_nothing_fits(self, ward: Ward) -> None:
        ward.convert(ROWS[0])
        with pytest.raises(UsageError, match="No recorded set fits"):
            ward.move(SetFilter(device="M7"), "B2")

    def test_a_mapping_without_the_columns(self, ward: Ward) -> None:
        ward.convert(ROWS[0])
        ward.mapping = CHECKED.replace('"SpO2"', '"Saturation"')
        with pytest.raises(UsageError, match="does not find the entry of set"):
            ward.move(SetFilter(), "B2", now=True)
        assert {patient for patient, _ in ward.patients()} == {"A1"}

    def test_different_forms_at_once(self, ward: Ward) -> None:
        ward.convert(ROWS[0])
        ward.convert(ROWS[1], as_="fhir", targets=())
        with pytest.raises(UsageError, match="different forms"):
            ward.move(SetFilter(), "B2", now=True)
        done = ward.move(SetFilter(), "B2")
        assert (done.sets, done.messages) == (2, 1)


def test_sets_of_several_mappings(ward: Ward) -> None:
    """Each is taken back with the names and in the form it was recorded with."""
    ward.convert(ROWS[0])
    other = CHECKED.replace('title = "A kit"', 'title = "Other"') + '\n[output.oru]\nsending_application = "OTHER"\n'
    ward.convert(ROWS[1], mapping=other, bundle="collection", targets=(("lab", "oru"),))
    done = ward.move(SetFilter(), "B2")
    assert done.folder is not None
    kinds = sorted(json.loads(path.read_text())["type"] for path in done.folder.glob("fhir/*.json"))
    assert kinds == ["collection", "transaction"]
    assert len({str(each.segment("MSH")[3]) for each in oru_messages(done.folder)}) == 2
    ward.convert()
    ward.convert(mapping=other)
    assert {patient for patient, _ in ward.patients()} == {"B2"}


class TestAssociations:
    @pytest.fixture
    def ward(self, place: str, tmp_path: Path) -> Ward:
        ward = Ward(tmp_path, place, BY_ASSOCIATION)
        (tmp_path / "typed.csv").write_text(f"{HEAD}{TYPED}\n")
        rows = [row.replace(",A1,", ",x,") for row in (*ROWS[:2], ROWS[2].replace("54.1", "36.9"))]
        ward.convert(*rows, associations=tmp_path / "typed.csv")
        return ward

    def rewritten(self, ward: Ward, *stretches: tuple[str, str, str]) -> Path:
        path = ward.folder / "scanned.csv"
        lines = [f"M1,{who},2026-03-14T{a}:00-05:00,2026-03-14T{b}:00-05:00,scanned,N. Ole" for who, a, b in stretches]
        path.write_text(HEAD + "\n".join([*lines, ""]))
        return path

    @pytest.mark.parametrize("now", [True, False])
    def test_each_goes_to_whom_they_name(self, ward: Ward, now: bool) -> None:
        right = self.rewritten(ward, ("A1", "08:00", "09:40"), ("B2", "09:40", "10:20"))
        dry = ward.move(SetFilter(device="M1"), associations=right, dry_run=True, now=now)
        assert (dry.sets, dry.moved, dry.kept, dry.waiting) == (2, 1, 1, 1)
        assert (
            dict(dry.words())["patients"] == "1 set goes to another patient, 1 stays where it is, 1 to nobody and waits"
        )
        assert told(ward.move(SetFilter(device="M1"), associations=right, now=now)) == told(dry)
        ward.convert(associations=right)
        assert current(ward) == [("A1", epoch("09:30")), ("B2", epoch("10:00"))]
        assert [hold.epoch for hold in ward.holds()] == [epoch("10:30")]

    def test_a_change_within_the_minute_is_nobodys(self, ward: Ward) -> None:
        """As the next run would say it: the printed time is known to the minute."""
        right = self.rewritten(ward, ("A1", "08:00", "10:00"), ("B2", "10:00", "12:00"))
        text = right.read_text().replace("10:00:00", "10:00:30")
        right.write_text(text)
        dry = ward.move(SetFilter(device="M1"), associations=right, dry_run=True)
        assert (dry.moved, dry.kept, dry.waiting) == (1, 1, 1)

    def test_to_a_patient_without_associations(self, ward: Ward) -> None:
        ward.move(AFTER, "B2", now=True)
        assert [patient for patient, _ in current(ward)] == ["A1", "B2", "B2"]
