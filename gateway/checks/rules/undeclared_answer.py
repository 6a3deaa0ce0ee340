"""A coded answer that the mapping does not name."""

from gateway.checks.base import COMMON_PRACTICE, Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="undeclared-answer",
    severity=Severity.ERROR,
    effect=Effect.HOLD,
    subject="reading",
    title="A coded answer that the mapping does not name",
    why="Scales differ in letters and numbers: a guessed answer could turn unresponsive into alert.",
    example='the consciousness cell says "C" and the mapping names A, V, P and U only',
    reference=COMMON_PRACTICE,
    todo="Add the text to the vital's codes in the mapping",
)
