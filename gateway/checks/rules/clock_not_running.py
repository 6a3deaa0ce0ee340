"""Every entry of the list stands at midnight."""

from gateway.checks.base import COMMON_PRACTICE, Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="clock-not-running",
    severity=Severity.ERROR,
    effect=Effect.HOLD,
    subject="entry",
    title="Every entry of the list stands at midnight",
    why=(
        "A clock that does not run stamps every entry with the time at which it stopped, or with a date and "
        "no time of day."
    ),
    example="five entries of one list, all at 00:00",
    reference=COMMON_PRACTICE,
    todo="Have the monitor's clock looked at; the time of these entries can only come from the ward's notes",
)
