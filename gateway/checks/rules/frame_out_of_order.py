"""A frame whose number does not follow the one before."""

from gateway.checks.base import COMMON_PRACTICE, Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="frame-out-of-order",
    severity=Severity.WARNING,
    effect=Effect.NOTE,
    subject="line",
    title="A frame whose number does not follow the one before",
    why=(
        "Frames are numbered 0 to 7 in turn. A number that is left out means that a frame was lost, and with it "
        "perhaps readings. The frames that are there are read."
    ),
    example="frame 5 follows frame 3",
    reference=f"{COMMON_PRACTICE}; frame numbers of CLSI LIS1 and ASTM E1381 from memory",
    todo="Compare the number of entries with the monitor's own list, and send the list again if any are missing",
)
