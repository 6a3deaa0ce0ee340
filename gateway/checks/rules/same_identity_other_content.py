"""Two sets have the same patient, device and time but different values."""

from gateway.checks.base import COMMON_PRACTICE, Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="same-identity-other-content",
    severity=Severity.ERROR,
    effect=Effect.HOLD,
    subject="set",
    title="Two sets have the same patient, device and time but different values",
    why=(
        "Recorded one after the other they would overwrite each other, or be dropped as a repeat. Which of them "
        "is right cannot be told from the export."
    ),
    example="two rows of one monitor at 09:30 for one patient, with 36.8 and 38.6 degrees",
    reference=COMMON_PRACTICE,
    todo="Compare with the monitor's list; if its time is coarse, map its record number as sequence",
)
