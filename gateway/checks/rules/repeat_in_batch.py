"""The same reading was already seen in this batch."""

from gateway.checks.base import Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="repeat-in-batch",
    severity=Severity.INFORMATION,
    effect=Effect.NOTE,
    subject="set",
    title="The same reading was already seen in this batch",
    why=(
        "Monitors keep their list after a read-out, so the same entries come again. They are recorded once and "
        "counted as repeats."
    ),
    example="two overlapping exports of one monitor hold the same set",
    reference="HL7 Personal Health Device guide, http://hl7.org/fhir/uv/phd/ (repeated uploads are expected)",
    todo="Nothing",
)
