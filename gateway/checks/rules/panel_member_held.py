"""One value of a panel is held, so the whole panel is held."""

from gateway.checks.base import COMMON_PRACTICE, Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="panel-member-held",
    severity=Severity.ERROR,
    effect=Effect.HOLD,
    subject="set",
    title="One value of a panel is held, so the whole panel is held",
    why=(
        "A blood pressure of which one side is in doubt must not be charted as if the other side were sound: both "
        "come from one measurement."
    ),
    example="the systolic pressure is held as 999 mmHg; the diastolic of 80 mmHg beside it is held with it",
    reference=COMMON_PRACTICE,
    todo="Settle the finding on the other value of the panel; this one then follows",
)
