"""A mode, cuff size or body position that the mapping does not name."""

from gateway.checks.base import COMMON_PRACTICE, Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="undeclared-qualifier",
    severity=Severity.WARNING,
    effect=Effect.NOTE,
    subject="set",
    title="A mode, cuff size or body position that the mapping does not name",
    why=(
        "The pressures are as true without it as with it, and a blood pressure that waits for a word is missed by "
        "whoever needs it: it goes on without, and nothing is guessed. Where the word is always wanted, choose hold."
    ),
    example='the cuff column says "XL" and the mapping does not name it',
    reference=COMMON_PRACTICE,
    todo="Add the text to the values of [mode], [cuff] or [position] in the mapping",
    adjustable=True,
)
