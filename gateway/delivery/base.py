"""What every target of delivery has in common: verdicts, receipts, the face of a target, and how kinds are found."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from functools import cache
from pathlib import Path
from types import TracebackType
from typing import Annotated, Any, Literal, NamedTuple, Protocol, Self

from pydantic import Field, StringConstraints

from gateway.discovery import broken, find, members

Name = Annotated[str, StringConstraints(pattern=r"^[a-z0-9][a-z0-9._-]{0,47}$")]
Words = Annotated[
    str, StringConstraints(min_length=1, max_length=200, pattern=r"^[^\x00-\x1f\x7f]*\S[^\x00-\x1f\x7f]*$")
]
Owner = Annotated[Words, Field(description="who is asked when a message is parked")]
Takes = Literal["fhir", "oru", "batch"]
"""What is put into the outbox for a target: FHIR bundles, HL7 v2 messages one by one, or whole batch files of them."""

_HELPERS = ("answers", "auth", "base", "bundles", "outcomes", "patience", "settings", "wire")
"""Modules of this package that are no targets; what is not named here must be a whole one."""


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


class Settings(Protocol):
    """The settings of one kind of target, as a table [[targets]] of the site file has them.

    Each is a model of pydantic, which refuses unknown keys, describes each of its keys, and has a field `kind` of one
    word that no other kind has. A module of this package names it TARGET; nothing else needs to know of it.
    """

    @property
    def kind(self) -> str:
        """The word for this kind of target in the site file."""

    @property
    def name(self) -> str:
        """What the site calls this target."""

    @property
    def owner(self) -> str:
        """Who is asked when a message is parked."""

    @property
    def takes(self) -> Takes:
        """What is put into the outbox for it."""

    def target(self) -> Target:
        """The target itself; nothing is sent or opened yet."""

    @staticmethod
    def example(folder: Path) -> dict[str, Any]:
        """Invented settings with which a target can be made and checked without a network; files are in `folder`."""


@cache
def kinds() -> Mapping[str, type[Settings]]:
    """The kinds of target there are: kind -> its settings, sorted.

    Raises:
        GatewayError: a module among the targets is broken.
    """
    return discover("gateway.delivery")


def discover(package: str) -> dict[str, type[Settings]]:
    """Load every kind of target of a package: one per module, except the helpers.

    Raises:
        GatewayError: a module cannot be imported, or has no whole target. One broken module stops them all.
    """
    found: dict[str, type[Settings]] = {}
    for module, settings in find(package, "TARGET", members(Settings), what="target", apart=_HELPERS).items():
        name = f"{package}.{module}"
        fields = getattr(settings, "model_fields", {})
        words = getattr(fields.get("kind"), "annotation", None)
        kind: tuple[Any, ...] = getattr(words, "__args__", ())
        if len(kind) != 1 or not isinstance(kind[0], str):
            raise broken(name, "target", "does not say its kind: write kind: Literal[...] with one word")
        if kind[0] in found:
            raise broken(name, "target", f"is of the kind {kind[0]}, and so is another one")
        found[kind[0]] = settings
    return dict(sorted(found.items()))
