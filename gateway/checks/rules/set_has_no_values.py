"""An entry without a single measured value."""

from gateway.checks.base import COMMON_PRACTICE, Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="set-has-no-values",
    severity=Severity.INFORMATION,
    effect=Effect.NOTE,
    subject="set",
    title="An entry without a single measured value",
    why="A set opened and cancelled leaves a row with a time and no readings. It is counted and nothing is recorded.",
    example="a row with patient, device and time, and blanks in every mapped column",
    reference=COMMON_PRACTICE,
    todo="Nothing; when every row is like this, the mapping reads the wrong columns",
)
