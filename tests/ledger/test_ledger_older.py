"""A ledger that step 0002 left behind is brought up to date: what it says stays, what is new is filled in rightly.

`older/step-0002` was made by the program of that step from the exports and mappings beside it: two exports, the second
with a correction, one from monitors seven minutes fast, a wrong patient retracted, a hold assigned, one message parked,
one not answered. Everything in it is invented.
"""

from __future__ import annotations

import gzip
import shutil
from datetime import UTC, datetime
from pathlib import Path

import pytest
from sqlalchemy import select

from gateway.conversion import convert
from gateway.ledger import KnownSet, Ledger, OutboxFilter, SetFilter, open_ledger
from gateway.ledger.tables import outbox, sets

OLDER = Path(__file__).parent / "older" / "step-0002"


@pytest.fixture
def older(tmp_path: Path) -> Path:
    place = tmp_path / "ledger.sqlite"
    place.write_bytes(gzip.decompress((OLDER / "ledger.sqlite.gz").read_bytes()))
    return place


def every(ledger: Ledger) -> dict[tuple[str, str], KnownSet]:
    """Recorded and retracted sets by patient and time."""
    found = [*ledger.sets(), *ledger.sets(SetFilter(state="retracted"))]
    return {(each.patient, f"{datetime.fromtimestamp(each.epoch, UTC):%H:%M}"): each for each in found}


def test_times_are_the_recorded_ones_and_the_printed_ones_stand_beside_them(older: Path) -> None:
    with open_ledger(older) as ledger:
        known = every(ledger)
    printed = {key: f"{datetime.fromtimestamp(each.wall, UTC):%H:%M}" for key, each in known.items()}
    # America/Chicago was five hours behind UTC on that day; M3 was seven minutes fast by its lists.
    assert printed == {
        ("P-0001", "13:00"): "08:00",
        ("P-0002", "13:20"): "08:20",
        ("P-0003", "14:00"): "09:00",
        ("P-0001", "15:00"): "10:00",
        ("P-0004", "15:23"): "10:30",
        ("P-0005", "15:43"): "10:50",
    }


def test_what_was_changed_is_known_by_the_run_that_changed_it(older: Path) -> None:
    with open_ledger(older) as ledger, ledger._reading() as connection:
        rows = connection.execute(select(sets.c.patient, sets.c.state, sets.c.changed_run).order_by(sets.c.wall))
        assert [tuple(row) for row in rows] == [
            ("P-0001", "retracted", 4),
            ("P-0002", "recorded", 2),
            ("P-0003", "recorded", None),
            ("P-0001", "recorded", None),
            ("P-0004", "recorded", None),
            ("P-0005", "recorded", None),
        ]


def test_what_may_have_reached_a_receiver_is_told_from_what_cannot(older: Path) -> None:
    with open_ledger(older) as ledger, ledger._reading() as connection:
        rows = connection.execute(select(outbox.c.state, outbox.c.code, outbox.c.reached)).all()
    assert {(state, code): reached for state, code, reached in rows} == {
        ("delivered", "200"): 1,
        ("delivered", "AA"): 1,
        ("parked", "AE"): 0,
        ("waiting", "timeout"): 1,
        ("waiting", ""): 0,
    }
    with open_ledger(older) as ledger:
        assert len(ledger.outbox(OutboxFilter())) == len(rows)


def said_now(folder: Path, name: str) -> Path:
    """A mapping of that time, with what this version wants to be said besides."""
    text = (OLDER / f"{name}.toml").read_text(encoding="utf-8")
    file = folder / f"{name}.toml"
    file.write_text(
        text.replace("[time]", '[time]\npast_days = "any"').replace("[patient]", '[patient]\npattern = "any"'),
        encoding="utf-8",
    )
    return file


def test_the_same_exports_add_nothing(older: Path, tmp_path: Path) -> None:
    for name, mapping in (("first", "mapping"), ("second", "mapping"), ("clock", "clock")):
        shutil.copy(OLDER / f"{name}.csv", tmp_path)
        batch = convert(
            [tmp_path / f"{name}.csv"], said_now(tmp_path, mapping), tmp_path / name, as_="both", ledger=older
        )
        readings = batch.report.reckoning.readings.all
        assert readings.recorded == 0, name
    with open_ledger(older) as ledger:
        assert {each.patient for each in ledger.sets()} == {"P-0001", "P-0002", "P-0003", "P-0004", "P-0005", "P-0006"}


def test_what_it_recorded_is_known_for_whom(older: Path, tmp_path: Path) -> None:
    """The first list again, of which every set is said to be of another patient."""
    text = (OLDER / "first.csv").read_text()
    (tmp_path / "other.csv").write_text(text.replace("P-000", "P-900"))
    batch = convert(
        [tmp_path / "other.csv"], said_now(tmp_path, "mapping"), tmp_path / "other", as_="both", ledger=older
    )
    with open_ledger(older) as ledger:
        known = every(ledger)
        # What was taken back from the wrong patient may be somebody else's, and goes on as the same measurement.
        assert [each.patient for each in ledger.sets() if each.patient.startswith("P-900")] == ["P-9001"]
        assert known["P-9001", "13:00"].chain == known["P-0001", "13:00"].identity
        assert sum("other-patient" in hold.reasons for hold in ledger.holds()) == 2
    assert batch.report.reckoning.readings.all.recorded == 6
