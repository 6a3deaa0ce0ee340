"""An earlier run recorded the same reading."""

from gateway.checks.base import Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="repeat-of-earlier-run",
    severity=Severity.INFORMATION,
    effect=Effect.NOTE,
    subject="set",
    title="The same reading was recorded by an earlier run",
    why=(
        "Monitors keep their list after a read-out, and exports are sent again. What the ledger knows is not recorded "
        "a second time, whichever export or path it comes by."
    ),
    example="last night's export is in the folder once more",
    reference="HL7 Personal Health Device guide, http://hl7.org/fhir/uv/phd/ (repeated uploads are expected)",
    todo="Nothing",
)
