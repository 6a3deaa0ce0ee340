"""A cuff that is not made for this category of patient."""

from gateway.checks.base import COMMON_PRACTICE, Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="cuff-not-for-category",
    severity=Severity.WARNING,
    effect=Effect.NOTE,
    subject="set",
    title="A cuff that is not made for this category of patient",
    why=(
        "A cuff that is too small reads too high, one that is too large reads too low; or the monitor was left in the "
        "mode of the last patient. Which of the two it is the export does not say."
    ),
    example="the category is adult and the cuff is a neonate cuff",
    reference=COMMON_PRACTICE,
    todo="Check the cuff and the patient mode on the monitor",
    adjustable=True,
)
