"""A note is too long to be carried."""

from gateway.checks.base import COMMON_PRACTICE, Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="note-too-long",
    severity=Severity.WARNING,
    effect=Effect.NOTE,
    subject="entry",
    title="A note is too long to be carried",
    why=(
        "A note cut short could lose its decisive word, such as a negation. It is left out as a whole; the "
        "readings are recorded."
    ),
    example="a note of 70,000 characters",
    reference=COMMON_PRACTICE,
    todo="Read the note in the export, and chart it by hand if it matters",
)
