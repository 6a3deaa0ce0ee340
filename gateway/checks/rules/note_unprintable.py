"""A note holds characters that cannot be written into a record."""

from gateway.checks.base import Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="note-unprintable",
    severity=Severity.WARNING,
    effect=Effect.NOTE,
    subject="entry",
    title="A note with control characters or broken text is not carried",
    why="A damaged note may say something else than was written. It is left out as a whole; the readings are recorded.",
    example="a note with a control character in the middle",
    reference="HL7 FHIR R4 4.0.1, data type string: no control characters, http://hl7.org/fhir/R4/datatypes.html#string",
    todo="Read the note in the export, and chart it by hand if it matters",
)
