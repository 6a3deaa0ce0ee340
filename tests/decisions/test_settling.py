"""Decisions about holds: what fits is settled, what does not is refused when it is decided, with the reason."""

from __future__ import annotations

from pathlib import Path

import pytest

from gateway.checks import rules
from gateway.errors import UsageError
from gateway.ledger import HoldFilter, SetFilter, open_ledger
from gateway.model import Effect
from tests.conversion.conversion_kit import fhir_facts
from tests.decisions.decisions_kit import CHECKED, SYSTEMS, WHO, WHY, Ward, told

RECORDED = "2026-03-14 09:30,A1,M1,,,,97,54.1,"
"""Its SpO2 is recorded, its temperature is held."""
NOBODY = "2026-03-14 09:45,,M1,118,76,71,98,36.6,"


@pytest.fixture
def ward(place: str, tmp_path: Path) -> Ward:
    return Ward(tmp_path, place)


def only(ward: Ward) -> int:
    (hold,) = ward.holds()
    return hold.id


class TestAssign:
    def test_a_hold_about_a_value_is_not_assigned(self, ward: Ward) -> None:
        """What is recorded of the set would be recorded again for the other patient, and nothing taken back."""
        ward.convert(RECORDED)
        with pytest.raises(UsageError, match=r"hold 1 is about its values \(outside-hold-limits\)") as refused:
            ward.settle("assign", only(ward), patient="B2")
        assert "gateway move" in refused.value.todo
        ward.convert()
        assert {patient for patient, _ in ward.patients()} == {"A1"}
        assert not ward.audit()

    def test_a_patient_is_recorded_by_the_next_run(self, both: str, tmp_path: Path) -> None:
        ward = Ward(tmp_path, both)
        ward.convert(NOBODY)
        dry = ward.settle("assign", only(ward), patient="B2", dry_run=True)
        assert not ward.audit()
        assert told(dry) == told(ward.settle("assign", only(ward), patient="B2"))
        assert (dry.holds, dry.readings) == (1, 5)
        batch = ward.convert()
        assert {fact.patient for fact in fhir_facts(batch.folder)} == {"B2"}
        assert ward.audit() == [(WHO, "assign", "hold", WHY)]
        assert not ward.holds()

    @pytest.mark.parametrize("patient", ["b2", "B", "", " B2"])
    def test_the_form_of_the_identifier(self, ward: Ward, patient: str) -> None:
        ward.convert(NOBODY)
        with pytest.raises(UsageError, match=r"declared form|needs --patient") as refused:
            ward.settle("assign", only(ward), patient=patient)
        assert not patient.strip() or patient not in str(refused.value)
        assert not ward.audit()

    def test_its_check_digit(self, ward: Ward) -> None:
        ward.mapping = CHECKED.replace("pattern = '[A-Z]\\d+'", 'pattern = "any"\ncheck = "luhn"')
        ward.convert(NOBODY)
        with pytest.raises(UsageError, match="the assigned patient identifier fails its check digit"):
            ward.settle("assign", only(ward), patient="79927398710")
        ward.settle("assign", only(ward), patient="79927398713")
        ward.convert()
        assert {patient for patient, _ in ward.patients()} == {"79927398713"}

    def test_a_newer_mapping_is_asked(self, ward: Ward) -> None:
        ward.convert(NOBODY)
        ward.mapping = CHECKED.replace("[A-Z]", "[a-z]").replace('version = "1"', 'version = "2"')
        ward.settle("assign", only(ward), patient="b2", now=True)
        ward.convert()
        assert {patient for patient, _ in ward.patients()} == {"b2"}

    def test_the_newest_mapping_of_the_ledger_is_asked(self, ward: Ward) -> None:
        """The next run will have it, and not the one that the hold was made with."""
        ward.convert(NOBODY, NOBODY.replace("09:45,,", "09:55,A1,"))
        ward.mapping = CHECKED.replace("[A-Z]", "[a-z]").replace('version = "1"', 'version = "2"')
        ward.convert()
        ward.retract(SetFilter(patient="A1"))
        with pytest.raises(UsageError, match="declared form"):
            ward.settle("assign", 1, patient="B2")
        ward.settle("assign", 1, patient="b2")
        ward.convert()
        assert {patient for patient, _ in ward.patients()} == {"b2"}

    def test_another_mapping_is_refused(self, ward: Ward) -> None:
        ward.convert(NOBODY)
        ward.mapping = CHECKED.replace('title = "A kit"', 'title = "Another kit"')
        with pytest.raises(UsageError, match="does not take up what was made with 'A kit'"):
            ward.settle("assign", only(ward), patient="B2", now=True)

    def test_of_which_system(self, ward: Ward) -> None:
        ward.mapping = SYSTEMS
        header = "When,Who,On,Sys,Dia,HR,SpO2,Temp,Weight,Issuer"
        ward.convert(f"{NOBODY},", header=header)
        with pytest.raises(UsageError, match="names 2 systems"):
            ward.settle("assign", only(ward), patient="B2")
        with pytest.raises(UsageError, match="does not know this system"):
            ward.settle("assign", only(ward), patient="B2", system="https://other.example.org/patients")
        ward.settle("assign", only(ward), patient="B2", system="https://away.example.org/patients")
        ward.convert()
        assert [(each.patient, each.patient_system) for each in ward.sets()] == [
            ("B2", "https://away.example.org/patients")
        ]

    def test_nor_without_a_time(self, ward: Ward) -> None:
        ward.convert(NOBODY.replace("2026-03-14 09:45", "99 March"))
        with pytest.raises(UsageError, match="cannot be assigned: it would still be held"):
            ward.settle("assign", only(ward), patient="B2")

    def test_what_is_recorded_already_is_moved_instead(self, ward: Ward) -> None:
        """The set went to another patient; another export says it again for the first, with another saturation."""
        ward.convert(NOBODY.replace(",,M1", ",A1,M1"))
        ward.move(SetFilter(), "B2", now=True)
        ward.convert(NOBODY.replace(",,M1", ",A1,M1").replace(",98,", ",96,"), NOBODY.replace("09:45,,", "09:55,C3,"))
        (hold,) = ward.holds()
        assert hold.reasons == "other-patient"
        with pytest.raises(UsageError, match=r"is recorded for a patient already") as refused:
            ward.settle("assign", hold.id, patient="C3")
        assert "gateway move" in refused.value.todo
        with pytest.raises(UsageError, match=r"is held by other-patient"):
            ward.settle("confirm", hold.id)
        assert [owner for owner in ward.owners().values() if len(owner) > 1] == []

    def test_one_measurement_is_promised_once(self, ward: Ward) -> None:
        """Two exports say it, and its set was moved and taken back: one hold of it for each of the two patients."""
        ward.convert(NOBODY.replace(",,M1", ",A1,M1"))
        ward.move(SetFilter(), "B2", now=True)
        ward.convert(NOBODY.replace(",,M1", ",A1,M1").replace(",98,", ",96,"), NOBODY.replace("09:45,,", "09:55,C3,"))
        ward.retract(SetFilter(patient="B2"))
        one, two = ward.holds()
        ward.settle("assign", two.id, patient="B2")
        with pytest.raises(UsageError, match=f"same measurement as hold {two.id}, which goes to another patient"):
            ward.settle("assign", one.id, patient="D4")
        ward.settle("assign", one.id, patient="B2")
        ward.convert()
        assert sorted(patient for patient, _ in ward.patients()) == ["B2", "C3"]

    def test_a_system_that_the_mapping_lost(self, ward: Ward) -> None:
        ward.mapping = SYSTEMS
        header = "When,Who,On,Sys,Dia,HR,SpO2,Temp,Weight,Issuer"
        ward.convert(f"{NOBODY},", header=header)
        ward.settle("assign", only(ward), patient="B2", system="https://away.example.org/patients")
        ward.mapping = SYSTEMS.replace("away.example.org", "far.example.org")
        ward.convert()
        assert not ward.patients()
        assert [hold.reasons for hold in ward.holds()] == ["patient-system-undeclared"]

    def test_all_or_none(self, ward: Ward) -> None:
        ward.convert(RECORDED, NOBODY)
        with pytest.raises(UsageError):
            ward.settle("assign", *[hold.id for hold in ward.holds()], patient="B2")
        assert not [hold for hold in ward.holds() if hold.action]


class TestConfirm:
    def test_only_what_may_be_relaxed(self, ward: Ward) -> None:
        ward.convert(NOBODY)
        with pytest.raises(
            UsageError, match="held by patient-missing, and cannot be released by confirming"
        ) as refused:
            ward.settle("confirm", only(ward))
        assert "gateway resolve assign" in refused.value.todo
        ward.convert("2026-03-14 10:10,A1,M1,,,,9x7,,")
        hold = ward.holds()[-1]
        with pytest.raises(UsageError, match=f"held by {hold.reasons}") as refused:
            ward.settle("confirm", hold.id)
        assert f"gateway rules {hold.reasons}" in refused.value.todo

    def test_a_patient_who_was_assigned_stays(self, ward: Ward) -> None:
        """First whose it is, then that the value is right: the value must not go to the export's own patient."""
        ward.convert(NOBODY.replace("36.6", "54.1"))
        ward.settle("assign", only(ward), patient="B2")
        ward.convert()
        assert [hold.reasons for hold in ward.holds()] == ["outside-hold-limits"]
        ward.settle("confirm", only(ward))
        ward.convert()
        assert not ward.holds()
        assert {patient for patient, _ in ward.patients()} == {"B2"}
        (known,) = ward.sets()
        assert "temperature" in known.readings

    def test_both_at_once(self, ward: Ward) -> None:
        ward.convert(NOBODY.replace("36.6", "54.1"))
        ward.settle("assign", only(ward), patient="B2")
        ward.settle("confirm", only(ward))
        ward.convert()
        assert not ward.holds()
        assert {patient for patient, _ in ward.patients()} == {"B2"}

    def test_what_was_confirmed_is_over_when_the_set_is_taken_back(self, ward: Ward) -> None:
        """Else the next run would record for the wrong patient what was just retracted."""
        ward.convert(RECORDED)
        ward.settle("confirm", only(ward))
        ward.retract(SetFilter())
        ward.convert()
        assert not ward.patients()
        assert [hold.action for hold in ward.holds()] == [""]


def test_discarded(ward: Ward) -> None:
    ward.convert(RECORDED, NOBODY)
    effect = ward.settle("discard", *[hold.id for hold in ward.holds()])
    assert effect.holds == 2
    assert not ward.holds()
    with pytest.raises(UsageError, match="hold 1 is not open"):
        ward.settle("discard", 1)


@pytest.mark.parametrize(("action", "options"), [("confirm", {"patient": "B2"}), ("confirm", {"system": "x"}),
                                                 ("discard", {"patient": "B2"}), ("assign", {})])  # fmt: skip
def test_what_does_not_go_together(ward: Ward, action: str, options: dict[str, str]) -> None:
    ward.convert(NOBODY)
    with pytest.raises(UsageError, match=f"{action} (needs|does not use) --"):
        ward.settle(action, only(ward), **options)  # type: ignore[arg-type]


def test_who_and_why_are_needed(ward: Ward) -> None:
    from gateway.decisions import Settle, decide

    ward.convert(NOBODY)
    for who, why in (("", WHY), (WHO, "  ")):
        with pytest.raises(UsageError, match="must not be empty"):
            decide(ward.place, Settle(action="discard", which=HoldFilter(ids=(1,)), who=who, why=why))
    with open_ledger(ward.place, readonly=True) as ledger:
        assert not ledger.audit()


def test_rules_about_the_patient_say_so() -> None:
    """That a person may name the patient is a property of the rule, and of none that is about a value."""
    for rule in rules().values():
        if rule.effect is Effect.HOLD and rule.slug.startswith(("patient-", "association-", "other-patient")):
            assert rule.about == "patient", rule.slug
        if rule.adjustable or rule.check is not None:
            assert rule.about == "", rule.slug
