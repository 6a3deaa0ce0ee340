"""A patient category that the mapping does not name."""

from gateway.checks.base import COMMON_PRACTICE, Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="undeclared-category",
    severity=Severity.WARNING,
    effect=Effect.NOTE,
    subject="entry",
    title="A patient category that the mapping does not name",
    why=(
        "The category chooses the plausibility limits. Without it the widest limits of all categories apply, "
        "which catch less."
    ),
    example='the mode column says "PED2" and the mapping names ADU and NEO only',
    reference=COMMON_PRACTICE,
    todo="Add the text to category.values in the mapping",
)
