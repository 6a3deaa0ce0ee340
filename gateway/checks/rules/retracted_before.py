"""The set was recorded once and has been retracted."""

from gateway.checks.base import COMMON_PRACTICE, Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="retracted-before",
    severity=Severity.ERROR,
    effect=Effect.HOLD,
    subject="set",
    title="The set was recorded once and has been retracted",
    why="What was taken out of the record must not come back by itself when the same export is read again.",
    example="a set was retracted because it belonged to another patient, and its export is converted again unchanged",
    reference=COMMON_PRACTICE,
    todo="Correct the association or the mapping; or settle the hold with gateway resolve if it was right after all",
    about="patient",
)
