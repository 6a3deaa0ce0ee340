"""A time later than the receipt of the export."""

from gateway.checks.base import COMMON_PRACTICE, Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="time-in-future",
    severity=Severity.ERROR,
    effect=Effect.HOLD,
    subject="entry",
    title="A time later than the receipt of the export",
    why=(
        "The monitor's clock is ahead, or the zone in the mapping is wrong; then every time of the export is "
        "wrong, not only those in the future."
    ),
    example="the export was received at 12:00 and the entry is of 14:30",
    reference=COMMON_PRACTICE,
    todo="Compare the monitor's clock with the time of day, and check time.zone",
)
