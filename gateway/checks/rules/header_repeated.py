"""The header line stands again between the entries."""

from gateway.checks.base import COMMON_PRACTICE, Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="header-repeated",
    severity=Severity.INFORMATION,
    effect=Effect.NOTE,
    subject="line",
    title="The header line stands again between the entries",
    why="Joined exports repeat their header. The line is counted and left out.",
    example="line 501 is the same as line 1",
    reference=COMMON_PRACTICE,
    todo="Nothing",
)
