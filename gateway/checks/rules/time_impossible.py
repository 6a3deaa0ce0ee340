"""A date or time that does not exist."""

from gateway.checks.base import Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="time-impossible",
    severity=Severity.ERROR,
    effect=Effect.HOLD,
    subject="entry",
    title="A date or time that does not exist",
    why=(
        "The 31st of February or 25:00 comes from a damaged row, or from day and month being declared the wrong "
        "way round."
    ),
    example="the cell says 2026-02-31",
    reference=(
        "HL7 FHIR R4 4.0.1 data types, dateTime (24:00 is not allowed either), http://hl7.org/fhir/R4/datatypes.html"
    ),
    todo="Check the order of day and month in time.formats, and the row in the export",
)
