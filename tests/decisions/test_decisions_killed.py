"""Decisions killed between any two statements of the ledger: done whole or not at all, completed by what follows."""

from __future__ import annotations

import os
import shutil
import signal
from collections.abc import Callable
from functools import partial
from pathlib import Path

import pytest
from sqlalchemy import Engine, event

from gateway.ledger import SetFilter, open_ledger
from gateway.ledger.run import Run
from gateway.records.output import Stage
from tests.decisions.decisions_kit import Ward

ROWS = (
    "2026-03-14 09:30,A1,M1,121,79,64,97,54.1,",
    "2026-03-14 10:00,A1,M1,118,76,71,98,36.6,",
    "2026-03-14 10:30,,M1,119,77,70,96,36.9,",
)
MERGED = "old,surviving\nA1,B2\n"

BY_ASSOCIATIONS = """device,patient,from,to,established,by
M1,B2,2026-03-14T08:00:00-05:00,2026-03-14T09:45:00-05:00,scan,N. Ole
M1,C3,2026-03-14T09:45:00-05:00,2026-03-14T12:00:00-05:00,scan,N. Ole
"""


def by_associations(ward: Ward) -> object:
    path = ward.folder / "associations.csv"
    path.write_text(BY_ASSOCIATIONS)
    return ward.move(SetFilter(patient="A1"), associations=path)


DECISIONS: dict[str, Callable[[Ward], object]] = {
    "assign": lambda ward: ward.settle("assign", 2, patient="B2"),
    "confirm": lambda ward: ward.settle("confirm", 1),
    "discard": lambda ward: ward.settle("discard", 1, 2),
    "retract": lambda ward: ward.retract(SetFilter(patient="A1")),
    "move": lambda ward: ward.move(SetFilter(patient="A1"), "B2"),
    "move at once": lambda ward: ward.move(SetFilter(patient="A1"), "B2", now=True),
    "move by associations": by_associations,
    "merge": lambda ward: ward.merge(MERGED),
    "merge at once": lambda ward: ward.merge(MERGED, now=True),
}


def begun(folder: Path, place: str) -> Ward:
    ward = Ward(folder, place)
    ward.convert(*ROWS)
    return ward


def in_child(work: Callable[[], object], kill_at: int | None) -> tuple[int, int | None]:
    """Do the work in a process of its own, killed before its n-th statement or commit; statements, and the signal."""
    read, write = os.pipe()
    child = os.fork()
    if child == 0:
        count = 0

        def one_more(*_: object) -> None:
            nonlocal count
            count += 1
            if count == kill_at:
                os.kill(os.getpid(), signal.SIGKILL)

        try:
            event.listen(Engine, "before_cursor_execute", one_more)
            event.listen(Engine, "commit", one_more)
            work()
            os.write(write, str(count).encode())
        finally:
            os._exit(0)
    os.close(write)
    _, status = os.waitpid(child, 0)
    with os.fdopen(read) as told:
        counted = told.read()
    return int(counted or 0), os.WTERMSIG(status) if os.WIFSIGNALED(status) else None


def story(ward: Ward) -> tuple[object, ...]:
    """What there is to say of a ledger that has come to rest."""
    with open_ledger(ward.place) as ledger:
        assert {run.state for run in ledger.runs()} == {"done"}
        sets = [(each.patient, each.epoch, each.readings, each.state, each.revision)
                for each in ledger.sets(SetFilter(state=None))]  # fmt: skip
        holds = sorted((hold.line, hold.reasons, hold.action, hold.patient) for hold in ledger.holds())
        merged = ledger.merged()
        queued = [[item.run for item in ledger.outbox() if item.target == name] for name in ("ehr", "lab")]
        files = sorted((name.split("/")[0], len(ledger.content(run.id, name)))
                       for run in ledger.runs() for name in ledger.contents(run.id) if "/" in name)  # fmt: skip
    for runs in queued:
        assert runs == sorted(runs)
    for owners in ward.owners().values():
        assert len(owners) == 1
    return sets, holds, merged, files, [each[1:3] for each in ward.audit()]


def after(ward: Ward, decision: Callable[[Ward], object], untouched: tuple[object, ...]) -> bool:
    """Complete what was cut off, or do again what was not done; whether it was done."""
    ward.turn += 10
    done = story(ward) != untouched
    if not done:
        decision(ward)
    ward.convert()
    ward.convert()
    return done


def killed_at(fresh: Callable[[str], Ward], decision: Callable[[Ward], object], points: int) -> int:
    """Kill a decision at so many points, spread from its first statement to its last; how many there were."""
    untouched = story(fresh("untouched"))
    whole = fresh("whole")
    statements, killed = in_child(partial(decision, whole), None)
    assert killed is None
    assert statements > 0
    after(whole, decision, untouched)
    wanted = story(whole)
    assert wanted != untouched
    spread = sorted({1 + at * (statements - 1) // (points - 1) for at in range(points)})
    done = []
    for point in spread:
        ward = fresh(f"at-{point}")
        assert in_child(partial(decision, ward), point)[1] == signal.SIGKILL
        done.append(after(ward, decision, untouched))
        assert story(ward) == wanted, f"killed before statement {point} of {statements}"
        shutil.rmtree(ward.folder)
    assert not done[0]
    assert done == sorted(done), "once it is done it stays done"
    return len(spread)


POINTS = {"assign": 8, "confirm": 8, "discard": 8, "merge": 30, "merge at once": 34, "move at once": 34}
"""Statements before which a decision is killed, 28 where nothing else is said; one that only settles has few."""


@pytest.mark.slow
@pytest.mark.parametrize("name", list(DECISIONS))
def test_killed_between_statements(tmp_path: Path, name: str) -> None:
    """Two hundred points of all decisions together."""
    template = tmp_path / "template"
    template.mkdir()
    begun(template, str(template / "ward.ledger"))

    def fresh(label: str) -> Ward:
        shutil.copytree(template, tmp_path / label)
        return Ward(tmp_path / label, str(tmp_path / label / "ward.ledger"), turn=1)

    points = POINTS.get(name, 28)
    assert killed_at(fresh, DECISIONS[name], points) == points
    assert sum(POINTS.get(each, 28) for each in DECISIONS) >= 200


@pytest.mark.slow
@pytest.mark.parametrize("name", list(DECISIONS))
def test_killed_between_statements_on_postgresql(tmp_path: Path, name: str, new_schema: Callable[[], str]) -> None:
    """Five points of each decision, 45 together."""

    def fresh(label: str) -> Ward:
        folder = tmp_path / label
        folder.mkdir()
        return begun(folder, new_schema())

    assert killed_at(fresh, DECISIONS[name], 5) == 5


@pytest.mark.slow
@pytest.mark.parametrize("where", ["before prepare", "after prepare", "after the move", "before finish", "in between"])
def test_killed_where_it_matters(both: str, tmp_path: Path, where: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """A move at once is two runs: before the first counts nothing is done, after that everything is completed."""
    ward = begun(tmp_path, both)
    untouched = story(ward)

    def die(*_: object, **__: object) -> None:
        os.kill(os.getpid(), signal.SIGKILL)

    def then_die(function: Callable[..., None]) -> Callable[..., None]:
        def changed(*given: object) -> None:
            function(*given)
            die()

        return changed

    def move() -> None:
        if where == "before prepare":
            monkeypatch.setattr(Run, "prepare", die)
        elif where == "after prepare":
            monkeypatch.setattr(Run, "prepare", then_die(Run.prepare))
        elif where == "after the move":
            monkeypatch.setattr(Stage, "commit", then_die(Stage.commit))
        elif where == "before finish":
            monkeypatch.setattr(Run, "finish", die)
        else:
            monkeypatch.setattr("gateway.decisions.base.convert", die)
        DECISIONS["move at once"](ward)

    assert in_child(move, None)[1] == signal.SIGKILL
    assert after(ward, DECISIONS["move at once"], untouched) == (where != "before prepare")
    assert {patient for patient, _ in ward.patients()} == {"B2"}
    assert [each[1:3] for each in ward.audit()] == [("move", "run"), ("move", "set"), ("move", "set")]
    retractions = list(tmp_path.glob("out-*/retracted/retraction.json"))
    with open_ledger(both, readonly=True) as ledger:
        assert sum("retracted" in run.counts for run in ledger.runs()) == 1
        assert len(retractions) <= 1
