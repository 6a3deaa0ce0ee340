"""A line far longer than any entry."""

from gateway.checks.base import COMMON_PRACTICE, Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="line-too-long",
    severity=Severity.ERROR,
    effect=Effect.HOLD,
    subject="line",
    title="A line far longer than any entry",
    why="The file is damaged, or no text at all. The line is skipped as a whole and the rest is read.",
    example="a line of 2,000,000 characters",
    reference=COMMON_PRACTICE,
    todo="Check that the file is the right one, and read the monitor out again",
)
