"""A body site that the mapping does not name."""

from gateway.checks.base import COMMON_PRACTICE, Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="undeclared-site",
    severity=Severity.ERROR,
    effect=Effect.HOLD,
    subject="reading",
    title="A body site that the mapping does not name",
    why="An axillary and a rectal temperature of one patient differ; the record must not carry a guessed site.",
    example='the site column says "AX2" and the mapping does not name it',
    reference=COMMON_PRACTICE,
    todo="Add the text to the vital's site values in the mapping",
)
