"""Readings that were held and are taken up again: counted in, counted out, and told in words that fit."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from gateway.conversion.batch import Batch
from gateway.ledger import HoldFilter, open_ledger
from gateway.report import text as as_text
from tests.conversion.conversion_kit import WIDE, WIDE_HEADER, run


def convert(tmp: Path, name: str, *rows: str) -> Batch:
    exports = []
    if rows:
        exports = [tmp / f"{name}.csv"]
        exports[0].write_text("\n".join([WIDE_HEADER, *rows, ""]))
    return run(tmp, exports, WIDE, name, as_="both", ledger=tmp / "ledger.db")


def decide(tmp: Path, action: str, reason: str, patient: str = "") -> int:
    with open_ledger(tmp / "ledger.db") as ledger:
        ids = [hold.id for hold in ledger.holds(HoldFilter(reason=reason))]
        return ledger.settle(ids, action, patient, "N. Ole", "asked", at=datetime.now(UTC))  # type: ignore[arg-type]


NOBODY = "2026-03-14 09:45,,M1,118,76,71,98,36.6,"
EXTREME = "2026-03-14 10:05,P-0009,M2,135,88,580,95,37.2,80.1"


def test_a_run_that_only_releases_says_what_it_did(tmp_path: Path) -> None:
    convert(tmp_path, "one", NOBODY, EXTREME)
    assert decide(tmp_path, "assign", "patient-missing", "P-0042") == 1
    batch = convert(tmp_path, "two")
    assert batch.report.verdict.sentence == (
        "2 sets taken up from holds, 1 released, 1 still held; 5 readings of them recorded."
    )
    assert batch.report.verdict.state == "attention"
    holds = batch.report.batch.holds
    assert holds is not None
    # Of the second set five readings were recorded by the first run already.
    assert holds.readings == {"recorded": 5, "held": 1, "repeat": 5, "absent": 0, "unreadable": 0}
    assert (holds.before, holds.opened, holds.open) == (2, 0, 1)
    assert "11 readings in them = 5 recorded + 1 held + 5 repeat" in as_text(batch.report)
    assert decide(tmp_path, "confirm", "outside-hold-limits") == 1
    batch = convert(tmp_path, "three")
    assert (batch.report.verdict.state, batch.report.verdict.sentence) == (
        "clean",
        "1 set taken up from holds, 1 released; 1 reading of them recorded.",
    )


def test_an_export_and_holds_are_told_in_one_sentence(tmp_path: Path) -> None:
    convert(tmp_path, "one", NOBODY)
    decide(tmp_path, "assign", "patient-missing", "P-0042")
    batch = convert(tmp_path, "two", "2026-03-14 11:00,P-0007,M1,121,79,64,97,36.8,")
    assert batch.report.verdict.sentence == (
        "5 readings found and accounted for: 5 recorded. "
        "1 set taken up from holds, 1 released; 5 readings of them recorded."
    )
    assert batch.status == 0


rows = st.sampled_from([
    NOBODY, EXTREME, "2026-03-14 09:30,P-0007,M1,121,79,64,97,36.8,71.4", "2026-03-14 09:50,P-0007,M1,121,79,640,97,,",
    "2026-03-14 08:00,,M3,121,79,64,97,36.8,71.4",
])  # fmt: skip
steps: st.SearchStrategy[list[str] | tuple[str, ...]] = st.one_of(
    st.lists(rows, min_size=1, max_size=4, unique=True),
    st.tuples(st.just("assign"), st.just("patient-missing"), st.just("P-0042")),
    st.tuples(st.just("confirm"), st.just("outside-hold-limits"), st.just("")),
    st.tuples(st.just("discard"), st.just("outside-hold-limits"), st.just("")),
    st.just([]),
)


@pytest.mark.slow
@settings(max_examples=15, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(steps, min_size=2, max_size=5))
def test_the_sums_of_holds_close(
    tmp_path_factory: pytest.TempPathFactory, done: list[list[str] | tuple[str, ...]]
) -> None:
    tmp = tmp_path_factory.mktemp("sums")
    convert(tmp, "first", NOBODY)
    for number, step in enumerate(done):
        if isinstance(step, tuple):
            decide(tmp, *step)
            continue
        with open_ledger(tmp / "ledger.db", readonly=True) as ledger:
            before = ledger.hold_counts().holds
        report = convert(tmp, f"run{number}", *step).report
        with open_ledger(tmp / "ledger.db", readonly=True) as ledger:
            after = ledger.hold_counts()
        holds = report.batch.holds
        assert holds is not None
        assert (holds.before, holds.open) == (before, after.holds)
        assert holds.adds_up
        assert report.verdict.state != "failed"
        assert report.reckoning.readings.adds_up


def test_an_export_read_again_is_not_clean_while_something_of_it_is_held(tmp_path: Path) -> None:
    convert(tmp_path, "one", NOBODY, EXTREME)
    batch = convert(tmp_path, "again", NOBODY, EXTREME)
    readings = batch.report.reckoning.readings.all
    assert (readings.recorded, readings.repeat, readings.held) == (0, 5, 6)
    assert batch.report.verdict.state == "attention"
    assert batch.status == 1
    holds = batch.report.batch.holds
    assert holds is not None
    assert (holds.before, holds.opened, holds.open) == (2, 0, 2)


def test_what_is_held_is_held_once_in_lists_that_overlap(tmp_path: Path) -> None:
    convert(tmp_path, "one", NOBODY, EXTREME)
    batch = convert(tmp_path, "two", EXTREME, "2026-03-14 11:00,P-0007,M1,121,79,64,97,36.8,")
    holds = batch.report.batch.holds
    assert holds is not None
    assert (holds.before, holds.opened, holds.open) == (2, 0, 2)
    assert batch.report.reckoning.readings.all.held == 1


def test_what_was_confirmed_is_a_repeat_when_it_is_read_again(tmp_path: Path) -> None:
    convert(tmp_path, "one", EXTREME)
    decide(tmp_path, "confirm", "outside-hold-limits")
    convert(tmp_path, "two")
    batch = convert(tmp_path, "again", EXTREME)
    readings = batch.report.reckoning.readings.all
    assert (readings.repeat, readings.held) == (6, 0)
    assert batch.status == 0
    with open_ledger(tmp_path / "ledger.db", readonly=True) as ledger:
        assert not ledger.holds()
