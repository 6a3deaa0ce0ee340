"""A patient identifier that does not have the declared form."""

from gateway.checks.base import COMMON_PRACTICE, Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="patient-malformed",
    severity=Severity.ERROR,
    effect=Effect.HOLD,
    subject="entry",
    title="A patient identifier that does not have the declared form",
    why=(
        "A cut, mistyped or wrongly scanned identifier can be another patient's. Spreadsheets also drop leading zeros."
    ),
    example="the mapping expects eight digits and the cell holds seven",
    reference=COMMON_PRACTICE,
    todo="Correct the identifier at its source; if the form is right, correct patient.pattern in the mapping",
    about="patient",
)
