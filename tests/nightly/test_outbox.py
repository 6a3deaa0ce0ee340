"""Delivery from the outbox: order, faults that pass, what is parked, and nothing on standard output."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Literal

import pytest

from gateway.delivery.base import PartReceipt, Receipt, Verdict
from gateway.delivery.fhir_rest import FhirRest, FhirTarget
from gateway.delivery.folder import FolderSender, SiteFolder
from gateway.delivery.mllp import MllpSender
from gateway.ledger import Ledger, OutboxFilter, open_ledger, store
from gateway.nightly.outbox import DeliveryTally, TargetTally, deliver
from tests.delivery.mllp_kit import target
from tests.delivery.stand_in import StandIn
from tests.nightly.outbox_kit import REPOSITORY, bundles, listener, messages, queue

DELIVERED = Receipt(Verdict.DELIVERED, "AA", "Accepted.")
PARKED = Receipt(Verdict.PARKED, "AE", "Refused.")
LATER = Receipt(Verdict.LATER, "no-answer", "No answer.", after=30.0)


class Fake(StandIn):
    """A target that answers as it is told; what it took is in `sent`."""

    def __init__(self, *receipts: Receipt, name: str = "lab", kind: Literal["fhir", "oru"] = "oru") -> None:
        self.name = name
        self.kind = kind
        self.sent: list[bytes] = []
        self.closed = 0
        self._receipts = list(receipts)

    def send(self, data: bytes) -> Receipt:
        self.sent.append(data)
        return self._receipts.pop(0) if self._receipts else DELIVERED

    def close(self) -> None:
        self.closed += 1


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    with open_ledger(tmp_path / "ward.ledger") as opened:
        queue(opened, tmp_path, oru=messages(5), fhir=bundles(2))
        yield opened


def states(ledger: Ledger, name: str) -> list[str]:
    return [item.state for item in ledger.outbox(OutboxFilter(target=name))]


def test_each_target_gets_its_own_in_order(ledger: Ledger) -> None:
    lab, ehr = Fake(), Fake(name="ehr", kind="fhir")
    tally = deliver(ledger, [lab, ehr], owners={"lab": "Interface team"})
    assert (lab.sent, ehr.sent) == (messages(5), bundles(2))
    assert tally == DeliveryTally([TargetTally("lab", "oru", 5), TargetTally("ehr", "fhir", 2)])
    assert (tally.delivered, tally.parked, tally.waiting) == (7, 0, 0)
    assert (lab.closed, ehr.closed) == (1, 1)
    assert {count.owner for count in ledger.outbox_counts()} == {"Interface team", ""}
    again = Fake()
    assert deliver(ledger, [again]).delivered == 0
    assert again.sent == []


def test_a_passing_fault_holds_back_what_is_behind(ledger: Ledger) -> None:
    lab, ehr = Fake(DELIVERED, LATER), Fake(name="ehr", kind="fhir")
    tally = deliver(ledger, [lab, ehr])
    assert lab.sent == messages(2)
    assert tally.targets[0] == TargetTally("lab", "oru", 1, 0, 4, "no-answer", "No answer.", 30.0)
    assert tally.targets[1].delivered == 2
    assert states(ledger, "lab") == ["delivered", *["waiting"] * 4]
    lab = Fake()
    deliver(ledger, [lab])
    assert lab.sent == messages(5)[1:]


def test_what_is_refused_is_parked_and_the_next_has_its_turn(ledger: Ledger) -> None:
    parts = (PartReceipt(0, Verdict.DELIVERED, "201"), PartReceipt(1, Verdict.PARKED, "422", "No such code."))
    lab = Fake(DELIVERED, PARKED)
    ehr = Fake(Receipt(Verdict.PARKED, "422", "1 delivered, 1 parked.", parts), name="ehr", kind="fhir")
    tally = deliver(ledger, [lab, ehr])
    assert (tally.delivered, tally.parked, tally.waiting) == (5, 2, 0)
    assert states(ledger, "lab") == ["delivered", "parked", *["delivered"] * 3]
    [bundle] = ledger.outbox(OutboxFilter(target="ehr", state="parked"))
    assert json.loads(bundle.detail) == [{"entry": 1, "verdict": "parked", "code": "422", "message": "No such code."}]
    [refused] = ledger.outbox(OutboxFilter(target="lab", state="parked"))
    assert (refused.code, refused.message, refused.attempts) == ("AE", "Refused.", 1)
    ledger.replay(OutboxFilter(ids=[refused.id]), "Kim", "the code is known now")
    lab = Fake()
    deliver(ledger, [lab])
    assert lab.sent == [messages(5)[1]]


def test_stop_and_report(ledger: Ledger) -> None:
    lab = Fake()
    seen: list[tuple[str, int, str, str]] = []

    def report(name: str, item: Any, receipt: Receipt) -> None:
        # What is reported is recorded already.
        [kept] = ledger.outbox(OutboxFilter(ids=[item.id]))
        seen.append((name, item.part, receipt.code, kept.state))

    tally = deliver(ledger, [lab], stop=lambda: len(lab.sent) == 3, report=report)
    assert seen == [("lab", part, "AA", "delivered") for part in range(3)]
    assert (tally.targets[0].stopped, tally.waiting) == ("stop", 2)


def test_a_target_that_raises_loses_nothing(ledger: Ledger) -> None:
    class Broken(Fake):
        def send(self, data: bytes) -> Receipt:
            super().send(data)
            raise RuntimeError

    lab = Broken()
    with pytest.raises(RuntimeError):
        deliver(ledger, [lab])
    assert lab.closed == 1
    assert states(ledger, "lab") == ["waiting"] * 5


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["mllp", "fhir"])
def test_server_down_then_up(ledger: Ledger, tmp_path: Path, kind: str) -> None:
    def sender(port: int) -> Any:
        if kind == "mllp":
            return MllpSender(target(port, name="lab"))
        return FhirRest("ehr", FhirTarget(url=f"http://127.0.0.1:{port}", attempts=1))

    with listener(kind, tmp_path / "received") as port:
        assert deliver(ledger, [sender(port)]).targets[0].stopped == ""
    before = (tmp_path / "received").read_text()
    queue(ledger, tmp_path, oru=messages(3, first=5), fhir=bundles(5)[2:])
    for _ in range(3):  # for hours
        tally = deliver(ledger, [sender(port)])
        assert (tally.delivered, tally.parked, tally.waiting) == (0, 0, 3)
        assert tally.targets[0].stopped
    assert (tmp_path / "received").read_text() == before
    with listener(kind, tmp_path / "received", port):
        assert deliver(ledger, [sender(port)]).delivered == 3
    received = [json.loads(line) for line in (tmp_path / "received").read_text().splitlines()]
    if kind == "mllp":
        assert [each.encode() for each in received] == messages(8)
    else:
        assert [each["kind"] for each in received].count("Observation") == 5
        assert len({each["condition"] for each in received}) == len(received)


def test_disk_full_then_not(tmp_path: Path) -> None:
    """A limit on the size of files stands for the full disk; the ledger is on another."""
    (tmp_path / "share").mkdir()
    program = """
import resource, signal, sys
from pathlib import Path
from gateway.delivery.folder import FolderSender, SiteFolder
from gateway.ledger import open_ledger
from gateway.nightly.outbox import deliver
from tests.nightly.outbox_kit import messages, queue

class Full(FolderSender):
    def send(self, data):
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit, resource.RLIM_INFINITY))
        try:
            return super().send(data)
        finally:
            resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))

signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
folder = Path(sys.argv[1])
sent = messages(5)
sent[2] += b"NTE|1||" + b"x" * 500 + b"\\r"
with open_ledger(folder / "ward.ledger") as ledger:
    queue(ledger, folder, oru=sent)
    for limit in (400, 400, 4000):
        settings = SiteFolder(kind="folder", name="lab", owner="team", path=folder / "share", takes="oru")
        [own] = deliver(ledger, [Full(settings)]).targets
        print(own.delivered, own.waiting, own.stopped)
files = [path.read_bytes() for path in sorted((folder / "share").iterdir())]
print(files == sent)
"""
    assert _run(program, tmp_path) == "2 3 disk-full\n0 3 disk-full\n3 0 \nTrue\n"


def test_a_clock_that_is_put_back_changes_no_order(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    times = [datetime(2026, 3, 14, 2, tzinfo=UTC)]

    class Clock(datetime):
        @classmethod
        def now(cls, tz: Any = None) -> Any:
            return times[0]

    for module in ("gateway.ledger.store", "gateway.ledger.run", "gateway.delivery.folder"):
        monkeypatch.setattr(f"{module}.datetime", Clock)
    assert store.datetime is Clock  # type: ignore[attr-defined]
    (tmp_path / "share").mkdir()
    with open_ledger(tmp_path / "ward.ledger") as ledger:
        sender = FolderSender(SiteFolder(kind="folder", name="lab", owner="team", path=tmp_path / "share", takes="oru"))
        jumps: list[Callable[[datetime], datetime]] = [
            lambda now: now - timedelta(days=400), lambda now: now + timedelta(seconds=1),
            lambda now: now - timedelta(hours=1), lambda now: now + timedelta(days=900),
        ]  # fmt: skip
        for number, jump in enumerate(jumps):
            queue(ledger, tmp_path, oru=messages(3, first=3 * number))
            times[0] = jump(times[0])
            if number != 1:  # what waits from before the jump still comes first
                assert deliver(ledger, [sender]).waiting == 0
            times[0] -= timedelta(minutes=5)
    files = [path.read_bytes() for path in sorted((tmp_path / "share").iterdir())]
    assert files == messages(12)


def test_nothing_is_said_on_standard_output(tmp_path: Path) -> None:
    """Retries are told to structlog by default, which prints them."""
    program = """
import sys
from pathlib import Path
import structlog
from gateway.delivery.fhir_rest import FhirRest, FhirTarget
from gateway.delivery.mllp import MllpSender
from gateway.ledger import open_ledger
from gateway.nightly.outbox import deliver
from tests.delivery.mllp_kit import target
from tests.nightly.outbox_kit import bundles, messages, queue

folder = Path(sys.argv[1])
with open_ledger(folder / "ward.ledger") as ledger:
    queue(ledger, folder, oru=messages(1), fhir=bundles(1))
    # Nobody listens on the port for discarding (9).
    ehr = FhirRest("ehr", FhirTarget(url="http://127.0.0.1:9", attempts=2))
    assert deliver(ledger, [MllpSender(target(9, name="lab", attempts=3)), ehr]).waiting == 2
"""
    pytest.importorskip("structlog")
    assert _run(program, tmp_path) == ""


def _run(program: str, folder: Path) -> str:
    environment = {**os.environ, "PYTHONPATH": str(REPOSITORY)}
    done = subprocess.run(
        [sys.executable, "-c", program, str(folder)], env=environment, cwd=REPOSITORY, capture_output=True, text=True,
        timeout=60, check=False,
    )  # fmt: skip
    assert (done.returncode, done.stderr) == (0, "")
    return done.stdout
