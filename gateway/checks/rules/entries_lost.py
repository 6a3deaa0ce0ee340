"""A full list does not reach back to the one before it."""

from gateway.checks.base import COMMON_PRACTICE, Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="entries-lost",
    severity=Severity.WARNING,
    effect=Effect.NOTE,
    subject="batch",
    title="Entries may have been lost between two lists",
    why="A monitor that keeps few entries forgets the oldest. Nobody but the ward can say what was in between.",
    example="a monitor that keeps 40 entries sends 40, none of which was in the list before",
    reference=COMMON_PRACTICE,
    todo="Ask the ward for its notes of that time, and read the monitor out more often",
)
