"""A NUL byte in the middle of a line."""

from gateway.checks.base import COMMON_PRACTICE, Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="line-has-nul",
    severity=Severity.ERROR,
    effect=Effect.HOLD,
    subject="line",
    title="A NUL byte in the middle of a line",
    why=(
        "A NUL stands where memory or transfer failed; digits may be missing beside it, so nothing of the line is used."
    ),
    example="the line holds 12, a NUL and 8 where 128 was measured",
    reference=COMMON_PRACTICE,
    todo="Read the monitor out again; when it recurs, check the cable or the storage card",
)
