"""A set corrects one that an earlier run recorded."""

from gateway.checks.base import COMMON_PRACTICE, Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="correction-recorded",
    severity=Severity.WARNING,
    effect=Effect.NOTE,
    subject="set",
    title="Values recorded by an earlier run are corrected",
    why=(
        "The set has the identity of one that was recorded, and says something else. The mapping accepts corrections, "
        "so the records are sent again as corrected."
    ),
    example="an export of the day after holds the set of 09:30 with 36.8 in place of 38.6 degrees",
    reference=COMMON_PRACTICE,
    todo="Make sure that the receiving system takes corrections; set corrections to hold to look at each of them",
)
