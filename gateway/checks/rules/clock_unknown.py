"""The monitor's clock could not be compared."""

from gateway.checks.base import Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="clock-unknown",
    severity=Severity.ERROR,
    effect=Effect.HOLD,
    subject="entry",
    title="The monitor's clock could not be compared",
    why=(
        "The mapping corrects or limits the clock's offset, and the monitor's own time or the true time of "
        "that moment is missing or cannot be read."
    ),
    example="a list saved without its heading, so that the monitor's own time is not known",
    reference="HL7 FHIR Personal Health Device guide, coincident timestamp: logic to report; https://build.fhir.org/ig/HL7/phd",
    todo="Read the list out again with its heading or with gateway capture",
)
