"""The export and the associations name different patients."""

from gateway.checks.base import Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="patient-disagrees",
    severity=Severity.ERROR,
    effect=Effect.HOLD,
    subject="entry",
    title="The export and the associations name different patients",
    why="One of the two is wrong: the last patient left on the monitor is the classic cause. Neither is preferred.",
    example="the row names one patient, and another was on this monitor at that time",
    reference="IHE Devices PCIM supplement, 7.4.2.2 (last patient carried over), https://profiles.ihe.net/DEV/PCIM/",
    todo="Find out on the ward whose readings these are, then correct the export's source or the association",
    about="patient",
)
