"""A signal quality that the mapping does not name."""

from gateway.checks.base import COMMON_PRACTICE, Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="undeclared-quality",
    severity=Severity.ERROR,
    effect=Effect.HOLD,
    subject="reading",
    title="A signal quality that the mapping does not name",
    why=("The unknown word may mean that the value is not to be used, so the value waits until somebody says."),
    example='the quality column says "Q4" and the mapping names Q0 to Q3',
    reference=COMMON_PRACTICE,
    todo="Look the text up in the monitor's manual and add it to the vital's quality values in the mapping",
)
