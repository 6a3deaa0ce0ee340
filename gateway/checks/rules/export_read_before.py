"""An earlier run has read the same export."""

from gateway.checks.base import COMMON_PRACTICE, Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="export-read-before",
    severity=Severity.INFORMATION,
    effect=Effect.NOTE,
    subject="batch",
    title="An earlier run has read the same export",
    why="It adds nothing that was recorded then: each such reading counts as a repeat.",
    example="last night's export was not moved away",
    reference=COMMON_PRACTICE,
    todo="Nothing; move exports away when they are done, if this comes every night",
)
