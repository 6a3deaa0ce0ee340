"""A person has discarded the set."""

from gateway.checks.base import COMMON_PRACTICE, Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="discarded-before",
    severity=Severity.ERROR,
    effect=Effect.HOLD,
    subject="set",
    title="A person has discarded the set",
    why="A held set was looked at and discarded. Its export is read again, and the decision stands.",
    example="a test reading by the technician was discarded, and the export it stands in is converted once more",
    reference=COMMON_PRACTICE,
    todo="Nothing; the audit trail says who discarded it and why",
)
