"""Nobody is associated with the device at the time of the entry."""

from gateway.checks.base import Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="association-none",
    severity=Severity.ERROR,
    effect=Effect.HOLD,
    subject="entry",
    title="Nobody is associated with the device at the time of the entry",
    why="The monitor does not know its patient, and without an association neither does the gateway.",
    example="the reading is of 09:30 and the monitor's association began at 10:00",
    reference=(
        "IHE Devices PCIM supplement, 7.4.2.1 (association of patient and device in time), "
        "https://profiles.ihe.net/DEV/PCIM/"
    ),
    todo="Complete the associations, after checking the monitor's clock, and convert the export again",
    about="patient",
)
