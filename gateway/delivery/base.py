"""What every target of delivery has in common: verdicts, receipts, and the face of a target."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from types import TracebackType
from typing import Literal, NamedTuple, Protocol, Self


class Verdict(StrEnum):
    """What became of something sent."""

    DELIVERED = "delivered"
    """The receiver has it."""

    PARKED = "parked"
    """A final no: sending the same again helps nothing until a person has looked at it."""

    LATER = "later"
    """No answer, or a passing fault: it is safe, and needed, to send the same bytes again."""


@dataclass(frozen=True, slots=True)
class PartReceipt:
    """What became of one entry of a bundle.

    Attributes:
        index: position of the entry in the bundle, from 0.
        verdict: what became of it.
        code: the receiver's answer for it ("201", "422:code-invalid"), or that for the whole request.
        message: what the receiver said, in words for people, without identifiers.
        location: where the receiver keeps the record ("Observation/12/_history/1"), as far as it said so.
    """

    index: int
    verdict: Verdict
    code: str
    message: str = ""
    location: str = ""


class Receipt(NamedTuple):
    """What became of one bundle or message.

    Attributes:
        verdict: LATER if any part is to be sent again, else PARKED if any part is parked, else DELIVERED.
        code: the receiver's answer ("AA", "AR:204", "422:code-invalid"), or a word for its absence ("timeout").
        message: one line in words for people, without identifiers of patients and without secrets.
        parts: one for each entry of a bundle, in order; empty for a message, or when the bundle cannot be read.
        after: seconds the receiver asked to wait before the next attempt; 0 if it did not say.
        reached: the receiver may have got it; False when it is certain that no application saw it, because there was no
            connection, or nothing was sent.
        answered: the receiver itself answered to this, so that a LATER counts against it; False when there was no
            answer, or one that any message would have got (see `gateway.delivery.answers`).
    """

    verdict: Verdict
    code: str
    message: str
    parts: tuple[PartReceipt, ...] = ()
    after: float = 0.0
    reached: bool = True
    answered: bool = False


class Target(Protocol):
    """A receiver of records. One thread at a time uses a target."""

    @property
    def name(self) -> str:
        """What the site calls it."""

    @property
    def kind(self) -> Literal["fhir", "oru"]:
        """What it takes: FHIR bundles or HL7 v2 messages."""

    @property
    def park_after(self) -> int:
        """Deliveries with an answered LATER after which a message is parked; 0 for never."""

    @property
    def corrections(self) -> Literal["changed", "whole"]:
        """What a correction carries: what changed, or the whole set as it is now."""

    def send(self, data: bytes) -> Receipt:
        """Send one bundle or message, and wait for its receipt. Sending the same bytes twice adds nothing."""

    def check(self) -> list[str]:
        """What is wrong with its settings, in words, found without using the network; empty when nothing is."""

    def close(self) -> None:
        """Close its connections; a closed target is not used again."""

    def __enter__(self) -> Self: ...

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None: ...
