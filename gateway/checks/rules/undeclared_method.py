"""A method of measuring that the mapping does not name."""

from gateway.checks.base import COMMON_PRACTICE, Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="undeclared-method",
    severity=Severity.ERROR,
    effect=Effect.HOLD,
    subject="reading",
    title="A method of measuring that the mapping does not name",
    why=(
        "A pressure that was felt and one that was heard differ; the record must not carry a guessed method, nor look "
        "as if the usual one had been used."
    ),
    example='the method column says "PLP" and the mapping does not name it',
    reference=COMMON_PRACTICE,
    todo="Add the text to the vital's method values in the mapping",
)
