"""The monitor's clock was set or reset after this entry."""

from gateway.checks.base import Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="clock-reset-since",
    severity=Severity.ERROR,
    effect=Effect.HOLD,
    subject="entry",
    title="The monitor's clock was set or reset after this entry",
    why=(
        "The offset of a clock is known from when the list was sent. How far it was off before it was set "
        "cannot be told, so a time from before that cannot be defended."
    ),
    example="an entry at 14:10, then one at 00:07: the clock was reset between them",
    reference="HL7 FHIR Personal Health Device guide, coincident timestamp: logic to report; https://build.fhir.org/ig/HL7/phd",
    todo=(
        "Take the time of these entries from the ward's notes; set the monitor's clock, and read the list out "
        "before that"
    ),
)
