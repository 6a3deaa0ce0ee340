"""Conversions with a ledger, killed at any moment: nothing is lost, and nothing is recorded twice."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import pytest

from gateway.ledger import HoldFilter, SetFilter, open_ledger
from tests.conversion.conversion_kit import REPOSITORY, WIDE, fhir_facts, oru_facts

# Everything slow is loaded, and a first conversion done, before the children are forked.
WORK = r"""
import json, os, random, signal, sys, time
from contextlib import nullcontext
from datetime import UTC, datetime
from pathlib import Path

import gateway.report, gateway.report.page
from gateway.conversion import convert
from gateway.errors import OutputError
from gateway.ledger import HoldFilter, open_ledger
from gateway.ledger.run import Run
from gateway.records.output import Stage

gateway.report.page.html = lambda report, drawing=None: ""
gateway.report.Drawing = nullcontext
folder, place, wanted, seed = Path(sys.argv[1]), sys.argv[2], int(sys.argv[3]), int(sys.argv[4])
chance = random.Random(seed)
mapping = folder / "m.toml"
header = "When,On,Sys,Dia,HR,SpO2,Temp,Weight"


def row(number):
    # Each minute of its own; one in eleven has a pulse that a person has to confirm.
    day, minute = divmod(number, 600)
    when = f"2026-03-{14 + day} {9 + minute // 60:02}:{minute % 60:02}"
    return f"{when},M{number % 3},121,79,{640 if number % 11 == 0 else 64},97,36.8,{70 + number % 9}.4"


def export(number):
    path = folder / "exports" / f"{number}.csv"
    path.write_text("\n".join([header, *map(row, range(3 * number, 3 * number + 8)), ""]))
    return path


def associations(known):
    path = folder / f"{known}.csv"
    lines = [f"M{n},P-{n},2026-03-01T00:00:00-06:00,,scan,N. Ole" for n in range(known)]
    path.write_text("\n".join(["device,patient,from,to,established,by", *lines, ""]))
    return path


def target():
    return next(path for path in (folder / f"out-{n}" for n in range(10_000)) if not path.exists())


def die(*_):
    os.kill(os.getpid(), signal.SIGKILL)


def after(function):
    def both(*given):
        function(*given)
        die()
    return both


POINTS = {
    "before prepare": (Run, "prepare", lambda function: die),
    "after prepare": (Run, "prepare", after),
    "before the move": (Stage, "commit", lambda function: die),
    "after the move": (Stage, "commit", after),
    "before finish": (Run, "finish", lambda function: die),
}


def work(exports, known, point):
    if point:
        owner, name, change = POINTS[point]
        setattr(owner, name, change(getattr(owner, name)))
    if known == 3:
        with open_ledger(place) as ledger:
            ids = [hold.id for hold in ledger.holds(HoldFilter(reason="outside-hold-limits"))]
            ledger.settle(ids, "confirm", "", "N. Ole", "seen", at=datetime.now(UTC))
    try:
        convert(exports, mapping, target(), as_="both", associations=associations(known), ledger=place)
    except OutputError:
        pass  # opening the ledger has put the result there that was to be made


(folder / "exports").mkdir()
begun = time.monotonic()
convert([export(0)], mapping, folder / "warm", as_="both", associations=associations(3))
convert([export(0)], mapping, folder / "warm-2", as_="both", associations=associations(3), ledger=folder / "warm.db")
times = []
killed = {}
attempt = 0
while sum(killed.values()) < wanted:
    assert attempt < 4 * wanted
    some = [export(chance.randint(0, attempt)) for _ in range(chance.randint(0, 1))] + [export(attempt)]
    # From time to time a run is left alone, so that there is something to double.
    free = attempt % 6 == 0
    point = "" if free or chance.random() < 0.8 else chance.choice(list(POINTS))
    known = chance.randint(0, 3)
    start = time.monotonic()
    child = os.fork()
    if child == 0:
        status = 1
        try:
            work(some, known, point)
            status = 0
        finally:
            os._exit(status)
    if not free and not point:
        time.sleep(chance.uniform(0, min(times, default=0.1)))
        os.kill(child, signal.SIGKILL)
    _, status = os.waitpid(child, 0)
    if os.WIFSIGNALED(status):
        assert os.WTERMSIG(status) == signal.SIGKILL
        name = point or "at random"
        killed[name] = killed.get(name, 0) + 1
    else:
        assert os.WEXITSTATUS(status) == 0
        if free:
            times = [*times[-9:], time.monotonic() - start]
    attempt += 1
# Holds that are settled now are released by the run after it.
for _ in range(2):
    work([export(number) for number in range(attempt)], 3, "")
rows = 3 * (attempt - 1) + 8
print(json.dumps({"killed": killed, "attempts": attempt, "rows": rows, "seconds": time.monotonic() - begun}))
"""


@pytest.fixture(params=["sqlite", "postgresql"])
def place(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """Where a new ledger can be made."""
    if request.param == "sqlite":
        return str(tmp_path / "ward.ledger")
    new_schema: Callable[[], str] = request.getfixturevalue("new_schema")
    return new_schema()


@pytest.mark.slow
def test_killed_two_hundred_times(place: str, tmp_path: Path) -> None:
    wanted = 40 if place.startswith("postgresql") else 200
    by_association = WIDE.replace('column = "Who"\n', "")
    (tmp_path / "m.toml").write_text(by_association)
    done = subprocess.run(
        [sys.executable, "-c", WORK, str(tmp_path), place, str(wanted), "7"],
        cwd="/",
        env=os.environ | {"PYTHONPATH": str(REPOSITORY)},
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    assert done.returncode == 0, done.stderr[-4000:]
    told = json.loads(done.stdout.splitlines()[-1])
    print(told)
    assert sum(told["killed"].values()) == wanted
    assert len(told["killed"]) == 6, "at random moments, and at each of the chosen ones"

    results = sorted(path for path in tmp_path.iterdir() if path.name.startswith("out-"))
    fhir = Counter(fact for result in results for fact in fhir_facts(result))
    oru = Counter(fact for result in results for fact in oru_facts(result))
    assert set(fhir.values()) == set(oru.values()) == {1}
    assert len(fhir) == len(oru) == 6 * told["rows"]
    # Killed before the ledger counted it, a run may leave a hidden folder; none is the result of a run that counts.
    left = [path for path in tmp_path.iterdir() if path.name.startswith(".out-")]
    assert len(left) < 20
    with open_ledger(place, readonly=True) as ledger:
        tokens = {run.token for run in ledger.runs()}
        assert not [path for path in left for mark in path.glob(".run") if mark.read_text().strip() in tokens]
        assert ledger.verify_audit() is None
        assert not ledger.holds(HoldFilter())
        runs = {run.id: run for run in ledger.runs()}
        assert {run.state for run in runs.values()} == {"done"}
        assert sorted(Path(run.target) for run in runs.values()) == results
        known = list(ledger.sets(SetFilter(state=None)))
        assert len(known) == told["rows"]
        assert Counter(reading.partition("=")[0] for each in known for reading in each.readings.split(";")) == Counter(
            fact.vital for fact in fhir
        )
        for run in runs.values():
            for name in ledger.contents(run.id):
                assert (Path(run.target) / name).read_bytes() == ledger.content(run.id, name)
