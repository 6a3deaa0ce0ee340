"""Whatever is recorded, taken back, moved, parked or refused, in any order: no receiver gets old news.

Sets are recorded, corrected, taken back and moved to another patient; two models of receivers, one that gets single
messages and one that gets bundles of many sets, accept, refuse, drop their answers or are away, or the delivery is
killed. The models know every version there was, and look at each thing they are sent:

* it is not older than what they have;
* a version that goes without the others is the next one after what they have;
* what is said to be a first word is one;
* no measurement is current for two patients.

In the end, when everything is accepted, each receiver has what the ledger has.
"""

from __future__ import annotations

import json
import shutil
import tempfile
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from gateway.conversion.payloads import Payloads, sets_in
from gateway.delivery.base import Receipt, Verdict
from gateway.ledger import Ledger, Waiting, open_ledger
from gateway.nightly.outbox import deliver
from tests.delivery.stand_in import StandIn
from tests.ledger.ledger_kit import a_set, begin, identity

SETS = 4
MOVED_FROM = {1: 0}
"""Set 1 is set 0 at another patient."""
NAMES = [identity(number).hex() for number in range(SETS)]
TARGETS: tuple[tuple[str, Literal["fhir", "oru"]], ...] = (("ehr", "fhir"), ("lab", "oru"))
EXAMPLES = 40


class Killed(BaseException):
    """The process is gone."""


@dataclass
class Receiver(StandIn):
    """What a receiver has: the number of the version of each set, counted from 1; 0 for nothing of it."""

    name: str
    kind: Literal["fhir", "oru"]
    truth: dict[str, list[tuple[int, str]]] = field(default_factory=dict)
    how: str = "accept"
    about: str = ""
    has: dict[str, int] = field(default_factory=dict)
    wrong: list[str] = field(default_factory=list)

    def send(self, data: bytes) -> Receipt:
        told = json.loads(data)
        about = self.about in told["sets"] or not self.about
        if self.how == "away":
            return Receipt(Verdict.LATER, "connection", "No connection.", reached=False)
        if self.how == "refuse" and about:
            return Receipt(Verdict.PARKED, "AE", "Refused.")
        if self.how == "later" and about:
            return Receipt(Verdict.LATER, "AR", "Refused for now.", answered=True)
        if self.how == "killed before":
            raise Killed
        self._take(told["run"], told["form"], told["sets"])
        if self.how == "drop" and about:
            return Receipt(Verdict.LATER, "no-answer", "No answer.")
        if self.how == "killed after":
            raise Killed
        return Receipt(Verdict.DELIVERED, "AA", "Accepted.")

    def _take(self, run: int, form: str, sets: list[str]) -> None:
        for name in sets:
            versions = self.truth[name]
            has = self.has.get(name, 0)
            now = len(versions)
            if form not in ("whole", "first"):
                now = [version for version, _ in versions].index(run) + 1
            how = versions[now - 1][1]
            if now < has:
                self.wrong.append(f"{self.name}: version {now} of {name[:4]} after {has}")
            if form == "first" and has not in (0, now):
                self.wrong.append(f"{self.name}: version {now} of {name[:4]} as a first word after {has}")
            if form not in ("whole", "first") and how == "record" and has not in (now - 1, now):
                self.wrong.append(f"{self.name}: version {now} of {name[:4]} alone after {has}")
            self.has[name] = now
        for one, other in MOVED_FROM.items():
            if self.current(NAMES[one]) and self.current(NAMES[other]):
                self.wrong.append(f"{self.name}: one measurement is current for two patients")

    def current(self, name: str) -> bool:
        has = self.has.get(name, 0)
        return has > 0 and self.truth[name][has - 1][1] == "record"


class World:
    """A ledger, what is true, and the receivers."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.truth: dict[str, list[tuple[int, str]]] = {name: [] for name in NAMES}
        self.receivers = [Receiver(name, kind, self.truth) for name, kind in TARGETS]

    def stands(self, number: int) -> str:
        versions = self.truth[NAMES[number]]
        return versions[-1][1] if versions else ""

    def record(self, ledger: Ledger, numbers: list[int]) -> None:
        """A run records these: for the first time, corrected, or anew."""
        pairs = [*MOVED_FROM.items(), *((other, one) for one, other in MOVED_FROM.items())]
        numbers = [
            number
            for number in dict.fromkeys(numbers)
            if all(self.stands(other) != "record" and (other not in numbers or one < other)
                   for one, other in pairs if one == number)
            and (number not in MOVED_FROM or self.truth[NAMES[MOVED_FROM[number]]])
        ]  # fmt: skip
        if not numbers:
            return
        run, export_id = begin(ledger)
        for number in numbers:
            name = f"1-{run.id}"
            chain = identity(MOVED_FROM[number]) if number in MOVED_FROM else None
            row = a_set(number, fhir=f"fhir/{name}.bundle.json", oru=f"oru/{name}.hl7", chain=chain)
            if self.truth[NAMES[number]]:
                run.revise_set(export_id, row)
            else:
                run.add_sets(export_id, [row])
        self._files(run, numbers)
        for number in numbers:
            self.truth[NAMES[number]].append((run.id, "record"))

    def retract(self, ledger: Ledger, numbers: list[int]) -> None:
        """A run takes these back."""
        numbers = [number for number in dict.fromkeys(numbers) if self.stands(number) == "record"]
        if not numbers:
            return
        run, _ = begin(ledger)
        run.retract([identity(number) for number in numbers], "error")
        self._files(run, numbers)
        for number in numbers:
            self.truth[NAMES[number]].append((run.id, "retract"))

    def _files(self, run, numbers: list[int]) -> None:  # type: ignore[no-untyped-def]
        text = "".join(f'{{"identifier":[{{"system":"s","value":"{NAMES[number]}.spo2"}}]}}' for number in numbers)
        run.add_content(f"fhir/1-{run.id}.bundle.json", text.encode())
        text = "".join(f"MSH|^~\\&|\rOBR|1||{NAMES[number]}^GW|\r" for number in numbers)
        run.add_content(f"oru/1-{run.id}.hl7", text.encode())
        run.queue([*TARGETS])
        stage = self.folder / f"s{run.id}"
        stage.mkdir()
        run.prepare(stage, self.folder / f"r{run.id}", "{}")
        run.finish()

    def deliver(self, ledger: Ledger) -> None:
        for receiver in self.receivers:
            with suppress(Killed):
                deliver(ledger, [receiver])
                continue
            # A process that is killed takes back no mark.
            with ledger._writing() as connection:
                connection.exec_driver_sql(
                    f"UPDATE outbox SET reached = 1 WHERE state = 'waiting' AND target = '{receiver.name}'"
                )
        assert not any(receiver.wrong for receiver in self.receivers), [each.wrong for each in self.receivers]

    def decide(self, ledger: Ledger, action: str, which: int, sets: list[str]) -> None:
        items = ledger.outbox()
        if items:
            item = items[which % len(items)]
            ledger.settle_items([item.id], action, "N. Ole", "seen", sets_in, sets)  # type: ignore[arg-type]

    def drained(self, ledger: Ledger) -> None:
        """In the end every receiver has what is true."""
        for receiver in self.receivers:
            receiver.how = "accept"
        for states in (("parked",), ("skipped",), ()):
            ids = [item.id for item in ledger.outbox() if item.state in states]
            ledger.settle_items(ids, "replay", "N. Ole", "all of it", sets_in)
            self.deliver(ledger)
        left = [item for item in ledger.outbox() if item.state in ("waiting", "parked")]
        assert not left, left[0]
        for receiver in self.receivers:
            for name, versions in self.truth.items():
                has = receiver.has.get(name, 0)
                if not versions or (versions[-1][1] == "retract" and has == 0):
                    assert has == 0
                else:
                    assert has == len(versions), f"{receiver.name} has {has} of {versions}"


NUMBERS = st.lists(st.integers(0, SETS - 1), min_size=1, max_size=SETS)
SOME = st.lists(st.sampled_from(NAMES), max_size=2)
STEPS = st.one_of(
    st.tuples(st.just("record"), NUMBERS),
    st.tuples(st.just("record"), NUMBERS),
    st.tuples(st.just("retract"), NUMBERS),
    st.tuples(st.just("deliver")),
    st.tuples(
        st.just("behave"),
        st.integers(0, 1),
        st.sampled_from(["accept", "accept", "refuse", "later", "drop", "away", "killed before", "killed after"]),
        st.sampled_from(["", *NAMES]),
    ),
    st.tuples(st.sampled_from(["park", "release", "skip", "replay"]), st.integers(0, 30), SOME),
)


@pytest.fixture(scope="module")
def empty(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("empty")
    open_ledger(folder / "l.db").close()
    return folder


def told(payloads: Payloads, item: Waiting) -> bytes:
    return json.dumps({"run": item.run, "form": item.form, "sets": payloads.sets(item)}).encode()


@settings(
    max_examples=max(EXAMPLES, settings().max_examples if settings().max_examples > 100 else 0),
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture],
    deadline=None,
)
@given(steps=st.lists(STEPS, min_size=2, max_size=16))
@example(steps=[("behave", 1, "refuse", ""), ("record", [2]), ("deliver",), ("record", [2]), ("deliver",)])
@example(steps=[("record", [0]), ("deliver",), ("retract", [0]), ("record", [1]), ("behave", 1, "away", "")])
@example(
    steps=[
        ("record", [0]), ("deliver",), ("retract", [0]), ("behave", 0, "refuse", NAMES[0]),
        ("behave", 1, "refuse", NAMES[0]), ("record", [1]), ("deliver",),
    ]
)  # fmt: skip
@example(
    steps=[
        ("behave", 1, "drop", ""), ("record", [2]), ("deliver",), ("record", [2]), ("skip", 3, []),
        ("behave", 1, "accept", ""), ("deliver",),
    ]
)  # fmt: skip
@example(steps=[("record", [0, 2, 3]), ("retract", [0]), ("record", [1, 2]), ("deliver",)])
@example(
    steps=[
        ("behave", 0, "killed after", ""), ("record", [0, 2]), ("deliver",), ("behave", 0, "accept", ""),
        ("retract", [0]), ("record", [2, 1]), ("deliver",), ("replay", 0, []), ("deliver",),
    ]
)  # fmt: skip
def test_no_receiver_gets_old_news(empty: Path, monkeypatch: pytest.MonkeyPatch, steps: list[tuple]) -> None:
    with monkeypatch.context() as patch, tempfile.TemporaryDirectory() as home:
        patch.setattr(Payloads, "of", told)
        for end in ("", ".lock"):
            shutil.copy(empty / f"l.db{end}", Path(home) / f"l.db{end}")
        with open_ledger(Path(home) / "l.db") as ledger:
            world = World(Path(home))
            for step, *given_ in steps:
                if step == "behave":
                    receiver = world.receivers[given_[0]]
                    receiver.how, receiver.about = given_[1:]
                elif step in ("record", "retract", "deliver"):
                    getattr(world, step)(ledger, *given_)
                else:
                    world.decide(ledger, step, *given_)
            world.drained(ledger)
