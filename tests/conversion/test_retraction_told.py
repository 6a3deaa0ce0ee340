"""What a retraction tells beforehand and afterwards, and who and why stand in the audit trail."""

from __future__ import annotations

import json
from datetime import datetime
from pathlib import Path

import pytest

from gateway.errors import LedgerError
from gateway.ledger import Recovered, SetFilter, open_ledger
from gateway.records.output import Stage
from tests.conversion.conversion_kit import WIDE, WIDE_HEADER, retract, run

HEADER = "device,patient,from,to,established,by\n"
DAY = "2026-03-14T"
WRONG = f"{HEADER}M1,P-0001,{DAY}08:00:00-05:00,{DAY}12:00:00-05:00,typed,N. Ole\n"
RIGHT = (
    f"{HEADER}M1,P-0001,{DAY}08:00:00-05:00,{DAY}09:40:00-05:00,typed,N. Ole\n"
    f"M1,P-0002,{DAY}09:40:00-05:00,{DAY}10:15:00-05:00,scan,N. Ole\n"
)
"""The set of 09:30 stays with its patient, that of 10:00 goes to another one, that of 10:30 to nobody."""


@pytest.fixture
def ledger(tmp_path: Path) -> Path:
    """A ledger with three sets of one monitor, all of them recorded for one patient."""
    rows = [f"2026-03-14 {at},,M1,121,79,64,97,36.8," for at in ("09:30", "10:00", "10:30")]
    (tmp_path / "a.csv").write_text("\n".join([WIDE_HEADER, *rows, ""]))
    (tmp_path / "wrong.csv").write_text(WRONG)
    (tmp_path / "right.csv").write_text(RIGHT)
    mapping = WIDE.replace('column = "Who"\n', "")
    run(tmp_path, [tmp_path / "a.csv"], mapping, "one", as_="both", associations=tmp_path / "wrong.csv",
        ledger=tmp_path / "ledger.db")  # fmt: skip
    return tmp_path / "ledger.db"


def at(clock: str) -> int:
    return int(datetime.fromisoformat(f"{DAY}{clock}:00-05:00").timestamp())


def test_a_dry_run_counts_every_set_once(ledger: Path, tmp_path: Path) -> None:
    dry = retract(
        ledger, SetFilter(), None, who="N. Ole", why="bed 4", dry_run=True, associations=tmp_path / "right.csv"
    )
    words = dict(dry.words())
    assert words["sets"] == "3, of 1 patient"
    assert words["devices"] == "M1 3"
    assert (words["from"], words["to"]) == ("2026-03-14 14:30 UTC", "2026-03-14 15:30 UTC")
    assert words["FHIR"] == "12 Observations become entered-in-error"
    assert words["HL7 v2"] == "3 messages are sent again as wrong or deleted"
    assert (dry.moved, dry.kept) == (1, 1)
    expected = "1 set goes to another patient, 1 to the same as before and stays held, 1 to nobody and waits"
    assert words["patients"] == expected
    with open_ledger(ledger, readonly=True) as opened:
        assert [known.state for known in opened.sets(SetFilter(state=None))] == ["recorded"] * 3
        assert opened.audit() == []


def test_who_why_and_reason_are_kept_apart(ledger: Path, tmp_path: Path) -> None:
    done = retract(ledger, SetFilter(), tmp_path / "back", who="N. Ole", why="bed 4, not bed 3", reason="wrong-patient")
    with open_ledger(ledger, readonly=True) as opened:
        entries = opened.audit()
        sets = [known.identity.hex() for known in opened.sets(SetFilter(state="retracted"))]
    assert {(entry.who, entry.action, entry.why) for entry in entries} == {("N. Ole", "retract", "bed 4, not bed 3")}
    assert {entry.subject for entry in entries} == {"run 2", *(f"set {each}" for each in sets)}
    assert {json.loads(entry.detail)["reason"] for entry in entries} == {"wrong-patient"}
    (whole,) = [json.loads(entry.detail) for entry in entries if entry.subject == "run 2"]
    assert (whole["sets"], whole["observations"], whole["messages"]) == (3, 12, 3)
    assert done.folder is not None
    told = json.loads((done.folder / "retraction.json").read_text())
    assert (told["who"], told["why"], told["reason"]) == ("N. Ole", "bed 4, not bed 3", "wrong-patient")


def test_no_ledger_is_made_to_look_for_sets(tmp_path: Path) -> None:
    for dry_run in (True, False):
        with pytest.raises(LedgerError, match="There is no ledger"):
            retract(tmp_path / "leger.db", SetFilter(), tmp_path / "back", who="N. Ole", why="a test", dry_run=dry_run)
    assert list(tmp_path.iterdir()) == []


def test_runs_that_were_cut_off_are_told_when_there_are_some(ledger: Path, tmp_path: Path) -> None:
    told: list[int] = []

    def note(found: object) -> None:
        assert isinstance(found, tuple)
        told.append(len([each for each in found if isinstance(each, Recovered)]))

    retract(ledger, SetFilter(until=at("09:31")), tmp_path / "back", who="N. Ole", why="a test", recovered=note)
    assert told == [], "nothing was cut off"

    def cut_off(folder: str) -> None:
        """A run that ends when its ledger is written and its folder not yet in place."""

        def stop(*_: object) -> None:
            raise KeyboardInterrupt

        rows = ["2026-03-14 11:00,,M1,121,79,64,97,36.8,"]
        (tmp_path / f"{folder}.csv").write_text("\n".join([WIDE_HEADER, *rows, ""]))
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(Stage, "commit", stop)
            with pytest.raises(KeyboardInterrupt):
                run(tmp_path, [tmp_path / f"{folder}.csv"], WIDE.replace('column = "Who"\n', ""), folder,
                    associations=tmp_path / "wrong.csv", ledger=ledger)  # fmt: skip

    cut_off("two")
    retract(ledger, SetFilter(until=at("10:01")), tmp_path / "again", who="N. Ole", why="a test", recovered=note)
    assert told == [1]
    cut_off("three")
    retract(ledger, SetFilter(until=at("10:31")), tmp_path / "third", who="N. Ole", why="a test")
    with open_ledger(ledger, readonly=True) as opened:
        assert {past.state for past in opened.runs()} == {"done"}
