"""A time that is not written as the mapping declares."""

from gateway.checks.base import COMMON_PRACTICE, Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="time-unreadable",
    severity=Severity.ERROR,
    effect=Effect.HOLD,
    subject="entry",
    title="A time that is not written as the mapping declares",
    why="Day and month, or morning and evening, are easily confused: a time is read as declared or not at all.",
    example='the mapping declares %Y-%m-%d %H:%M and the cell says "14.03.26 9.30"',
    reference=COMMON_PRACTICE,
    todo="Add the format to time.formats, after checking the order of day and month on the monitor",
)
