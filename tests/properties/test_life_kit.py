"""The site in small itself: its receivers do as receivers do, its checks see what is wrong, its runs can be killed."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal
from itertools import count

import pytest

from gateway.ledger import OutboxFilter, SetFilter
from tests.properties.life_kit import (
    PATIENTS,
    Behaviour,
    Fact,
    Life,
    Row,
    Spot,
    State,
    Trail,
    current,
    for_two,
)

A, B, C = PATIENTS
SPOT: Spot = ("0" * 32, "spo2")


class TestTrail:
    @pytest.mark.parametrize(
        ("said", "written", "sound"),
        [
            ([1, 2], [1, 2], True),
            ([1, 2], [1, 1, 2, 2], True),
            ([1, 2], [2], True),
            ([1, 2], [2, 1], False),
            ([1, 2], [1, 2, 1], False),
            ([1, 2, 1], [1, 2, 1], True),
            ([1, 2, 1], [2, 1, 2], False),
            ([1, "withdrawn"], [1, "withdrawn", 1], False),
            ([1, "withdrawn", 1], [1, "withdrawn", 1], True),
            ([1], [3], False),
            ([], [1], False),
        ],
    )
    def test_old_news_is_seen(self, said: list[int | str], written: list[int | str], sound: bool) -> None:
        def states(plain: list[int | str]) -> list[State]:
            return ["withdrawn" if each == "withdrawn" else Decimal(each) for each in plain]

        trail = Trail()
        for state in states(said):
            trail.step(SPOT, state)
        wrong = [trail.written("lab", SPOT, state) for state in states(written)]
        assert any(wrong) is not sound
        assert not trail.written("ehr", SPOT, states(said)[0]) if said else True


def test_two_patients_are_seen() -> None:
    facts = {SPOT: Fact(A, "M1", 0, Decimal(97)), ("1" * 32, "spo2"): Fact(B, "M1", 0, Decimal("97.0"))}
    assert len(for_two(facts)) == 1
    assert not for_two(facts | {SPOT: Fact(A, "M1", 0, "withdrawn")})
    assert not for_two(facts | {SPOT: Fact(A, "M1", 0, Decimal(98))})
    assert for_two(facts | {SPOT: Fact(B, "M1", 0, Decimal(97))}), "one patient's, in two sets"
    assert not for_two(facts | {SPOT: Fact(A, "M2", 0, Decimal(97))})
    later = facts | {SPOT: Fact(A, "M1", 60, Decimal(97))}
    assert not for_two(later)
    assert for_two(later, {SPOT[0]: 0}), "by the time that was printed"


def test_two_patients_are_seen_without_a_device() -> None:
    said = {"systolic": "121", "diastolic": "71", "spo2": "91", "temperature": "36.1"}
    facts = {(who * 32, vital): Fact(who, "", 0, Decimal(text)) for who in "ab" for vital, text in said.items()}
    assert len(for_two(facts)) == 1
    assert not for_two({spot: fact for spot, fact in facts.items() if spot != ("a" * 32, "spo2")})
    assert not for_two(facts | {("a" * 32, "spo2"): Fact("a", "", 0, Decimal(92))})
    assert not for_two(facts, {"a" * 32: 60})


class TestChecks:
    def test_a_record_that_is_not_there_is_seen(self, life: Life) -> None:
        life.night(life.export(Row(0)))
        life.check_drained()
        life.lab.results.popitem()
        with pytest.raises(AssertionError, match="lab"):
            life.check_drained()

    def test_a_record_that_is_not_in_the_ledger_is_seen(self, life: Life) -> None:
        life.night(life.export(Row(0)))
        life.ehr.records |= {("Observation", -1): next(
            each | {"identifier": [{"value": "0.spo2"}]}
            for each in life.ehr.records.values() if each["resourceType"] == "Observation"
        )}  # fmt: skip
        with pytest.raises(AssertionError, match="ehr"):
            life.check_drained()

    def test_a_queue_that_does_not_drain_is_seen(self, life: Life, monkeypatch: pytest.MonkeyPatch) -> None:
        life.convert(life.export(Row(0)))
        life.lab.behaviour = Behaviour("refuse", named=False)
        monkeypatch.setattr(life, "accept", lambda: None)
        with pytest.raises(AssertionError, match="does not drain"):
            life.check_drained()


class TestReceivers:
    def test_what_is_there_is_not_written_again(self, life: Life) -> None:
        life.night(life.export(Row(0)))
        records, writes = len(life.ehr.records), len(life.ehr.writes)
        assert writes == 4
        for _ in range(2):
            life.decide(lambda: life.actions.replay(OutboxFilter(target="ehr")))
            life.deliver()
        assert (len(life.ehr.records), len(life.ehr.writes)) == (records, writes)

    def test_a_correction_and_a_retraction_arrive(self, life: Life) -> None:
        life.night(life.export(Row(0)))
        life.night(life.export(Row(0, A, "other spo2")))
        for receiver in life.receivers:
            assert {spot[1]: str(fact.state) for spot, fact in receiver.facts().items()} == {
                "systolic": "121", "diastolic": "71", "spo2": "88", "temperature": "36.1"
            }  # fmt: skip
        life.retract(SetFilter(), "wrong-patient")
        life.deliver()
        for receiver in life.receivers:
            assert {fact.state for fact in receiver.facts().values()} == {"withdrawn"}
            assert not current(receiver.facts())
            assert receiver.writes[-1][1].state == "withdrawn"
        life.check_drained()

    @pytest.mark.parametrize("named", [True, False])
    def test_what_is_refused_is_not_there(self, life: Life, named: bool) -> None:
        for receiver in life.receivers:
            receiver.behaviour = Behaviour("refuse", patient=A, named=named)
        life.night(life.export(Row(0, A)))
        assert not life.ehr.writes
        assert not life.lab.writes
        assert not life.ehr.records
        life.check_drained()

    def test_an_answer_that_is_lost(self, life: Life) -> None:
        for receiver in life.receivers:
            receiver.behaviour = Behaviour("drop")
        life.night(life.export(Row(0)))
        assert {item.state for item in life.actions.items()} == {"waiting"}
        for receiver in life.receivers:
            assert current(receiver.facts()) == current(life.facts())
        life.check_drained()

    def test_a_receiver_that_is_away(self, life: Life) -> None:
        for receiver in life.receivers:
            receiver.behaviour = Behaviour("away")
        life.night(life.export(Row(0)))
        assert not life.ehr.writes
        assert not life.lab.writes
        life.check_drained()


def _convert(life: Life, dies: int) -> bool:
    life.convert(life.exports[-1], dies=dies)
    return bool(life.died_at)


def _deliver(life: Life, dies: int) -> bool:
    life.convert(life.exports[-1])
    life.deliver(dies=dies)
    return bool(life.died_at)


def _retract(life: Life, dies: int) -> bool:
    life.night(life.exports[-1])
    life.retract(SetFilter(), "error", anew=True, dies=dies)
    died = bool(life.died_at)
    if life.held:
        life.decide(lambda: life.actions.confirm([hold.id for hold in life.held]))
    return died


@pytest.mark.slow
@pytest.mark.parametrize(("work", "least"), [(_convert, 15), (_deliver, 5), (_retract, 20)])
def test_killed_before_each_write(work: Callable[[Life, int], bool], least: int) -> None:
    """The next run makes good whatever was cut off; the last of these lives is left alone."""
    for dies in count():
        life = Life()
        try:
            life.export(Row(0))
            died = work(life, dies)
            life.check()
            life.check_again()
            assert len(current(life.facts())) == 4
        finally:
            life.close()
        if not died:
            break
    assert dies >= least
