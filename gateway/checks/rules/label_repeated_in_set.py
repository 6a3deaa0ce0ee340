"""A set holds the same quantity twice with different values."""

from gateway.checks.base import COMMON_PRACTICE, Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="label-repeated-in-set",
    severity=Severity.ERROR,
    effect=Effect.HOLD,
    subject="set",
    title="A set holds the same quantity twice with different values",
    why=(
        "A record has room for one value of a quantity per set. Choosing one of two, or averaging them, would be "
        "an invention."
    ),
    example="two rows of one set are labelled NIBP-SYS, with 120 and 142",
    reference=COMMON_PRACTICE,
    todo="Check whether the rows are two measurements at different times; map the column that tells them apart",
)
