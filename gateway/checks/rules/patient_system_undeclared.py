"""The text that tells the patient's identifier system is not in the mapping."""

from gateway.checks.base import COMMON_PRACTICE, Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="patient-system-undeclared",
    severity=Severity.ERROR,
    effect=Effect.HOLD,
    subject="entry",
    title="The mapping does not say whose identifier the patient's is",
    why="The same number belongs to different patients in different systems, so the system is never guessed.",
    example="the column names the hospital SOUTH, and patient.systems.values has only NORTH and EAST",
    reference=COMMON_PRACTICE,
    todo="Add the text to patient.systems.values in the mapping, with its system",
    about="patient",
)
