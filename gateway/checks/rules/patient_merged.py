"""The patient's identifier has been merged into another."""

from gateway.checks.base import Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="patient-merged",
    severity=Severity.INFORMATION,
    effect=Effect.NOTE,
    subject="set",
    title="The patient's identifier has been merged into another",
    why=(
        "The ledger knows that two identifiers are of one patient and which of them stands for both. A monitor or a "
        "list may go on using the old one; the set is recorded for the one that stands."
    ),
    example="a list names the identifier that a patient had before two charts became one",
    reference="HL7 v2.5.1 ch. 3, event A40 (merge patient - patient identifier list)",
    todo="Nothing; correct the source when it goes on using the old identifier",
)
