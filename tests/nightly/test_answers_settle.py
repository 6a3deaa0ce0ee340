"""A message that the receiver will not have is out of the way of those behind it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from gateway.delivery.mllp import MllpSender
from gateway.ledger import OutboxFilter, open_ledger
from gateway.nightly.outbox import deliver
from tests.delivery.mllp_kit import target
from tests.nightly.outbox_kit import listener, messages, queue


@pytest.mark.slow
def test_an_unknown_patient_is_parked_and_the_next_message_is_delivered(tmp_path: Path) -> None:
    with (
        open_ledger(tmp_path / "ward.ledger") as ledger,
        listener("mllp", tmp_path / "received", 0, "C00001") as port,
    ):
        queue(ledger, tmp_path, oru=messages(3), targets=[("lab", "oru")])
        sender = MllpSender(target(port, name="lab", acknowledge_timeout=5))
        tally = deliver(ledger, [sender])
        assert (tally.delivered, tally.parked, tally.waiting) == (2, 1, 0)
        [parked] = ledger.outbox(OutboxFilter(target="lab", state="parked"))
        assert (parked.part, parked.code, parked.attempts) == (1, "AR:204", 1)
        assert parked.message == "The receiver does not know the patient (PID-3)."
    received = [json.loads(line) for line in (tmp_path / "received").read_text().splitlines()]
    assert [each.encode() for each in received] == [messages(3)[0], messages(3)[2]]
