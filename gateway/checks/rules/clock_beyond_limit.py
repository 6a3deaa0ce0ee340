"""The monitor's clock was off by more than the limit."""

from gateway.checks.base import COMMON_PRACTICE, Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="clock-beyond-limit",
    severity=Severity.ERROR,
    effect=Effect.HOLD,
    subject="entry",
    title="The monitor's clock was off by more than the limit",
    why=(
        "An offset of that size is more often a wrong date, zone or reference than a clock that drifted, so "
        "it is not corrected without somebody looking."
    ),
    example="a limit of 60 minutes and a clock 1 day ahead",
    reference=COMMON_PRACTICE,
    todo=("Compare the monitor's clock with the time of day and set it; raise limit_minutes if the offset is right"),
)
