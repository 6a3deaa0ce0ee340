"""An entry without a patient identifier."""

from gateway.checks.base import Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="patient-missing",
    severity=Severity.ERROR,
    effect=Effect.HOLD,
    subject="entry",
    title="An entry without a patient identifier",
    why="Readings without a patient are never attached to the previous patient, to the bed or to a dummy.",
    example="the patient column of the row is blank",
    reference=(
        "Joint Commission NPSG.01.01.01 EP 1 (two identifiers; a room is none); subject 1..1 in the HL7 FHIR R4 "
        "vital-signs profile"
    ),
    todo="Find out on the ward whose readings these are and give them an association, or discard them by your policy",
    about="patient",
)
