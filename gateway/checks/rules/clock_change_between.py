"""A change to or from summer time lies between entry and list, and the clock was off."""

from gateway.checks.base import COMMON_PRACTICE, Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="clock-change-between",
    severity=Severity.ERROR,
    effect=Effect.HOLD,
    subject="entry",
    title="A change to or from summer time lies between entry and list, and the clock was off",
    why=(
        "Nobody can tell whether a clock that was off was changed together with the clocks of the place. The "
        "time may be wrong by the hour of the change."
    ),
    example="an entry of Saturday, a list sent on Sunday after clocks went forward, a clock 1 hour behind",
    reference=COMMON_PRACTICE,
    todo=(
        "Take the time from the ward's notes; for a clock that nobody ever changes write a fixed offset as "
        "zone, such as -06:00"
    ),
)
