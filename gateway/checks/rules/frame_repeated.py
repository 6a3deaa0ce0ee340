"""A frame that was sent again and is read once."""

from gateway.checks.base import COMMON_PRACTICE, Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="frame-repeated",
    severity=Severity.INFORMATION,
    effect=Effect.NOTE,
    subject="line",
    title="A frame that was sent again and is read once",
    why=(
        "A monitor sends a frame again when it was refused, or when the answer was lost. The readings in it were "
        "taken once."
    ),
    example="frame 3 stands twice with the same bytes",
    reference=f"{COMMON_PRACTICE}; frames of CLSI LIS1 and ASTM E1381 from memory",
    todo="Nothing",
)
