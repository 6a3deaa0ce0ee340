"""A row with more or fewer cells than the header."""

from gateway.checks.base import COMMON_PRACTICE, Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="row-ragged",
    severity=Severity.ERROR,
    effect=Effect.HOLD,
    subject="line",
    title="A row with more or fewer cells than the header",
    why=(
        "A missing or extra separator shifts the cells: a pulse would be read as a saturation. Nothing of the row "
        "is used."
    ),
    example="the header has 10 cells and the row 9",
    reference=COMMON_PRACTICE,
    todo="Look at the row in the export: an unquoted separator in a note is the usual cause",
)
