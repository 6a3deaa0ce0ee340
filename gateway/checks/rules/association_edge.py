"""An association begins or ends within the precision of the entry's time."""

from gateway.checks.base import COMMON_PRACTICE, Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="association-edge",
    severity=Severity.ERROR,
    effect=Effect.HOLD,
    subject="entry",
    title="An association begins or ends within the precision of the entry's time",
    why=(
        "A time that is exact to the minute, or to the day, cannot tell on which side of the change the reading "
        "was taken."
    ),
    example="the reading is of 10:00, to the minute, and the association ended at 10:00:30",
    reference=COMMON_PRACTICE,
    todo="Find out on the ward whose reading it is; let the monitor export seconds if it can",
    about="patient",
)
