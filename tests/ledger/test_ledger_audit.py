"""The audit trail is added to and never changed, and shows where somebody did so all the same."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest

from gateway.ledger import Ledger, open_ledger
from tests.ledger.ledger_kit import begin, finish

CHANGES = (
    "UPDATE audit SET why = 'another' WHERE id = 2",
    "DELETE FROM audit WHERE id = 2",
    "DELETE FROM audit",
)


def filled(ledger: Ledger) -> None:
    for number in range(1, 4):
        ledger.add_audit("Kim", "retract", f"run {number}", "wrong ward", {"sets": number, "ä": ["ß"]})


def statement(place: str, words: str) -> None:
    if place.startswith("postgresql"):
        import psycopg

        with psycopg.connect(place) as connection:
            connection.execute(words.encode())
    else:
        with sqlite3.connect(place) as file:
            file.executescript(words)
        file.close()


def test_entries_come_back_in_order(ledger: Ledger) -> None:
    assert ledger.verify_audit() is None
    filled(ledger)
    entries = ledger.audit()
    assert [(entry.id, entry.subject) for entry in entries] == [(1, "run 1"), (2, "run 2"), (3, "run 3")]
    assert entries[0].detail == '{"sets":1,"ä":["ß"]}'
    assert [entry.previous for entry in entries[1:]] == [entry.hash for entry in entries[:-1]]
    assert ledger.verify_audit() is None
    assert [entry.id for entry in ledger.audit(subject="run 2", who="Kim", since=entries[0].at)] == [2]
    assert ledger.audit(who="Sam") == []


def test_entry_goes_with_its_run(ledger: Ledger, tmp_path: Path) -> None:
    run, _ = begin(ledger)
    ledger.add_audit("Kim", "retract", "all", "", {})
    run.add_audit("Kim", "retract", "all", "", {})
    run.abandon()
    assert ledger.audit() == []
    run, _ = begin(ledger)
    run.add_audit("Kim", "retract", "all", "", {})
    finish(run, tmp_path)
    assert len(ledger.audit()) == 1
    assert ledger.verify_audit() is None


def test_database_refuses_changes(place: str) -> None:
    with open_ledger(place) as ledger:
        filled(ledger)
    more = "TRUNCATE audit" if place.startswith("postgresql") else "REPLACE INTO audit SELECT * FROM audit WHERE id = 2"
    for words in (*CHANGES, more):
        with pytest.raises(Exception, match="the audit trail is only added to"):
            statement(place, words)
    with open_ledger(place, readonly=True) as ledger:
        assert len(ledger.audit()) == 3
        assert ledger.verify_audit() is None


@pytest.mark.parametrize(
    ("change", "broken"),
    [
        ("UPDATE audit SET why = 'another' WHERE id = 2", 2),
        ("UPDATE audit SET who = 'Sam' WHERE id = 3", 3),
        ("UPDATE audit SET detail = '{}' WHERE id = 1", 1),
        ("DELETE FROM audit WHERE id = 2", 2),
        ("DELETE FROM audit WHERE id = 1", 1),
    ],
)
def test_change_past_the_triggers_is_found(place: str, change: str, broken: int) -> None:
    with open_ledger(place) as ledger:
        filled(ledger)
    if place.startswith("postgresql"):
        statement(place, f"ALTER TABLE audit DISABLE TRIGGER ALL; {change}; ALTER TABLE audit ENABLE TRIGGER ALL")
    else:
        statement(place, f"DROP TRIGGER audit_update; DROP TRIGGER audit_delete; {change};")
    with open_ledger(place, readonly=True) as ledger:
        assert ledger.verify_audit() == broken
