"""A cell holds a text that the mapping does not name."""

from gateway.checks.base import COMMON_PRACTICE, Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="undeclared-token",
    severity=Severity.ERROR,
    effect=Effect.HOLD,
    subject="reading",
    title="A cell holds a text that the mapping does not name",
    why=(
        "Dashes, letters and codes mean something different on every monitor: not measured, failed, off scale. "
        "Guessing which would chart an invention."
    ),
    example='the SpO2 cell says "NOSIG" and the mapping does not name NOSIG',
    reference=COMMON_PRACTICE,
    todo="Look the text up in the monitor's manual and declare it under [absent] or in the vital's own absent table",
)
