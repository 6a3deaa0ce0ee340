"""A regular cycle of measurements has a gap."""

from gateway.checks.base import COMMON_PRACTICE, Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="cycle-missed",
    severity=Severity.WARNING,
    effect=Effect.NOTE,
    subject="batch",
    title="A gap in a cycle of automatic measurements",
    why="Where a monitor measures by itself at a fixed interval, a missing entry was not stored or was lost.",
    example="entries every 15 minutes, and none for an hour",
    reference=COMMON_PRACTICE,
    todo="Ask the ward whether the monitor was off or in use elsewhere at that time",
)
