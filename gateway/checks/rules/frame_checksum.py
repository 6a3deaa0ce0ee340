"""A frame whose checksum is wrong."""

from gateway.checks.base import COMMON_PRACTICE, Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="frame-checksum",
    severity=Severity.ERROR,
    effect=Effect.HOLD,
    subject="line",
    title="A frame whose checksum is wrong",
    why=(
        "A byte was changed or lost on the line, and nothing tells which one: a pulse of 72 may read 12. Nothing "
        "of the frame is used; when it was sent again, the good one is."
    ),
    example="the checksum of the frame is 4F, its bytes give 5F",
    reference=f"{COMMON_PRACTICE}; checksums of CLSI LIS1 and ASTM E1381 from memory",
    todo="Look whether the frame was sent again; if this happens often, check the cable and the settings of the port",
)
