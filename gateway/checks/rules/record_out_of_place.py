"""A part of an entry where no entry has begun."""

from gateway.checks.base import COMMON_PRACTICE, Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="record-out-of-place",
    severity=Severity.ERROR,
    effect=Effect.HOLD,
    subject="line",
    title="A part of an entry where no entry has begun",
    why="The beginning, with the time or the patient, is lost. Nothing says whose readings these are.",
    example="the first line of a listing is the second line of an entry",
    reference=COMMON_PRACTICE,
    todo="Look for damage just before it, or for a capture that began too late, and read the monitor out again",
)
