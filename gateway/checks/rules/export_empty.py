"""An export holds nothing."""

from gateway.checks.base import COMMON_PRACTICE, Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="export-empty",
    severity=Severity.WARNING,
    effect=Effect.NOTE,
    subject="batch",
    title="An export holds nothing",
    why=(
        "An empty file may mean a monitor without readings, or a read-out that failed. No reading of this monitor "
        "is recorded."
    ),
    example="a file of 0 bytes",
    reference=COMMON_PRACTICE,
    todo="Check the monitor's list, and read it out again if it holds entries",
)
