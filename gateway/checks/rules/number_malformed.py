"""A number that is not written as the mapping declares."""

from gateway.checks.base import COMMON_PRACTICE, Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="number-malformed",
    severity=Severity.ERROR,
    effect=Effect.HOLD,
    subject="reading",
    title="A number that is not written as the mapping declares",
    why=(
        'Decimal and thousands separators change a value a hundredfold when read the wrong way: "1,234" is 1234 '
        "to one monitor and 1.234 to another."
    ),
    example='the cell says "37,2" and the mapping declares a decimal point',
    reference=COMMON_PRACTICE,
    todo=(
        "Correct decimal and thousands under [numbers] in the mapping, or leave the reading held if the cell is garbled"
    ),
)
