"""The same export is given twice in one batch."""

from gateway.checks.base import COMMON_PRACTICE, Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="export-same-content",
    severity=Severity.WARNING,
    effect=Effect.NOTE,
    subject="batch",
    title="The same export is given twice in one batch",
    why="The second copy adds nothing: each of its readings counts as a repeat. Perhaps another export was meant.",
    example="a.csv and a copy of it, b.csv, in one folder",
    reference=COMMON_PRACTICE,
    todo="Check that the export of each monitor is there",
)
