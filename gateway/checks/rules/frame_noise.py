"""Bytes between frames that belong to none of them."""

from gateway.checks.base import COMMON_PRACTICE, Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="frame-noise",
    severity=Severity.ERROR,
    effect=Effect.HOLD,
    subject="line",
    title="Bytes between frames that belong to none of them",
    why=(
        "They may be what is left of a frame whose beginning was lost, and of the readings in it. Nothing of them "
        "is used."
    ),
    example="12 bytes stand between two frames that are neither control bytes nor line ends",
    reference=COMMON_PRACTICE,
    todo="Look at the bytes at that place; if they belong to the line protocol, name them as control in [framed]",
)
