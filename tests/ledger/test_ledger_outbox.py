"""The outbox of the ledger: what a run leaves to be sent, in order, with what became of it."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from alembic import command
from sqlalchemy import column, insert, table

from gateway.ledger import Ledger, LedgerError, OutboxFilter, Run, open_ledger, store
from gateway.ledger.rows import SetRow
from tests.ledger.ledger_kit import a_set, begin, finish
from tests.ledger.test_ledger_audit import statement

MESSAGES = [
    b"MSH|^~\\&|GW|W|||20260314||ORU^R01|C%d|P|2.6\rPID|1\rOBX|1|ST|N||MSH in a text|\r" % at for at in range(5)
]
BUNDLES = [b'{"resourceType":"Bundle","id":"%d"}\n' % at for at in range(2)]


def batch(*messages: bytes) -> bytes:
    return b"FHS|^~\\&\rBHS|^~\\&\r" + b"".join(messages) + b"BTS|%d\rFTS|1\r" % len(messages)


def filled(ledger: Ledger, folder: Path, targets: Any = (("ehr", "fhir"), ("lab", "oru"))) -> int:
    """A run with two bundles and five messages in two files, queued for these targets."""
    run, export_id = begin(ledger)
    run.add_sets(export_id, [a_set(100 * run.id)])
    run.add_content("fhir/2.bundle.json", BUNDLES[0])
    run.add_content("oru/2.hl7", batch(*MESSAGES[:3]))
    run.add_content("fhir/1.bundle.json", BUNDLES[1])
    run.add_content("oru/1.hl7", batch(*MESSAGES[3:]))
    run.add_content("report.json", b"{}")
    run.queue(targets)
    finish(run, folder)
    return run.id


def waits(ledger: Ledger, target: str, kind: Any) -> list[bytes]:
    return [item.data for item in ledger.waiting(target, kind)]


def test_a_run_queues_its_records_in_order(ledger: Ledger, tmp_path: Path) -> None:
    first = filled(ledger, tmp_path)
    assert waits(ledger, "ehr", "fhir") == BUNDLES
    assert waits(ledger, "lab", "oru") == MESSAGES
    assert waits(ledger, "lab", "fhir") == waits(ledger, "nobody", "oru") == []
    second = filled(ledger, tmp_path, [("lab", "batch")])
    assert waits(ledger, "lab", "oru") == [*MESSAGES, batch(*MESSAGES[:3]), batch(*MESSAGES[3:])]
    items = ledger.outbox(OutboxFilter(target="lab"))
    assert [(item.run, item.name, item.part) for item in items] == [
        (first, "oru/2.hl7", 0), (first, "oru/2.hl7", 1), (first, "oru/2.hl7", 2),
        (first, "oru/1.hl7", 0), (first, "oru/1.hl7", 1), (second, "oru/2.hl7", 0), (second, "oru/1.hl7", 0),
    ]  # fmt: skip
    assert ledger.queued_for([(first, "oru/1.hl7"), (first, "report.json"), (second, "fhir/1.bundle.json")]) == {
        (first, "oru/1.hl7"): [("lab", "oru")]
    }


def test_nothing_is_queued_twice_nor_without_its_run(ledger: Ledger, tmp_path: Path) -> None:
    run, _ = begin(ledger)
    run.add_content("oru/1.hl7", batch(*MESSAGES))
    assert run.queue([("lab", "oru")]) == 5
    assert run.queue([("lab", "oru")]) == 0
    assert run.queue([("lab", "oru"), ("ward", "oru")], ["oru/2.hl7"]) == 0
    assert run.queue([("lab", "oru"), ("ward", "oru")]) == 5
    run.abandon()
    assert ledger.outbox() == []
    filled(ledger, tmp_path)
    assert len(ledger.outbox()) == 7


def test_outcomes_are_kept(ledger: Ledger, tmp_path: Path) -> None:
    filled(ledger, tmp_path)
    one, two, three, *rest = ledger.outbox(OutboxFilter(target="lab"))
    ledger.sent(one.id, "later", "no-answer", "The receiver did not answer.")
    ledger.sent(one.id, "delivered", "AA", "Accepted.")
    ledger.sent(two.id, "parked", "AE", "Refused.", "[]")
    ledger.sent(three.id, "later", "no-answer", "The receiver did not answer.")
    for wrong in (one.id, two.id, 999):
        with pytest.raises(LedgerError, match="that waits to be sent"):
            ledger.sent(wrong, "delivered", "AA", "")
    with pytest.raises(LedgerError, match="no verdict"):
        ledger.sent(three.id, "lost", "", "")  # type: ignore[arg-type]
    assert [item.id for item in ledger.waiting("lab", "oru")] == [three.id, *(item.id for item in rest)]
    first = ledger.first_waiting("lab")
    assert first is not None
    assert (first.id, first.attempts, first.code, first.settled) == (three.id, 1, "no-answer", None)
    done, parked = ledger.outbox(OutboxFilter(ids=[one.id, two.id]))
    assert (done.state, done.attempts, done.code) == ("delivered", 2, "AA")
    assert (parked.state, parked.message, parked.detail) == ("parked", "Refused.", "[]")
    assert parked.settled == parked.tried is not None
    counts = {(each.target, each.owner, each.state): each.items for each in ledger.outbox_counts()}
    assert counts == {
        ("ehr", "", "waiting"): 2, ("lab", "", "delivered"): 1, ("lab", "", "parked"): 1, ("lab", "", "waiting"): 3,
    }  # fmt: skip
    ledger.name_owners({"lab": "Interface team"})
    ledger.name_owners({"lab": "Night desk"})
    assert {each.owner for each in ledger.outbox_counts(OutboxFilter(target="lab"))} == {"Night desk"}
    assert {item.owner for item in ledger.outbox()} == {"", "Night desk"}


def test_nothing_is_noted_with_an_open_run(ledger: Ledger, tmp_path: Path) -> None:
    """It would be taken back with the run, though it was sent."""
    filled(ledger, tmp_path)
    [item, *_] = ledger.outbox()
    run, _ = begin(ledger)
    with pytest.raises(LedgerError, match="A run is open"):
        ledger.sent(item.id, "delivered", "200", "")
    run.abandon()
    ledger.sent(item.id, "delivered", "200", "")


def test_what_stays_waiting_is_given_once(ledger: Ledger, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("gateway.ledger.outbox._AHEAD", 2)
    filled(ledger, tmp_path)
    found: list[bytes] = []
    for item in ledger.waiting("lab", "oru"):
        ledger.sent(item.id, "later" if len(found) % 2 else "delivered", "x", "")
        found.append(item.data)
    assert found == MESSAGES


def test_replay(ledger: Ledger, tmp_path: Path) -> None:
    before = datetime.now(UTC)
    first, second = filled(ledger, tmp_path), filled(ledger, tmp_path)
    after = datetime.now(UTC) + timedelta(seconds=1)

    def settle() -> None:
        for number, item in enumerate(list(ledger.waiting("lab", "oru"))):
            ledger.sent(item.id, "parked" if number == 1 else "delivered", "x", "")

    def replayed(**which: Any) -> list[int]:
        settle()
        count = ledger.replay(OutboxFilter(target="lab", **which), "Kim", "server restored")
        found = [item.id for item in ledger.waiting("lab", "oru")]
        assert len(found) == count
        return found

    everything = [item.id for item in ledger.outbox(OutboxFilter(target="lab"))]
    assert replayed(run=second) == everything[5:]
    assert replayed(ids=[everything[7], everything[2]]) == [everything[2], everything[7]]
    assert replayed(since=before, until=after) == everything
    assert replayed(since=after) == []
    assert replayed(state="parked") == [everything[1]]
    assert len(list(ledger.waiting("ehr", "fhir"))) == 4
    assert ledger.replay(OutboxFilter(target="lab", ids=[everything[1]]), "Kim", "again") == 0
    details = [json.loads(entry.detail) for entry in ledger.audit(subject="target lab", who="Kim")]
    assert details[0] == {"run": str(second), "delivered": 5}
    assert details[1] == {"items": [everything[2], everything[7]], "delivered": 2}
    assert details[2] == {"from": str(before), "to": str(after), "delivered": 7, "parked": 3}
    assert details[3] == {"parked": 1}
    assert len(details) == 4
    assert first
    assert ledger.verify_audit() is None


def _export_of_the_first_step(run: Run, sha256: str, size: int, lines: int, form: str) -> tuple[int, bool]:
    older = table("exports", *map(column, ("id", "sha256", "size", "lines", "form", "first_run")))
    with run._working() as connection:
        values = {"id": 1, "sha256": sha256, "size": size, "lines": lines, "form": form, "first_run": run.id}
        connection.execute(insert(older), values)
        return 1, False


def test_ledger_of_the_first_step_is_brought_up_to_date(place: str, tmp_path: Path) -> None:
    with pytest.MonkeyPatch.context() as patch:
        upgrade = command.upgrade
        patch.setattr(command, "upgrade", lambda config, _: upgrade(config, "0001"))
        patch.setattr(store, "REVISIONS", ("0001",))
        patch.setattr(Run, "export", _export_of_the_first_step)
        with open_ledger(place) as ledger:
            run, export_id = begin(ledger)
            later = ("wall", "chain", "how")
            older = table("sets", *map(column, [*SetRow._fields, "digest", "export_id", "run", "namespace"]))
            rows = [{name: value for name, value in a_set(number)._asdict().items() if name not in later}
                    for number in (1, 2)]  # fmt: skip
            with run._working() as connection:
                connection.execute(
                    insert(older),
                    [
                        row | {"digest": bytes(16), "export_id": export_id, "run": run.id, "namespace": ""}
                        for row in rows
                    ],
                )
            run.add_content("oru/1.hl7", batch(*MESSAGES))
            run.add_audit("Kim", "test", "run 1", "x", {})
            finish(run, tmp_path)
    with pytest.raises(Exception, match="outbox"):
        statement(place, "SELECT * FROM outbox")
    with pytest.raises(LedgerError, match="older version"):
        open_ledger(place, readonly=True)
    with open_ledger(place, create=False) as ledger:
        assert len(list(ledger.sets())) == 2
        assert ledger.content(1, "oru/1.hl7") == batch(*MESSAGES)
        assert ledger.verify_audit() is None
        # What was recorded before there was an outbox was sent by other means.
        assert ledger.outbox() == []
        filled(ledger, tmp_path)
        assert waits(ledger, "lab", "oru") == MESSAGES


def test_a_file_that_is_gone_is_told(place: str, tmp_path: Path) -> None:
    with open_ledger(place) as ledger:
        filled(ledger, tmp_path)
    statement(place, "DELETE FROM contents WHERE name = 'oru/1.hl7'")
    with open_ledger(place) as ledger, pytest.raises(LedgerError, match="holds no record file"):
        waits(ledger, "lab", "oru")


def test_the_last_message_of_a_file_without_a_trailer_is_sent(ledger: Ledger, tmp_path: Path) -> None:
    """A batch need not be closed: what stands to the end of the file belongs to its last message."""
    run, _ = begin(ledger)
    run.add_content("oru/1.hl7", b"FHS|^~\\&\rBHS|^~\\&\r" + b"".join(MESSAGES[:2]))
    run.add_content("oru/2.hl7", MESSAGES[2])
    run.queue((("lab", "oru"),))
    finish(run, tmp_path)
    assert waits(ledger, "lab", "oru") == MESSAGES[:3]
