"""Delivery from the outbox of the ledger: at least once on the wire, exactly once in effect.

What is sent was recorded before, and what became of it is recorded before the next is sent. Whoever is cut off between
the two sends the same again, with the same identifiers, by which the receiver tells that it has them.

Before anything is sent to a target, its queue is brought in line with what is recorded (`gateway.ledger.chains`), so
that nothing is sent after its successor. Then the oldest comes first:

* a fault of the receiver or of the way there ends the delivery to that target for now;
* what the receiver itself refuses for now (an answer that may be another one later) is passed over, and the next has
  its turn: only what belongs to the same measurement waits for it. After `park_after` such answers it is parked. When a
  receiver refuses many in a row, it is the receiver that is at fault, and the delivery ends for now;
* what it refuses for good is parked, and holds back its own measurement only;
* a bundle that is refused without a word on the entry at fault is divided by sets until the culprits stand alone. They
  are parked as items of their own, and the rest is delivered.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

from gateway.conversion.payloads import Payloads, sets_in, sets_of_unit
from gateway.delivery.base import PartReceipt, Receipt, Target, Verdict
from gateway.delivery.bundles import Bundle, BundleError, Unit, halves, rendered

if TYPE_CHECKING:
    from gateway.ledger import Ledger, SentPart, Waiting

Report = Callable[[str, "Waiting", Receipt], None]
"""Called with the target's name, the item and what became of it, after that is recorded."""

_WORDS: dict[Verdict, Literal["delivered", "parked", "later"]] = {
    Verdict.DELIVERED: "delivered",
    Verdict.PARKED: "parked",
    Verdict.LATER: "later",
}
_PARTS = 100
"""Entries of a bundle whose trouble is kept with it; a message counts all of them."""
_IN_A_ROW = 20
"""After so many messages, one after the other, that a receiver refuses for now, it takes nothing (common practice, no
source)."""
_REFUSALS = frozenset({"AE", "AR", "CE", "CR"})
"""Acknowledgements by which a receiver says that it did not take a message (HL7 table 0008)."""
_ABOUT_CONTENT = frozenset({"400", "409", "412", "413", "422"})
"""Statuses that are about what was sent, so that another bundle may fare better (RFC 9110)."""


@dataclass(slots=True)
class TargetTally:
    """What a delivery to one target came to.

    Attributes:
        name: the target.
        kind: what it takes.
        delivered: items that it has now.
        parked: items that it refused for good, or too often for now.
        waiting: items that still wait.
        stopped: why it was stopped before everything was sent: the code of the fault, "stop" when that was asked for,
            "stopped" for a target that a person has stopped, or "".
        message: the fault in words, without identifiers.
        after: seconds the target asked to wait; 0 when it did not say.
        later: items that it refused for now; they wait.
        blocked: items that wait for another one.
    """

    name: str
    kind: Literal["fhir", "oru"]
    delivered: int = 0
    parked: int = 0
    waiting: int = 0
    stopped: str = ""
    message: str = ""
    after: float = 0.0
    later: int = 0
    blocked: int = 0


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
    targets: Sequence[Target],
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
    stopped = ledger.stopped()
    tally = DeliveryTally()
    for target in targets:
        own = TargetTally(target.name, target.kind)
        tally.targets.append(own)
        try:
            if target.name in stopped:
                by = stopped[target.name]
                own.stopped, own.message = "stopped", f"Stopped by {by.who} on {by.at:%Y-%m-%d}: {by.why}"
            else:
                _Delivery(ledger, target, own, stop, report).run()
        finally:
            target.close()
        counts = ledger.outbox_counts(OutboxFilter(target=target.name, state="waiting"))
        own.waiting = sum(count.items for count in counts)
    return tally


class _Delivery:
    """One delivery to one target."""

    def __init__(
        self,
        ledger: Ledger,
        target: Target,
        own: TargetTally,
        stop: Callable[[], bool] | None,
        report: Report | None,
    ) -> None:
        self._ledger = ledger
        self._target = target
        self._own = own
        self._stop = stop
        self._report = report
        self._payloads = Payloads(ledger)
        self._park_after = target.park_after
        self._whole = target.corrections == "whole"
        self._in_a_row = 0

    def run(self) -> None:
        """Send what can be sent now."""
        refused: set[int] = set()
        while True:
            blocked = self._ledger.arrange(self._target.name, self._target.kind, sets_in, whole=self._whole)
            before = self._own.delivered + self._own.parked
            go_on = self._pass(refused, blocked)
            self._own.blocked = len(blocked)
            # What was delivered may be what others waited for.
            if not go_on or not blocked or self._own.delivered + self._own.parked == before:
                return

    def _pass(self, refused: set[int], blocked: Mapping[int, int]) -> bool:
        """Send everything that has its turn, the oldest first; whether the target takes more."""
        passing = {*refused, *blocked}
        tried: set[int] = set()
        waiting = self._ledger.sending(self._target.name, self._target.kind, passing, tried)
        with closing(waiting):  # type: ignore[type-var]
            for item in waiting:
                if self._stop is not None and self._stop():
                    self._own.stopped = "stop"
                    return False
                receipt = self._sent(item, tried, passing)
                if self._report is not None:
                    self._report(self._target.name, item, receipt)
                if receipt.verdict is Verdict.LATER:
                    self._in_a_row += 1
                    refused.add(item.id)
                    if not _answered(receipt) or receipt.after or self._in_a_row >= _IN_A_ROW:
                        self._own.stopped, self._own.message = receipt.code, receipt.message
                        self._own.after = receipt.after
                        return False
                    self._own.later += 1
                else:
                    self._in_a_row = 0
        return True

    def _sent(self, item: Waiting, tried: set[int], passing: set[int]) -> Receipt:
        """Send one item, and note what became of it."""
        data = self._payloads.of(item)
        tried.add(item.id)
        receipt = self._target.send(data)
        if item.kind == "fhir" and receipt.verdict is not Verdict.DELIVERED:
            try:
                bundle = Bundle(data)
            except BundleError:
                bundle = None
            if (
                bundle is not None
                and len(bundle.units) > 1
                and all(sets_of_unit(bundle, unit) for unit in bundle.units)
            ):
                outcomes = self._divided(bundle, bundle.units, receipt)
                if len({_kind(outcome) for outcome in outcomes.values()}) > 1 or _all_alone(outcomes):
                    return self._note_parts(item, bundle, outcomes, passing)
                alike = next(iter(outcomes.values()))
                receipt = receipt if alike.verdict is receipt.verdict else alike._replace(parts=())
        part = self._part(item, (), receipt)
        self._ledger.sent(
            item.id, part.verdict, part.code, part.message, part.detail, reached=part.reached, answered=part.answered
        )
        self._count(part)
        return receipt if part.verdict == _WORDS[receipt.verdict] else receipt._replace(verdict=Verdict.PARKED)

    def _divided(self, bundle: Bundle, units: Sequence[Unit], receipt: Receipt) -> dict[Unit, Receipt]:
        """What became of each of some sets of a bundle that were sent together; those at fault stand alone."""
        settled = _by_unit(bundle, units, receipt)
        again = [unit for unit, outcome in settled.items() if outcome.verdict is Verdict.PARKED]
        if len(again) < 2 or not _divisible(receipt):
            return settled
        # Those that were refused together with others are tried without them, and when they are all: in halves.
        groups = [again] if len(again) < len(units) else [list(half) for half in halves(again)]
        ended: Receipt | None = None
        for group in groups:
            if ended is None:
                answer = self._target.send(rendered(bundle.parcel(group), "transaction"))
                found = self._divided(bundle, group, _at_home(answer, bundle, group))
            else:
                found = dict.fromkeys(group, ended)
            settled |= found
            faults = [each for each in found.values() if each.verdict is Verdict.LATER and not _answered(each)]
            ended = faults[0] if faults else None
        return settled

    def _note_parts(
        self, item: Waiting, bundle: Bundle, outcomes: Mapping[Unit, Receipt], passing: set[int]
    ) -> Receipt:
        """Note what became of the sets of a bundle: together what fared alike, and each culprit by itself."""
        groups: dict[tuple[object, ...], tuple[list[str], Receipt]] = {}
        for unit, outcome in outcomes.items():
            key: tuple[object, ...] = (*_kind(outcome), unit if outcome.verdict is Verdict.PARKED else ())
            own = groups.setdefault(key, ([], outcome))[0]
            own += [each for each in sorted(sets_of_unit(bundle, unit)) if each not in own]
        parts = [self._part(item, tuple(sets), outcome) for sets, outcome in groups.values()]
        parts.sort(key=lambda part: ("delivered", "later", "parked").index(part.verdict))
        passing.update(self._ledger.sent_in_parts(item.id, parts, sets_in))
        for part in parts:
            self._count(part)
        worst = min(outcomes.values(), key=lambda each: (_LATER_FIRST.index(each.verdict), _answered(each)))
        counts = {verdict: sum(len(p.sets) for p in parts if p.verdict == word) for verdict, word in _WORDS.items()}
        words = {Verdict.DELIVERED: "delivered", Verdict.PARKED: "parked", Verdict.LATER: "to be sent again"}
        told = ", ".join(f"{count} {words[verdict]}" for verdict, count in counts.items() if count)
        return worst._replace(message=f"Of its sets {told}: {worst.message}")

    def _part(self, item: Waiting, sets: tuple[str, ...], receipt: Receipt) -> SentPart:
        from gateway.ledger import SentPart

        verdict, message = _WORDS[receipt.verdict], receipt.message
        answered = verdict != "delivered" and _answered(receipt)
        if verdict == "later" and answered and 0 < self._park_after <= item.answered + 1:
            verdict = "parked"
            message = f"{message} Parked after {item.answered + 1} such answers."
        reached = bool(item.reached) or _reached(receipt)
        return SentPart(sets, verdict, receipt.code, message, _detail(receipt), reached, answered)

    def _count(self, part: SentPart) -> None:
        self._own.delivered += part.verdict == "delivered"
        self._own.parked += part.verdict == "parked"


_LATER_FIRST = (Verdict.LATER, Verdict.PARKED, Verdict.DELIVERED)


def _answered(receipt: Receipt) -> bool:
    """Whether it was the receiver that refused this message."""
    return receipt.answered or _head(receipt) in _REFUSALS


def _reached(receipt: Receipt) -> bool:
    """Whether the receiver may have taken something; one that refuses has not."""
    if receipt.verdict is Verdict.DELIVERED:
        return True
    if any(part.verdict is Verdict.DELIVERED for part in receipt.parts):
        return True
    head = _head(receipt)
    refused = head in _REFUSALS or (receipt.verdict is Verdict.PARKED and head[:1] == "4" and len(head) == 3)
    return receipt.reached and not refused


def _head(receipt: Receipt) -> str:
    return receipt.code.partition(":")[0]


def _divisible(receipt: Receipt) -> bool:
    return _head(receipt) in _ABOUT_CONTENT


def _kind(receipt: Receipt) -> tuple[Verdict, bool, bool]:
    return receipt.verdict, _answered(receipt), _reached(receipt)


def _all_alone(outcomes: Mapping[Unit, Receipt]) -> bool:
    """Whether each set was refused for good by itself."""
    return all(outcome.verdict is Verdict.PARKED and _divisible(outcome) for outcome in outcomes.values())


def _by_unit(bundle: Bundle, units: Iterable[Unit], receipt: Receipt) -> dict[Unit, Receipt]:
    """What became of each set, as far as the receipt tells entries apart."""
    parts = {part.index: part for part in receipt.parts}
    found: dict[Unit, Receipt] = {}
    for unit in units:
        own = [parts[index] for index in unit if index in parts]
        if not own:
            found[unit] = receipt._replace(parts=())
            continue
        worst = min(own, key=lambda part: _LATER_FIRST.index(part.verdict))
        trouble = tuple(part for part in own if part.verdict is not Verdict.DELIVERED)
        delivered = worst.verdict is Verdict.DELIVERED
        found[unit] = receipt._replace(
            verdict=worst.verdict, code=worst.code, message=worst.message or receipt.message, parts=tuple(own),
            answered=receipt.answered or delivered, reached=receipt.reached or len(trouble) < len(own),
        )  # fmt: skip
    return found


def _at_home(receipt: Receipt, bundle: Bundle, units: Sequence[Unit]) -> Receipt:
    """A receipt for some of the sets, with the positions that their entries have in the whole bundle."""
    places = [index for index, _ in bundle.parcel(units)]
    parts = tuple(
        PartReceipt(places[part.index], part.verdict, part.code, part.message, part.location)
        for part in receipt.parts
        if part.index < len(places)
    )
    return receipt._replace(parts=parts)


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
