"""A value comes with a unit that the mapping does not name, or with none."""

from gateway.checks.base import COMMON_PRACTICE, Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="undeclared-unit",
    severity=Severity.ERROR,
    effect=Effect.HOLD,
    subject="reading",
    title="A value comes with a unit that the mapping does not name, or with none",
    why=(
        "Pressures in mmHg and kPa, weights in kg and lb and glucose in mg/dL and mmol/L overlap: a guessed unit "
        "yields a believable wrong value."
    ),
    example='the unit column says "bar" and the mapping names mmHg and kPa only',
    reference=COMMON_PRACTICE,
    todo="Add the text to the vital's units in the mapping, after checking it against the monitor's unit setting",
)
