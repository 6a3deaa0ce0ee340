"""Two runs on one ledger, and the same runs on either database."""

from __future__ import annotations

import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from pathlib import Path

import pytest

from gateway.errors import LedgerError
from gateway.ledger import HoldFilter, SetFilter, open_ledger
from gateway.ledger.run import Run
from tests.conversion.conversion_kit import WIDE, WIDE_HEADER, fhir_facts, gateway, oru_facts, retract, run, written

ROWS = [f"2026-03-14 09:{minute},P-{minute:04},M1,121,79,64,97,36.8,71.4" for minute in range(10, 30)]


@pytest.fixture(params=["sqlite", "postgresql"])
def place(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """Where a new ledger can be made."""
    if request.param == "sqlite":
        return str(tmp_path / "ward.ledger")
    new_schema: Callable[[], str] = request.getfixturevalue("new_schema")
    return new_schema()


def export(tmp: Path, name: str, *rows: str) -> Path:
    path = tmp / name
    path.write_text("\n".join([WIDE_HEADER, *rows, ""]))
    return path


def test_a_second_run_is_told_or_waits(place: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The first run stands still before its commit; nothing of the second is done meanwhile."""
    reached, go_on = threading.Event(), threading.Event()
    prepare = Run.prepare

    def slow(self: Run, *given: object) -> None:
        if not reached.is_set():
            reached.set()
            assert go_on.wait(60)
        prepare(self, *given)  # type: ignore[arg-type]

    monkeypatch.setattr(Run, "prepare", slow)
    first, second = export(tmp_path, "a.csv", *ROWS[:15]), export(tmp_path, "b.csv", *ROWS[5:])
    with ThreadPoolExecutor(2) as pool:
        one = pool.submit(run, tmp_path, [first], WIDE, "one", ledger=place, as_="both")
        assert reached.wait(60)
        with pytest.raises(LedgerError, match="Another run is writing"):
            run(tmp_path, [second], WIDE, "two", ledger=place)
        assert not (tmp_path / "two").exists()
        waiting = pool.submit(run, tmp_path, [second], WIDE, "two", ledger=place, wait=60.0, as_="both")
        with pytest.raises(TimeoutError):
            waiting.result(timeout=0.5)
        go_on.set()
        one.result(timeout=60)
        waiting.result(timeout=60)
    for facts in (fhir_facts, oru_facts):
        everything = [*facts(tmp_path / "one"), *facts(tmp_path / "two")]
        assert len(everything) == len(set(everything)) == 6 * len(ROWS)
    with open_ledger(place, readonly=True) as ledger:
        assert len(list(ledger.sets())) == len(ROWS)
        assert [each.state for each in ledger.runs()] == ["done", "done"]


def test_processes_that_start_together(place: str, tmp_path: Path) -> None:
    (tmp_path / "m.toml").write_text(WIDE)
    files = [export(tmp_path, f"{number}.csv", *ROWS[4 * number : 4 * number + 8]) for number in range(4)]

    def convert(number: int) -> int:
        done = gateway("convert", files[number], "--mapping", tmp_path / "m.toml", "--out", tmp_path / f"out-{number}",
                       "--ledger", place, "--wait", "100")  # fmt: skip
        assert "Traceback" not in done.stderr
        return done.returncode

    with ThreadPoolExecutor(4) as pool:
        assert list(pool.map(convert, range(4))) == [0] * 4
    facts = [fact for number in range(4) for fact in fhir_facts(tmp_path / f"out-{number}")]
    assert len(facts) == len(set(facts)) == 6 * 20


def test_repeats_holds_and_retractions(place: str, tmp_path: Path) -> None:
    held = ROWS[1].replace("P-0011", "")
    run(tmp_path, [export(tmp_path, "a.csv", ROWS[0], held)], WIDE, "one", ledger=place, as_="both")
    assert len(fhir_facts(tmp_path / "one")) == 6
    run(tmp_path, [export(tmp_path, "b.csv", ROWS[0], ROWS[2])], WIDE, "two", ledger=place, as_="both")
    assert {fact.patient for fact in fhir_facts(tmp_path / "two")} == {"P-0012"}
    with open_ledger(place) as ledger:
        (hold,) = ledger.holds(HoldFilter())
        ledger.settle([hold.id], "assign", "P-0011", "N. Ole", "asked", at=datetime.now(UTC))
    run(tmp_path, [], WIDE, "three", ledger=place, as_="both")
    assert {fact.patient for fact in oru_facts(tmp_path / "three")} == {"P-0011"}
    done = retract(place, SetFilter(patient="P-0012"), tmp_path / "back", who="N. Ole", why="a test")
    assert (done.sets, done.observations, done.messages) == (1, 5, 1)
    run(tmp_path, [tmp_path / "b.csv"], WIDE, "four", ledger=place, as_="both")
    assert not written(tmp_path / "four")
    with open_ledger(place, readonly=True) as ledger:
        assert [each.reasons for each in ledger.holds(HoldFilter())] == ["retracted-before"]
        assert ledger.verify_audit() is None
