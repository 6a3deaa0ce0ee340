"""Deliveries killed at any moment lose nothing, and double nothing at the receiver."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from gateway.ledger import open_ledger
from tests.nightly.outbox_kit import REPOSITORY, bundles, listener, messages, queue


def deliveries_killed(ledger: Path, kind: str, port: int, kills: int) -> None:
    words = [sys.executable, "-m", "tests.nightly.killing", str(ledger), kind, str(port), str(kills), "5"]
    environment = {**os.environ, "PYTHONPATH": str(REPOSITORY)}
    done = subprocess.run(
        words, env=environment, cwd=REPOSITORY, capture_output=True, text=True, timeout=110, check=False
    )
    assert (done.returncode, done.stderr) == (0, "")
    told = json.loads(done.stdout)
    assert told["killed"] >= kills, told
    assert told["ended"] >= 1, told


@pytest.mark.slow
def test_a_real_listener_has_every_message_once_and_in_order(tmp_path: Path) -> None:
    sent = messages(400)
    with open_ledger(tmp_path / "ward.ledger") as ledger:
        queue(ledger, tmp_path, oru=sent[:150])
        queue(ledger, tmp_path, oru=sent[150:])
    with listener("mllp", tmp_path / "received") as port:
        deliveries_killed(tmp_path / "ward.ledger", "oru", port, 200)
    received = [json.loads(line).encode() for line in (tmp_path / "received").read_text().splitlines()]
    effective: dict[bytes, bytes] = {}
    for message in received:
        # A receiver tells by MSH-10 what it has; what comes again is the same to the byte.
        assert effective.setdefault(message.split(b"|")[9], message) == message
    assert list(effective.values()) == sent
    with open_ledger(tmp_path / "ward.ledger") as ledger:
        assert {(item.state, item.code) for item in ledger.outbox()} == {("delivered", "AA")}
        assert len(ledger.outbox()) == len(sent)
        # Otherwise no kill came between sending and noting, and all this shows nothing.
        assert len(received) > sum(item.attempts for item in ledger.outbox())


@pytest.mark.slow
def test_a_server_has_every_record_once(tmp_path: Path) -> None:
    sent = bundles(120)
    with open_ledger(tmp_path / "ward.ledger") as ledger:
        queue(ledger, tmp_path, fhir=sent)
    with listener("fhir", tmp_path / "received") as port:
        deliveries_killed(tmp_path / "ward.ledger", "fhir", port, 60)
    received = [json.loads(line) for line in (tmp_path / "received").read_text().splitlines()]
    wanted = [
        (entry["request"]["url"], entry["request"]["ifNoneExist"])
        for data in sent
        for entry in json.loads(data)["entry"]
    ]
    assert [(record["kind"], record["condition"]) for record in received] == list(dict.fromkeys(wanted))
