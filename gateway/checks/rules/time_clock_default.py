"""A date that clocks show after a reset."""

from gateway.checks.base import COMMON_PRACTICE, Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="time-clock-default",
    severity=Severity.ERROR,
    effect=Effect.HOLD,
    subject="entry",
    title="A date that clocks show after a reset",
    why=(
        "After a flat battery many monitors start at 1970, 1980 or 1 January 2000. When the reading was taken "
        "cannot be told."
    ),
    example="the entry is of 1 January 2000, 00:07",
    reference=COMMON_PRACTICE,
    todo="Set the monitor's clock; the time of these entries can only come from the ward's notes",
)
