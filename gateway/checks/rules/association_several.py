"""More than one patient is associated with the device at the time of the entry."""

from gateway.checks.base import Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="association-several",
    severity=Severity.ERROR,
    effect=Effect.HOLD,
    subject="entry",
    title="More than one patient is associated with the device at the time of the entry",
    why="Two overlapping associations leave it open whose reading it is. Both are possible, so neither is chosen.",
    example="one association ends at 10:15, the next begins at 10:00, and the reading is of 10:05",
    reference="IHE Devices PCIM supplement, 7.1.1 (conflicting associations), https://profiles.ihe.net/DEV/PCIM/",
    todo="Correct the end of the earlier or the start of the later association",
    about="patient",
)
