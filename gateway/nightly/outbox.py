"""Delivery from the outbox of the ledger: at least once on the wire, exactly once in effect.

What is sent was recorded before, and what became of it is recorded before the next is sent. Whoever is cut off between
the two sends the same bytes again, with the same identifiers, by which the receiver tells that it has them.

For each target the oldest comes first. A passing fault ends the delivery to that target for now, so that nothing
overtakes anything; what the receiver refuses for good is parked, and the next has its turn.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal, Protocol

from gateway.delivery.base import Receipt, Verdict

if TYPE_CHECKING:
    from gateway.ledger import Ledger, Waiting

Report = Callable[[str, "Waiting", Receipt], None]
"""Called with the target's name, the item and what became of it, after that is recorded."""

_WORDS: dict[Verdict, Literal["delivered", "parked", "later"]] = {
    Verdict.DELIVERED: "delivered",
    Verdict.PARKED: "parked",
    Verdict.LATER: "later",
}
_PARTS = 100
"""Entries of a bundle whose trouble is kept with it; a message counts all of them."""


class Sender(Protocol):
    """What delivery asks of a target."""

    @property
    def name(self) -> str:
        """What the site calls it."""

    @property
    def kind(self) -> Literal["fhir", "oru"]:
        """What it takes: FHIR bundles or HL7 v2 messages."""

    def send(self, data: bytes) -> Receipt:
        """Send one bundle, message or batch file, and wait for its receipt."""

    def close(self) -> None:
        """Close its connections."""


@dataclass(slots=True)
class TargetTally:
    """What a delivery to one target came to.

    Attributes:
        name: the target.
        kind: what it takes.
        delivered: items that it has now.
        parked: items that it refused for good.
        waiting: items that still wait.
        stopped: why it was stopped before everything was sent: the code of the fault, "stop" when that was asked for,
            or "".
        message: the fault in words, without identifiers.
        after: seconds the target asked to wait; 0 when it did not say.
    """

    name: str
    kind: Literal["fhir", "oru"]
    delivered: int = 0
    parked: int = 0
    waiting: int = 0
    stopped: str = ""
    message: str = ""
    after: float = 0.0


@dataclass(slots=True)
class DeliveryTally:
    """What a delivery came to, target by target, in the order in which they were given."""

    targets: list[TargetTally] = field(default_factory=list)

    @property
    def delivered(self) -> int:
        """Items delivered."""
        return sum(target.delivered for target in self.targets)

    @property
    def parked(self) -> int:
        """Items parked."""
        return sum(target.parked for target in self.targets)

    @property
    def waiting(self) -> int:
        """Items that still wait for these targets."""
        return sum(target.waiting for target in self.targets)


def deliver(
    ledger: Ledger,
    targets: Sequence[Sender],
    *,
    stop: Callable[[], bool] | None = None,
    report: Report | None = None,
    owners: Mapping[str, str] | None = None,
) -> DeliveryTally:
    """Send what waits in the outbox.

    Args:
        ledger: open for writing, without an open run.
        targets: where to; each is closed when its turn is over.
        stop: asked before each item; True ends the delivery in good order.
        report: called for each item; what it raises ends the delivery, and nothing is lost by that.
        owners: who looks after which target, remembered in the ledger for `gateway outbox`.

    Raises:
        LedgerError: the ledger is damaged, full or gone; what was sent last may be sent again by the next delivery.
    """
    from gateway.ledger import OutboxFilter

    if owners:
        ledger.name_owners(owners)
    tally = DeliveryTally()
    for target in targets:
        own = TargetTally(target.name, target.kind)
        tally.targets.append(own)
        try:
            _send(ledger, target, own, stop, report)
        finally:
            target.close()
        counts = ledger.outbox_counts(OutboxFilter(target=target.name, state="waiting"))
        own.waiting = sum(count.items for count in counts)
    return tally


def _send(
    ledger: Ledger, target: Sender, own: TargetTally, stop: Callable[[], bool] | None, report: Report | None
) -> None:
    for item in ledger.waiting(target.name, target.kind):
        if stop is not None and stop():
            own.stopped = "stop"
            return
        receipt = target.send(item.data)
        ledger.sent(item.id, _WORDS[receipt.verdict], receipt.code, receipt.message, _detail(receipt))
        if receipt.verdict is Verdict.DELIVERED:
            own.delivered += 1
        elif receipt.verdict is Verdict.PARKED:
            own.parked += 1
        else:
            own.stopped, own.message, own.after = receipt.code, receipt.message, receipt.after
        if report is not None:
            report(target.name, item, receipt)
        if receipt.verdict is Verdict.LATER:
            return


def _detail(receipt: Receipt) -> str:
    """What became of the entries of a bundle that were not delivered, as JSON."""
    trouble = [part for part in receipt.parts if part.verdict is not Verdict.DELIVERED]
    if not trouble:
        return ""
    told = [
        {"entry": part.index, "verdict": _WORDS[part.verdict], "code": part.code, "message": part.message}
        for part in trouble[:_PARTS]
    ]
    return json.dumps(told, ensure_ascii=False, separators=(",", ":"))
