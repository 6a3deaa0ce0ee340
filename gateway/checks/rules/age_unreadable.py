"""An age that is not a whole number."""

from gateway.checks.base import COMMON_PRACTICE, Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="age-unreadable",
    severity=Severity.ERROR,
    effect=Effect.HOLD,
    subject="entry",
    title="An age that is not a whole number",
    why="The time of the entry follows from its age. A damaged age would put the readings at a wrong time.",
    example="an age of 1O minutes, with a letter O",
    reference=COMMON_PRACTICE,
    todo="Look at the entry in the export; check which column holds the age, and the unit in [time.age]",
)
