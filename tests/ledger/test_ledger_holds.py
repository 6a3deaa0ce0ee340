"""Holds: opened, counted, decided, closed."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest

from gateway.ledger import Hold, HoldFilter, HoldRow, Ledger, LedgerError
from tests.ledger.ledger_kit import SHA, STARTED, a_hold, begin, finish


def filled(ledger: Ledger, tmp_path: Path) -> list[Hold]:
    run, export_id = begin(ledger)
    run.add_holds(export_id, [a_hold(line) for line in range(2, 6)])
    run.add_holds(export_id, [a_hold(6, device="", epoch=None, identity=None, reasons="time-unreadable,unit-unknown")])
    finish(run, tmp_path)
    return ledger.holds()


def test_hold_comes_back_as_it_was(ledger: Ledger, tmp_path: Path) -> None:
    holds = filled(ledger, tmp_path)
    assert [hold.line for hold in holds] == [2, 3, 4, 5, 6]
    first, last = holds[0], holds[-1]
    assert HoldRow(*first[1:9], first.said) == a_hold(2)
    assert (first.export_sha256, first.mapping_title, first.namespace) == (SHA, "Ward monitors", "urn:example:ward")
    assert (first.opened_at, first.state, first.closed_run, first.closed_at) == (STARTED, "open", None, None)
    assert (first.action, first.patient, first.mapping_sha256) == ("", "", "ab" * 32)
    assert (last.device, last.epoch, last.identity) == ("", None, None)


def test_open_hold_is_brought_up_to_date_and_keeps_its_decision(ledger: Ledger, tmp_path: Path) -> None:
    before = filled(ledger, tmp_path)
    ledger.settle([before[0].id], "confirm", "", "Kim", "seen", STARTED)
    run, export_id = begin(ledger, started=STARTED + timedelta(days=2))
    run.add_holds(export_id, [a_hold(2, reasons="unit-unknown", readings=1)])
    finish(run, tmp_path)
    after = ledger.holds()
    assert [hold.id for hold in after] == [hold.id for hold in before]
    assert (after[0].reasons, after[0].readings, after[0].action) == ("unit-unknown", 1, "confirm")
    assert after[0].opened_at == STARTED
    assert after[1:] == before[1:]


def test_closed_hold_leaves_room_for_another(ledger: Ledger, tmp_path: Path) -> None:
    (first, *_) = filled(ledger, tmp_path)
    run, export_id = begin(ledger)
    assert run.close_holds([first.id, 10_000], "released") == 1
    assert run.close_holds([first.id], "released") == 0
    run.add_holds(export_id, [a_hold(2)])
    finish(run, tmp_path)
    closed, opened = ledger.at_line(SHA, 2).holds
    assert (closed.id, closed.state, closed.closed_run) == (first.id, "released", run.id)
    assert closed.closed_at is not None
    assert (opened.state, opened.opened_run) == ("open", run.id)
    assert [hold.id for hold in ledger.holds(HoldFilter(state="released"))] == [first.id]
    assert len(ledger.holds(HoldFilter(state=None))) == 6


def test_holds_are_found_by_every_field(ledger: Ledger, tmp_path: Path) -> None:
    ids = [hold.id for hold in filled(ledger, tmp_path)]

    def found(**fields: object) -> list[int]:
        return [ids.index(hold.id) for hold in ledger.holds(HoldFilter(**fields))]  # type: ignore[arg-type]

    assert found(ids=[ids[3], ids[1]]) == [1, 3]
    assert found(ids=[]) == []
    assert found(reason="unit-unknown") == [4]
    assert found(reason="unit") == []
    assert found(reason="unit_unknown") == []
    assert found(reason="patient-missing", device="MON-01") == [0, 1, 2, 3]
    assert found(device="") == [4]
    assert found(older_than=STARTED) == []
    assert found(older_than=STARTED + timedelta(seconds=1)) == [0, 1, 2, 3, 4]
    assert found(namespace="urn:example:other") == []
    assert found(mapping_title="Ward monitors") == [0, 1, 2, 3, 4]


def test_holds_are_counted(ledger: Ledger, tmp_path: Path) -> None:
    filled(ledger, tmp_path)
    counts = ledger.hold_counts(now=STARTED + timedelta(days=3, hours=5))
    assert (counts.holds, counts.readings) == (5, 10)
    assert counts.by_reason == {"patient-missing": 4, "time-unreadable": 1, "unit-unknown": 1}
    assert counts.by_device == {"": 1, "MON-01": 4}
    assert counts.by_days == {3: 5}
    assert ledger.hold_counts(HoldFilter(state="discarded")).holds == 0


def test_decisions_are_recorded_and_audited(ledger: Ledger, tmp_path: Path) -> None:
    one, two, three, *_ = (hold.id for hold in filled(ledger, tmp_path))
    at = STARTED + timedelta(hours=1)
    assert ledger.settle([one, two, 10_000], "assign", "004711", "Kim", "wristband read", at) == 2
    assert ledger.settle([three], "discard", "", "Kim", "a test", at) == 1
    assert ledger.settle([three], "confirm", "", "Kim", "too late", at) == 0
    holds = {hold.id: hold for hold in ledger.holds(HoldFilter(state=None))}
    assert (holds[one].state, holds[one].action, holds[one].patient) == ("open", "assign", "004711")
    assert (holds[three].state, holds[three].action, holds[three].closed_at) == ("discarded", "discard", at)
    assert holds[three].closed_run is None
    entries = ledger.audit()
    said = [(entry.who, entry.action, entry.subject, entry.why, entry.at) for entry in entries]
    assert said == [
        ("Kim", "assign", f"hold {one}", "wristband read", at),
        ("Kim", "assign", f"hold {two}", "wristband read", at),
        ("Kim", "discard", f"hold {three}", "a test", at),
    ]
    assert "004711" not in repr(entries)


@pytest.mark.parametrize(("action", "patient"), [("assign", ""), ("confirm", "004711"), ("forget", "")])
def test_decision_must_make_sense(ledger: Ledger, action: str, patient: str) -> None:
    with pytest.raises(LedgerError):
        ledger.settle([1], action, patient, "Kim", "", STARTED)  # type: ignore[arg-type]
