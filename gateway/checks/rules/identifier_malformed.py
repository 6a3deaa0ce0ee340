"""An identifier of a device, operator, place or encounter that cannot be written into a record."""

from gateway.checks.base import Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="identifier-malformed",
    severity=Severity.ERROR,
    effect=Effect.HOLD,
    subject="entry",
    title="An identifier with characters that do not belong in one",
    why=(
        "Control characters and broken text in an identifier come from a damaged cell. Such an identifier names "
        "another device or person, or nobody."
    ),
    example="a device cell with a control character in the middle",
    reference="HL7 FHIR R4 4.0.1, data type string: no control characters, http://hl7.org/fhir/R4/datatypes.html#string",
    todo="Look at the cell in the export; read the monitor out again if it is damaged",
)
