"""An export holds a header and no entries."""

from gateway.checks.base import COMMON_PRACTICE, Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="export-header-only",
    severity=Severity.WARNING,
    effect=Effect.NOTE,
    subject="batch",
    title="An export holds a header and no entries",
    why="The monitor had no readings in the span chosen, or its list was cleared before it was read out.",
    example="a file with the header line and nothing below it",
    reference=COMMON_PRACTICE,
    todo="Check on the ward that no readings were expected",
)
