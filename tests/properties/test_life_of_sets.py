"""Whatever happens to measurements, in any order: each is charted for one patient, and every receiver knows the newest.

A site in small (`life_kit`) is driven at random: exports overlap, contradict each other and come again, people decide,
associations and mappings change, receivers refuse, are away or drop their answers, and runs are killed between any two
writes. What must be true of it stands in `Life`.

A run of the tests tries EXAMPLES lives of up to STEPS steps; `HYPOTHESIS_PROFILE=thorough` tries twenty times as many,
three times as long. `Nights` are short lives of few measurements, in which receivers take everything and nobody is
killed: what rows of one set, exports that are read again, and decisions about them do to one another is found there
soonest. What was found stands, in few steps each, in `test_life_examples.py`.
"""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import ClassVar, NamedTuple

import pytest
from hypothesis import HealthCheck, Phase, event, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)

from gateway.checks import rules
from gateway.decisions import Reason
from gateway.decisions.queue import QueueAction
from gateway.errors import InputError, UsageError
from gateway.ledger import OutboxFilter, SetFilter
from tests.properties.life_kit import (
    ACCEPT,
    DEVICES,
    MEASUREMENTS,
    PATIENTS,
    VARIANTS,
    Behaviour,
    Life,
    Mapping,
    Row,
    Stay,
)

EXAMPLES, STEPS = 60, 12
"""About 40 s on one core; `HYPOTHESIS_PROFILE=thorough` has more of both."""
NIGHTS = (80, 8)
"""Of the short ones; about 60 s."""
ON_POSTGRESQL = (8, 10)
"""The same where the ledger is in PostgreSQL."""

SOME = st.integers(0, 9)
"""One of as many as there are, counted from the newest."""
DIES = st.none() | st.none() | st.none() | st.integers(0, 35)
"""Writes after which a run is killed; most are not."""
ROWS = st.builds(
    Row,
    st.sampled_from(range(len(MEASUREMENTS))),
    st.sampled_from([*PATIENTS[:1] * 3, *PATIENTS[1:], ""]),
    st.sampled_from(["plain", *VARIANTS]),
)
FEW = st.sampled_from([(0,), (3,), (0, 3), (0, 5), (1, 2)])
TIMES = st.sampled_from([("08:00", "12:00"), ("08:00", "10:15"), ("10:15", "12:00")])
STAYS = st.builds(
    lambda device, patient, times: Stay(device, patient, *times),
    st.sampled_from(DEVICES),
    st.sampled_from(PATIENTS),
    TIMES,
)
MAPPINGS = st.builds(Mapping, st.sampled_from(["accept", "hold"]), st.booleans(), st.booleans())
BY = st.sampled_from(["patient", "device", "since", "until", "run", "identities"])
RECEIVERS = st.sampled_from(["ehr", "lab"])
BEHAVIOURS = st.sampled_from(
    [
        ACCEPT,
        Behaviour("away"),
        Behaviour("drop"),
        *(Behaviour("refuse", patient=PATIENTS[0], named=named) for named in (True, False)),
        *(Behaviour("refuse", vital="systolic", named=named) for named in (True, False)),
        *(Behaviour("refuse", vital="temperature", named=named) for named in (True, False)),
        Behaviour("refuse"),
    ]
)


class Changes(NamedTuple):
    """What is different from now on; None for what is as before."""

    mapping: Mapping | None
    stays: list[Stay] | None
    ehr: Behaviour | None
    lab: Behaviour | None


CHANGES = st.builds(
    Changes,
    st.none() | st.none() | MAPPINGS,
    st.none() | st.none() | st.lists(STAYS, max_size=3),
    st.none() | st.none() | BEHAVIOURS,
    st.none() | st.none() | BEHAVIOURS,
)


class Lives(RuleBasedStateMachine):
    """Anything that can happen at a site.

    Attributes:
        done: how often each thing was done, and how often everything was looked at in the end.
        place: makes a place for a ledger; "" for a file.
        short: only exports and decisions, and few measurements.
        few: the measurements of this life, by their places in `MEASUREMENTS`.
    """

    done: ClassVar[Counter[str]] = Counter()
    place: ClassVar[Callable[[], str]] = str
    short: ClassVar[bool] = False

    def __init__(self) -> None:
        super().__init__()
        self.life = Life(type(self).place())
        self.sound = True
        self.few: Sequence[int] = range(len(MEASUREMENTS))

    @initialize(clock=st.booleans(), few=FEW)
    def begin(self, clock: bool, few: Sequence[int] = ()) -> None:
        """Whether the monitors' clocks are corrected is settled once."""
        self.life.actions.change_mapping(Mapping(clock=clock))
        if self.short:
            self.few = few

    @contextmanager
    def step(self, name: str) -> Iterator[None]:
        """One step; after one that fails nothing else is looked at."""
        self.sound = False
        yield
        self.sound = True
        self.done[name] += 1

    def run(self, exports: Sequence[Path], changes: Changes, send: bool, dies: int | None) -> None:
        """A run after something has changed."""
        if changes.mapping is not None:
            clock = self.life.actions.mapping.clock
            self.life.actions.change_mapping(replace(changes.mapping, clock=clock))
        if changes.stays is not None:
            self.life.actions.change_associations(changes.stays)
        if self.short:
            self.life.convert(*exports)
            return
        for receiver, behaviour in zip(self.life.receivers, (changes.ehr, changes.lab), strict=True):
            if behaviour is not None:
                receiver.behaviour = behaviour
        self.life.convert(*exports, dies=dies)
        if send:
            self.life.deliver()

    def decide(self, name: str, decision: Callable[[], object], dies: int | None) -> bool:
        """A decision may be refused, and then nothing has happened; whether it was carried out."""
        dies = None if self.short else dies
        with self.step(name):
            try:
                self.life.decide(decision, dies=dies)
            except UsageError:
                event(f"{name} refused")
                return False
        return not self.life.died_at

    # -- runs

    @rule(rows=st.lists(ROWS, min_size=1, max_size=3), changes=CHANGES, send=st.booleans(), dies=DIES)
    def export(self, rows: list[Row], changes: Changes, send: bool, dies: int | None) -> None:
        """A new export is converted."""
        rows = [row._replace(measurement=self.few[row.measurement % len(self.few)]) for row in rows]
        with self.step("export"):
            self.run([self.life.export(*rows)], changes, send, dies)

    @precondition(lambda self: self.life.exports)
    @rule(which=SOME, changes=CHANGES, send=st.booleans(), dies=DIES)
    def export_again(self, which: int, changes: Changes, send: bool, dies: int | None) -> None:
        """An export of earlier is converted once more."""
        with self.step("export again"):
            self.run([self._newest(self.life.exports, which)], changes, send, dies)

    @precondition(lambda self: self.life.held)
    @rule(changes=CHANGES, send=st.booleans(), dies=DIES)
    def take_up(self, changes: Changes, send: bool, dies: int | None) -> None:
        """What is held is taken up."""
        with self.step("take up"):
            self.run([], changes, send, dies)

    @precondition(lambda self: self.life.unsent and not self.short)
    @rule(dies=DIES)
    def deliver(self, dies: int | None) -> None:
        """What waits is sent."""
        with self.step("deliver"):
            self.life.deliver(dies=dies)

    # -- decisions

    @precondition(lambda self: self.life.held)
    @rule(which=SOME, patient=st.sampled_from([*PATIENTS, "P-9"]), dies=DIES)
    def assign(self, which: int, patient: str, dies: int | None) -> None:
        """A person says whose something held is."""
        hold = self._newest(self.life.held, which)
        about_patient = any(rules()[each].about == "patient" for each in hold.reasons.split(",") if each in rules())
        done = self.decide("assign", lambda: self.life.actions.assign([hold.id], patient), dies)
        assert not done or (about_patient and patient in PATIENTS), f"{patient} was taken for {hold.reasons}"

    @precondition(lambda self: self.life.held)
    @rule(which=SOME, dies=DIES)
    def confirm(self, which: int, dies: int | None) -> None:
        """A person says that something held is right."""
        hold = self._newest(self.life.held, which).id
        self.decide("confirm", lambda: self.life.actions.confirm([hold]), dies)

    @precondition(lambda self: self.life.held)
    @rule(which=SOME, dies=DIES)
    def discard(self, which: int, dies: int | None) -> None:
        """A person says that something held is not to be recorded."""
        hold = self._newest(self.life.held, which).id
        self.decide("discard", lambda: self.life.actions.discard([hold]), dies)

    @precondition(lambda self: self.life.known)
    @rule(
        which=SOME,
        by=BY,
        reason=st.sampled_from(["wrong-patient", "error"]),
        anew=st.booleans(),
        dies=DIES,
    )
    def retract(self, which: int, by: str, reason: Reason, anew: bool, dies: int | None) -> None:
        """A person has records taken back."""
        chosen = self.chosen(which, by)
        with self.step("retract"):
            try:
                self.life.retract(chosen, reason, anew=anew, dies=None if self.short else dies)
            except UsageError:
                event("retract refused")

    @precondition(lambda self: self.life.known)
    @rule(which=SOME, by=BY, patient=st.sampled_from([*PATIENTS, "", "P-9"]), now=st.booleans(), dies=DIES)
    def move(self, which: int, by: str, patient: str, now: bool, dies: int | None) -> None:
        """A person gives records to another patient, or to whom the associations name."""
        with self.step("move"):
            try:
                dies = None if self.short else dies
                self.life.move(self.chosen(which, by), patient, now=now, dies=dies)
            except UsageError:
                event("move refused")

    @precondition(lambda self: self.life.runs)
    @rule(old=st.sampled_from(PATIENTS), surviving=st.sampled_from(PATIENTS), now=st.booleans(), dies=DIES)
    def merge(self, old: str, surviving: str, now: bool, dies: int | None) -> None:
        """Two identifiers turn out to be one patient's."""
        with self.step("merge"):
            try:
                self.life.merge(old, surviving, now=now, dies=None if self.short else dies)
            except (UsageError, InputError):
                event("merge refused")

    def chosen(self, which: int, by: str) -> SetFilter:
        """Which records a decision is about."""
        known = self._newest(self.life.known, which)
        return {
            "patient": SetFilter(patient=known.patient),
            "device": SetFilter(device=known.device),
            "since": SetFilter(since=known.epoch),
            "until": SetFilter(until=known.epoch + 1),
            "run": SetFilter(run=known.run),
            "identities": SetFilter(identities=[known.identity]),
        }[by]

    # -- the queue

    @precondition(lambda self: self.life.runs and not self.short)
    @rule(which=SOME, receiver=RECEIVERS, by=st.sampled_from(["run", "parked", "all", "set"]), dies=DIES)
    def replay(self, which: int, receiver: str, by: str, dies: int | None) -> None:
        """A person has something sent again."""
        chosen = {
            "run": OutboxFilter(target=receiver, run=1 + which % self.life.runs),
            "parked": OutboxFilter(target=receiver, state="parked"),
        }.get(by, OutboxFilter(target=receiver))
        sets = [self._newest(self.life.known, which).identity.hex()] if by == "set" and self.life.known else []
        self.decide("replay", lambda: self.life.actions.replay(chosen, sets), dies)

    @precondition(lambda self: self.life.unsent and not self.short)
    @rule(which=SOME, action=st.sampled_from(["park", "release", "skip"]), one=st.booleans(), dies=DIES)
    def queue(self, which: int, action: QueueAction, one: bool, dies: int | None) -> None:
        """A person settles an item that is not sent yet, or one set of it.

        A retraction is not skipped: whoever does that has taken the record out of the receiver by hand.
        """
        actions = self.life.actions
        from_ = ("parked",) if action == "release" else ("waiting",) if action == "park" else ("waiting", "parked")
        items = [
            item for state in from_ for item in actions.items(state=state)
            if action != "skip" or not actions.takes_back(item)
        ]  # fmt: skip
        if not items:
            return
        item = self._newest(items, which)
        sets = sorted(actions.carried([item])[item.id])[:1] if one else []
        self.decide(action, lambda: actions.queue(action, [item.id], item.target, sets), dies)

    @precondition(lambda self: self.life.runs and not self.short)
    @rule(receiver=RECEIVERS, dies=DIES)
    def stop_or_resume(self, receiver: str, dies: int | None) -> None:
        """A person stops a target, or resumes it."""
        actions = self.life.actions
        if receiver in actions.stopped():
            self.decide("resume", lambda: actions.resume(receiver), dies)
        else:
            self.decide("stop", lambda: actions.stop(receiver), dies)

    # -- what is true

    @precondition(lambda self: self.life.unsent and not self.short)
    @rule()
    def drain(self) -> None:
        """Everything is sent."""
        with self.step("drain"):
            self.life.check_drained()

    @invariant()
    def check(self) -> None:
        """What is true at any time."""
        if self.sound:
            with self.step("check"):
                self.life.check()

    def teardown(self) -> None:
        """What is true in the end, whatever happened."""
        try:
            if self.sound and sys.exc_info()[0] is None:
                self.life.check_drained()
                self.life.check_again()
                self.done["ended"] += 1
        finally:
            self.life.close()

    @staticmethod
    def _newest(several: list, which: int):  # type: ignore[no-untyped-def]
        return several[-1 - which % len(several)]


class Nights(Lives):
    """Exports, some of them again, and decisions."""

    short = True


def live(machine: type[Lives], examples: int, steps: int) -> None:
    """Let a machine run, and see that it did what it is there for."""
    machine.done = Counter()
    bounds = settings(
        max_examples=examples,
        stateful_step_count=steps,
        report_multiple_bugs=False,
        suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much],
        phases=[Phase.explicit, Phase.generate],
    )
    run_state_machine_as_test(machine, settings=bounds)
    print(dict(machine.done))
    assert machine.done["ended"] >= examples // 2


@pytest.mark.hypothesis
@pytest.mark.slow
def test_lives() -> None:
    thorough = not settings().derandomize
    live(Lives, *((20 * EXAMPLES, 3 * STEPS) if thorough else (EXAMPLES, STEPS)))


@pytest.mark.hypothesis
@pytest.mark.slow
def test_nights() -> None:
    thorough = not settings().derandomize
    live(Nights, *((20 * NIGHTS[0], NIGHTS[1]) if thorough else NIGHTS))


@pytest.mark.hypothesis
@pytest.mark.slow
def test_lives_on_postgresql(new_schema: Callable[[], str]) -> None:
    class Elsewhere(Lives):
        place = staticmethod(new_schema)

    thorough = not settings().derandomize
    live(Elsewhere, *((20 * ON_POSTGRESQL[0], 3 * ON_POSTGRESQL[1]) if thorough else ON_POSTGRESQL))
