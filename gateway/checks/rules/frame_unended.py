"""A frame without an end, or a record whose frames are not all there."""

from gateway.checks.base import COMMON_PRACTICE, Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="frame-unended",
    severity=Severity.ERROR,
    effect=Effect.HOLD,
    subject="line",
    title="A frame without an end, or a record whose frames are not all there",
    why=(
        "The rest of the text is lost, or belongs to the next frame. A part of a record would put values under "
        "the wrong name. Nothing of it is used."
    ),
    example="a frame begins at byte 120 and the next one at byte 160, with no end between them",
    reference=COMMON_PRACTICE,
    todo="Send the list again; if this happens often, check the cable and the settings of the port",
)
