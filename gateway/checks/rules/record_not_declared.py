"""A line or record of a kind that the mapping does not declare."""

from gateway.checks.base import COMMON_PRACTICE, Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="record-not-declared",
    severity=Severity.ERROR,
    effect=Effect.HOLD,
    subject="line",
    title="A line or record of a kind that the mapping does not declare",
    why=(
        "It may be the beginning of an entry, damaged on the way: what follows it would then be read as part of the "
        "entry before it, which may be another patient's. The open entry ends here."
    ),
    example='the listing has the line "NIBP 120/80 CUFF L" and no pattern of the mapping fits it',
    reference=COMMON_PRACTICE,
    todo="Look at the record in the export; declare its kind in the mapping, or read the monitor out again",
)
