"""Sets are chosen and shown by the recorded time; the monitor's own stands beside it, named as such."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import pytest

from gateway.inspection import tracing
from gateway.ledger import SetFilter, open_ledger
from tests.conversion.conversion_kit import WIDE_HEADER
from tests.decisions.decisions_kit import CHECKED, Ward, told

CLOCKED = CHECKED.replace(
    "[patient]",
    """[time.clock]
columns = ["Shown"]
reference = "columns"
reference_columns = ["True"]
policy = "correct"
limit_minutes = 60
order = "oldest-first"

[patient]""",
)
HEADER = f"{WIDE_HEADER},Shown,True"
FAST = "2026-03-14 09:30,A1,M1,121,79,64,97,36.8,,2026-03-14 10:07,2026-03-14 10:00"
"""Printed at 09:30 by a clock that is seven minutes fast: recorded at 09:23."""


def between(start: str, end: str) -> SetFilter:
    since, until = (int(datetime.fromisoformat(f"2026-03-14T{at}:00-05:00").timestamp()) for at in (start, end))
    return SetFilter(since=since, until=until)


@pytest.fixture
def ward(place: str, tmp_path: Path) -> Ward:
    ward = Ward(tmp_path, place, CLOCKED)
    ward.convert(FAST, header=HEADER)
    return ward


@pytest.mark.parametrize(("start", "end", "found"), [("09:20", "09:25", True), ("09:28", "09:35", False)])
def test_chosen_by_the_recorded_time(ward: Ward, start: str, end: str, found: bool) -> None:
    from gateway.errors import UsageError

    for decide in (ward.retract, lambda which, **options: ward.move(which, "B2", **options)):
        if found:
            assert decide(between(start, end), dry_run=True).sets == 1
        else:
            with pytest.raises(UsageError, match="No recorded set fits"):
                decide(between(start, end), dry_run=True)


def test_trace_shows_both(ward: Ward) -> None:
    (known,) = ward.sets()
    rows = dict(tracing.back(ward.place, known.identity.hex())[0].rows)
    assert rows["time"] == "2026-03-14 14:23:00 UTC"
    assert rows["printed by the monitor"] == "2026-03-14 09:30:00, by its own clock"


@pytest.mark.parametrize(
    ("mapping", "when"),
    [
        (CHECKED, "2026-03-14 09:30"),
        (CHECKED.replace("America/Chicago", "-06:00"), "2026-03-14 09:30"),
        (CHECKED.replace("%Y-%m-%d %H:%M", "%Y-%m-%d"), "2026-03-14"),
        (
            CHECKED.replace("%Y-%m-%d %H:%M", "%Y-%m-%dT%H:%M%z").replace("America/Chicago", "offset-in-text"),
            "2026-03-14T09:30-0500",
        ),
    ],
)
def test_a_clock_that_was_right_is_not_shown(place: str, tmp_path: Path, mapping: str, when: str) -> None:
    ward = Ward(tmp_path, place, mapping)
    ward.convert(FAST.replace("2026-03-14 09:30", when, 1).rsplit(",", 2)[0])
    (known,) = ward.sets()
    assert dict(tracing.back(ward.place, known.identity.hex())[0].rows)["printed by the monitor"] == ""


def test_a_dry_run_says_what_the_run_does(place: str, tmp_path: Path) -> None:
    ward = Ward(tmp_path, place)
    rows = [f"2026-03-14 {9 + n // 6:02}:{n % 6}0,A{n % 3},M{n % 2},121,79,64,97,36.8," for n in range(12)]
    ward.convert(*rows)
    ward.convert("2026-03-15 09:30,A1,M1,,,,97,,", as_="fhir", targets=())
    for which in (SetFilter(device="M0"), SetFilter(patient="A1")):
        dry = ward.retract(which, dry_run=True)
        assert told(dry) == told(ward.retract(which))
    with open_ledger(place, readonly=True) as ledger:
        assert ledger.verify_audit() is None
        assert len(ledger.holds()) == len(list(ledger.sets(SetFilter(state="retracted")))) == 9
