"""A rendered record did not pass verification."""

from gateway.checks.base import Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="record-failed-verification",
    severity=Severity.FATAL,
    effect=Effect.HOLD,
    subject="record",
    title="A rendered record did not pass verification",
    why=(
        "Every record is read back and checked against the standard before it leaves. One that fails is a fault "
        "of the gateway or of its mapping, not of the measurement."
    ),
    example="an Observation without its required LOINC code",
    reference=(
        "HL7 FHIR R4 4.0.1 vital-signs profiles, http://hl7.org/fhir/R4/vitalsigns.html; HL7 v2.5.1 and 2.6, chapter 7"
    ),
    todo="Do not send this batch; report the fault with the mapping and an invented row that shows it",
)
