"""A program that starts deliveries and kills them, until enough were killed and all is sent.

    python -m tests.nightly.killing LEDGER KIND PORT KILLS SEED

Three of four are killed at a random moment. The fourth kills itself at the worst one, which chance may miss: the
receiver has answered, and that is noted nowhere yet.

What takes time is loaded before, and each delivery is a fork that opens the ledger for itself. It prints, as JSON, how
many were killed and how many came to their end.
"""

from __future__ import annotations

import json
import os
import random
import signal
import sys
import time
from collections.abc import Callable
from typing import Any

from gateway.delivery.base import Receipt
from gateway.delivery.fhir_rest import FhirRest, FhirTarget
from gateway.delivery.mllp import MllpSender
from gateway.ledger import OutboxFilter, open_ledger
from gateway.nightly.outbox import deliver
from tests.delivery.mllp_kit import target


def sender(kind: str, port: int) -> Any:
    if kind == "fhir":
        return FhirRest("ehr", FhirTarget(url=f"http://127.0.0.1:{port}", attempts=1))
    return MllpSender(target(port, name="lab", acknowledge_timeout=10))


def work(where: str, kind: str, port: int, answers: int = 0) -> int:
    """One delivery: 0 when nothing waits afterwards. It kills itself when it has so many answers; 0 for never."""
    target = sender(kind, port)
    if answers:
        target.send = dying(target.send, answers)
    with open_ledger(where, wait=10, create=False) as ledger:
        return int(deliver(ledger, [target]).waiting > 0)


def dying(send: Callable[[bytes], Receipt], answers: int) -> Callable[[bytes], Receipt]:
    left = iter(range(answers - 1, -1, -1))

    def sent(data: bytes) -> Receipt:
        receipt = send(data)
        if next(left) == 0:
            os.kill(os.getpid(), signal.SIGKILL)
        return receipt

    return sent


def main(where: str, kind: str, port: int, kills: int, seed: int) -> None:
    chance = random.Random(seed)
    # One small delivery of nothing loads what is loaded late.
    with open_ledger(where) as ledger:
        ledger.outbox(OutboxFilter(target="nobody"))
        list(ledger.waiting("nobody", "oru"))
        sender(kind, port).close()
    import httpx  # noqa: F401
    import stamina  # noqa: F401

    killed = ended = started = 0
    longest = 0.03
    until = time.monotonic() + 80
    while time.monotonic() < until:
        started += 1
        answers = 1 + started // 4 % 3 if started % 4 == 0 and killed < kills else 0
        child = os.fork()
        if child == 0:
            code = 3
            try:
                code = work(where, kind, port, answers)
            finally:
                os._exit(code)
        if killed < kills and not answers:
            time.sleep(chance.uniform(0, longest))
            os.kill(child, signal.SIGKILL)
        _, status = os.waitpid(child, 0)
        if os.WIFSIGNALED(status):
            killed += 1
            continue
        ended += 1
        if os.WEXITSTATUS(status) != 0:
            raise SystemExit(f"a delivery ended with {os.WEXITSTATUS(status)}")
        if killed >= kills:
            break
        # All is sent before enough were killed: send everything again.
        with open_ledger(where) as ledger:
            ledger.replay(OutboxFilter(), "killing", "once more")
    print(json.dumps({"killed": killed, "ended": ended}))


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2], *map(int, sys.argv[3:]))
