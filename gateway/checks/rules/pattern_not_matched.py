"""A cell does not have the form that the mapping's pattern describes."""

from gateway.checks.base import COMMON_PRACTICE, Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="pattern-not-matched",
    severity=Severity.ERROR,
    effect=Effect.HOLD,
    subject="reading",
    title="A cell does not have the form that the mapping's pattern describes",
    why="Where several values share a cell, a wrong split would chart one as another.",
    example='the pattern reads "120/80 (93)" and the cell says "120-80"',
    reference=COMMON_PRACTICE,
    todo=(
        "Look at the cell in the export; if the form is genuine, extend the pattern and check it with the "
        "monitor's manual"
    ),
)
