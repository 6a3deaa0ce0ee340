"""Sequences of events after which a measurement was charted for two patients, or an old value stood for a new one."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import replace
from datetime import datetime

import pytest

from gateway.errors import UsageError
from gateway.ledger import OutboxFilter, SetFilter
from tests.properties.life_kit import (
    AHEAD,
    DAY,
    MEASUREMENTS,
    PATIENTS,
    ZONE,
    Behaviour,
    Facts,
    Life,
    Mapping,
    Row,
    Stay,
    current,
)

A, B, C = PATIENTS
TEN, HALF_PAST, SECONDS_LATER, OTHER_MONITOR = 0, 1, 2, 3
"""Places in `MEASUREMENTS`."""


def states(facts: Facts, vital: str) -> set[str]:
    """What is said of a vital, of whatever set."""
    return {str(fact.state) for (_, each), fact in facts.items() if each == vital}


class TestOnePatient:
    """A measurement that was charted for one patient comes again for another."""

    def test_by_associations_that_were_corrected(self, life: Life) -> None:
        life.actions.change_mapping(Mapping(associated=True))
        life.actions.change_associations([Stay("M1", A, "08:00", "12:00")])
        export = life.export(Row(TEN), Row(HALF_PAST))
        life.night(export)
        life.actions.change_associations([Stay("M1", A, "08:00", "09:40"), Stay("M1", B, "09:40", "12:00")])
        life.night(export)
        life.check()
        life.check_drained()
        life.check_again()

    def test_by_a_patient_column_that_was_changed(self, life: Life) -> None:
        life.night(life.export(Row(TEN, A), Row(HALF_PAST, A)))
        life.night(life.export(Row(TEN, B), Row(HALF_PAST, A)))
        life.check()
        life.check_drained()
        life.check_again()

    def test_by_two_rows_of_one_export(self, life: Life) -> None:
        life.night(life.export(Row(TEN, A), Row(TEN, B)))
        life.check()
        life.check_drained()
        life.check_again()


class TestAssign:
    def test_a_hold_that_is_about_a_value(self, life: Life) -> None:
        life.night(life.export(Row(TEN, A, "implausible")))
        hold = life.hold("outside-hold-limits")
        with pytest.raises(UsageError):
            life.decide(lambda: life.actions.assign([hold], B))
        life.night()
        life.check()
        life.check_drained()

    def test_nothing_is_charted_twice_by_it(self, life: Life) -> None:
        """Whatever is said of the decision."""
        life.night(life.export(Row(TEN, A, "implausible")))
        hold = life.hold("outside-hold-limits")
        with suppress(UsageError):
            life.decide(lambda: life.actions.assign([hold], B))
        life.night()
        life.check()
        life.check_drained()

    def test_a_patient_that_the_mapping_refuses(self, life: Life) -> None:
        life.night(life.export(Row(TEN, "")))
        hold = life.hold("patient-missing")
        with pytest.raises(UsageError):
            life.decide(lambda: life.actions.assign([hold], "P-42"))

    def test_a_patient_where_there_is_none(self, life: Life) -> None:
        life.night(life.export(Row(TEN, "")))
        hold = life.hold("patient-missing")
        life.decide(lambda: life.actions.assign([hold], B))
        life.night()
        assert {fact.patient for fact in life.facts().values()} == {B}
        life.check_drained()
        life.check_again()


class TestOrder:
    def test_what_was_parked_comes_after_its_correction(self, life: Life) -> None:
        life.lab.behaviour = Behaviour("refuse", vital="systolic")
        life.night(life.export(Row(TEN)))
        assert life.actions.items(target="lab", state="parked")
        life.accept()
        life.night(life.export(Row(TEN, A, "other pressure")))
        life.check_drained()
        assert states(life.lab.facts(), "systolic") == {"161"}
        life.check_again()

    @pytest.mark.parametrize("target", ["ehr", "lab"])
    def test_what_was_retracted_is_replayed(self, life: Life, target: str) -> None:
        """The second night's correction is what a FHIR server would take again; of a first creation it has a record."""
        life.night(life.export(Row(TEN)))
        life.night(life.export(Row(TEN, A, "other pressure")))
        life.retract(SetFilter(patient=A), "wrong-patient")
        life.deliver()
        life.check_drained()
        life.decide(lambda: life.actions.replay(OutboxFilter(target=target, run=2)))
        life.check_drained()
        assert not current(life.lab.facts())
        assert not current(life.ehr.facts())

    def test_what_was_corrected_is_replayed(self, life: Life) -> None:
        life.night(life.export(Row(TEN)))
        life.night(life.export(Row(TEN, A, "other pressure")))
        life.decide(lambda: life.actions.replay(OutboxFilter(target="lab", run=1)))
        life.check_drained()


class TestTakenBackAndSaidAgain:
    """A record that was taken back is said again later, by a version that is not the next one."""

    @pytest.mark.parametrize("sent", [True, False])
    def test_it_is_there(self, life: Life, sent: bool) -> None:
        life.convert(life.export(Row(SECONDS_LATER, B, "other pressure")))
        if sent:
            life.deliver()
        life.retract(SetFilter(patient=B), "error")
        life.night(life.export(Row(SECONDS_LATER, B, "implausible")))
        confirm = life.hold("outside-hold-limits")
        life.decide(lambda: life.actions.confirm([confirm]))
        life.night()
        life.check()
        assert {vital: str(fact.state) for (_, vital), fact in current(life.ehr.facts()).items()}[
            "temperature"
        ] == "54.1"
        life.check_drained()

    def test_what_was_never_sent_is_not_withdrawn(self, life: Life) -> None:
        life.convert(life.export(Row(SECONDS_LATER, B, "other pressure")))
        life.retract(SetFilter(patient=B), "error")
        life.night(life.export(Row(SECONDS_LATER, B, "implausible")))
        assert "temperature" not in {vital for _, vital in life.ehr.facts()}
        life.check_drained()


class TestQueue:
    def test_one_refusal_does_not_hold_back_the_others(self, life: Life) -> None:
        life.lab.behaviour = Behaviour("refuse", patient=A, named=False)
        life.night(life.export(Row(TEN, A), Row(OTHER_MONITOR, B)))
        for _ in range(10):
            life.night()
        assert {fact.patient for fact in life.lab.facts().values()} == {B}

    def test_nor_does_one_of_a_bundle(self, life: Life) -> None:
        life.ehr.behaviour = Behaviour("refuse", patient=A, named=False)
        life.night(life.export(Row(TEN, A), Row(OTHER_MONITOR, B)))
        assert {fact.patient for fact in life.ehr.facts().values()} == {B}
        life.check_drained()

    def test_a_refusal_with_a_name_parks_one_set(self, life: Life) -> None:
        life.ehr.behaviour = Behaviour("refuse", patient=A, named=True)
        life.night(life.export(Row(TEN, A), Row(OTHER_MONITOR, B)))
        assert {fact.patient for fact in life.ehr.facts().values()} == {B}
        life.check_drained()


class TestLostAnswers:
    """What was sent, and not answered, may be there: it is taken back before it is charted for another patient."""

    @pytest.mark.parametrize("named", [True, False])
    def test_though_it_is_parked_since(self, life: Life, named: bool) -> None:
        life.ehr.behaviour = Behaviour("drop")
        life.night(life.export(Row(TEN, A)))
        life.ehr.behaviour = Behaviour("refuse", vital="systolic", named=named)
        life.deliver()
        assert life.actions.items(target="ehr", state="parked")
        life.accept()
        life.move(SetFilter(patient=A), B, now=True)
        life.deliver()
        life.check()
        assert {fact.patient for fact in current(life.ehr.facts()).values()} == {B}
        life.check_drained()

    def test_though_there_was_no_connection_before(self, life: Life) -> None:
        life.ehr.behaviour = Behaviour("away")
        life.night(life.export(Row(TEN, A)))
        life.ehr.behaviour = Behaviour("drop")
        life.deliver()
        life.ehr.behaviour = Behaviour("away")
        life.deliver()
        life.accept()
        life.move(SetFilter(patient=A), B, now=True)
        life.deliver()
        life.check()
        assert {fact.patient for fact in current(life.ehr.facts()).values()} == {B}
        life.check_drained()


class TestSetsOfOneBundle:
    """Monitors whose clocks are corrected: what each says of its clock is a source of the whole bundle."""

    @pytest.fixture(autouse=True)
    def _clock(self, life: Life) -> None:
        life.actions.change_mapping(Mapping(clock=True))

    @pytest.mark.parametrize("named", [True, False])
    def test_one_that_is_refused_holds_back_no_other(self, life: Life, named: bool) -> None:
        life.ehr.behaviour = Behaviour("refuse", patient=A, named=named)
        life.night(life.export(Row(TEN, A), Row(OTHER_MONITOR, B)))
        assert {fact.patient for fact in life.ehr.facts().values()} == {B}
        life.check_drained()

    def test_one_that_was_moved_before_it_was_sent_is_left_out(self, life: Life) -> None:
        life.convert(life.export(Row(TEN, A), Row(OTHER_MONITOR, A)))
        moved = next(known for known in life.known if known.device == "M1")
        life.move(SetFilter(identities=[moved.identity]), B, now=True)
        life.deliver()
        life.check()
        assert {(fact.device, fact.patient) for fact in life.ehr.facts().values()} == {("M1", B), ("M2", A)}
        life.check_drained()


class TestOldNews:
    """What an export said earlier is not said of the set again."""

    def test_a_hold_does_not_bring_back_what_was_corrected(self, life: Life) -> None:
        """Its temperature waits for a person, who has done nothing when the next night comes."""
        life.night(life.export(Row(TEN, A, "implausible")))
        life.night(life.export(Row(TEN, A, "other spo2")))
        life.night()
        assert states(life.facts(), "spo2") == {"88"}
        life.check_drained()
        life.check_again()

    def test_nor_does_an_export_that_is_read_again(self, life: Life) -> None:
        """Converting twice adds nothing, and a night reads again what it could not move away."""
        first = life.export(Row(TEN))
        life.night(first)
        life.night(life.export(Row(TEN, A, "other spo2")))
        life.night(first)
        assert states(life.facts(), "spo2") == {"88"}
        life.check_drained()
        life.check_again()

    def test_two_rows_that_contradict_each_other_do_not_take_turns(self, life: Life) -> None:
        life.night(life.export(Row(TEN), Row(TEN, A, "other pressure")))
        life.check_drained()
        life.check_again()

    def test_nor_does_the_second_correct_the_first_by_itself(self, life: Life) -> None:
        """The mapping accepts corrections; but what stands in the same export, and waits for a person, is no news."""
        export = life.export(Row(TEN, A, "other spo2"), Row(TEN, A, "not taken"))
        for _ in range(3):
            life.night(export)
            assert states(life.facts(), "spo2") == {"88"}
        assert [hold.reasons for hold in life.held] == ["same-identity-other-content"]

    def test_nor_when_a_person_has_moved_both(self, life: Life) -> None:
        """Who says whose a set is says nothing about its values."""
        export = life.export(Row(OTHER_MONITOR, A, "other spo2"), Row(OTHER_MONITOR, A))
        life.night(export)
        life.move(SetFilter(patient=A), B)
        for _ in range(3):
            life.night(export)
            assert {(fact.patient, str(fact.state)) for (_, vital), fact in life.facts().items()
                    if vital == "spo2" and fact.state != "withdrawn"} == {(B, "88")}  # fmt: skip

    def test_what_was_taken_back_does_not_join_what_was_recorded_since(self, life: Life) -> None:
        """The contradicting row has no temperature; that of the row that was taken back stays away."""
        life.night(life.export(Row(OTHER_MONITOR, A, "other spo2"), Row(OTHER_MONITOR, A, "left out")))
        life.retract(SetFilter(patient=A), "error")
        life.check_again()
        assert "temperature" not in {vital for _, vital in current(life.facts())}
        assert {hold.reasons for hold in life.held} == {"retracted-before"}


class TestSecondTime:
    """A run that is made once more finds everything as it left it."""

    def test_what_was_taken_back_is_judged_after_what_waited_for_that(self, life: Life) -> None:
        """The second patient's row is recorded when the first's is taken back, which waits for a person, as before."""
        life.night(life.export(Row(TEN, A), Row(TEN, B)))
        life.retract(SetFilter(patient=A), "wrong-patient")
        life.night()
        assert [hold.reasons for hold in life.held] == ["retracted-before"]
        life.check_again()

    def test_two_that_are_held_do_not_change_places(self, life: Life) -> None:
        life.night(life.export(Row(SECONDS_LATER, A, "implausible")))
        life.night(life.export(Row(SECONDS_LATER, A)))
        life.retract(SetFilter(patient=A), "wrong-patient")
        life.check_again()
        assert [hold.reasons for hold in life.held] == ["outside-hold-limits,retracted-before", "retracted-before"]

    def test_what_is_recorded_for_one_is_held_for_another_in_the_same_run(self, life: Life) -> None:
        """The first was taken back, for another reason than the patient; then something new is recorded of it."""
        export = life.export(Row(OTHER_MONITOR, A, "other pressure"), Row(OTHER_MONITOR, A), Row(OTHER_MONITOR, B))
        life.night(export)
        life.retract(SetFilter(patient=A), "error")
        life.check_again()
        assert [hold.reasons for hold in life.held] == ["other-patient", "retracted-before"]

    def test_and_after_what_a_person_has_assigned(self, life: Life) -> None:
        life.night(life.export(Row(TEN, C, "not taken"), Row(TEN, "", "implausible")))
        assign = life.hold("patient-missing")
        life.decide(lambda: life.actions.assign([assign], A))
        life.night()
        life.retract(SetFilter(patient=C), "error")
        life.night()
        assert [hold.reasons for hold in life.held] == ["outside-hold-limits"]
        life.check_again()

    def test_what_waits_on_says_nothing_against_what_was_released(self, life: Life) -> None:
        """Of two rows that contradict each other one is confirmed; its export, read again, finds it recorded."""
        life.night(life.export(Row(3, A, "implausible"), Row(3, A)))
        confirm = life.hold("outside-hold-limits")
        life.decide(lambda: life.actions.confirm([confirm]))
        life.check_again()
        assert [hold.reasons for hold in life.held] == ["same-identity-other-content"]

    def test_nor_does_it_compare_with_what_a_person_has_moved(self, life: Life) -> None:
        """Two rows contradict each other, and both went to another patient: the export, read again, says no more."""
        life.night(life.export(Row(TEN, A, "not taken"), Row(TEN, A)))
        life.move(SetFilter(patient=A), B, now=True)
        life.check_again()
        assert [hold.reasons for hold in life.held] == ["other-patient"]


class TestSums:
    def test_the_ledger_keeps_the_sums_of_the_report(self, life: Life) -> None:
        report = life.convert(life.export(Row(TEN), Row(OTHER_MONITOR, A, "implausible")))
        assert report is not None
        told = report.reckoning.readings.all
        assert (told.recorded, told.held) == (7, 1)
        kept = life.actions.counts()["outcomes"]
        assert (kept["recorded"], kept["held"]) == (told.recorded, told.held)


class TestOneTime:
    """Monitors whose clocks are ahead, and a mapping that corrects them."""

    TRUE = MEASUREMENTS[TEN].epoch - 60 * AHEAD

    @pytest.fixture(autouse=True)
    def recorded(self, life: Life) -> None:
        life.actions.change_mapping(replace(life.actions.mapping, clock=True))
        life.night(life.export(Row(TEN)))
        assert {fact.epoch for fact in life.ehr.facts().values()} == {self.TRUE}
        assert {fact.epoch for fact in life.lab.facts().values()} == {self.TRUE}

    def test_sets_are_known_by_the_time_that_was_recorded(self, life: Life) -> None:
        before_ten = int(datetime.fromisoformat(f"{DAY}T09:59{ZONE}").timestamp())
        assert {known.epoch for known in life.known} == {self.TRUE}
        life.check_drained()
        life.retract(SetFilter(since=self.TRUE, until=before_ten))
        assert {known.state for known in life.known} == {"retracted"}

    def test_they_can_be_retracted(self, life: Life) -> None:
        life.retract(SetFilter())
        life.deliver()
        assert not current(life.ehr.facts())
        assert not current(life.lab.facts())
