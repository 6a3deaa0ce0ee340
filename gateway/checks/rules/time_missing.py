"""An entry without a time."""

from gateway.checks.base import Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="time-missing",
    severity=Severity.ERROR,
    effect=Effect.HOLD,
    subject="entry",
    title="An entry without a time",
    why="A vital sign without its time cannot be charted; the time of reading out is not the time of measuring.",
    example="the time column of the row is blank",
    reference=(
        "HL7 FHIR R4 4.0.1 vital-signs profile, effective[x] 1..1 and vs-1, http://hl7.org/fhir/R4/vitalsigns.html"
    ),
    todo="Check which columns hold the time; an entry without one can only be charted by hand",
)
