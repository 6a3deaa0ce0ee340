"""A cell holds a token that the mapping declares as no value."""

from gateway.checks.base import Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="absent-declared",
    severity=Severity.INFORMATION,
    effect=Effect.NOTE,
    subject="reading",
    title="A cell holds a token that the mapping declares as no value",
    why="The attempt is counted, so that the reckoning adds up and frequent failures of one monitor are seen.",
    example='the SpO2 cell says "---" and the mapping declares it as not performed',
    reference=(
        "HL7 FHIR R4 4.0.1, code system data-absent-reason, http://hl7.org/fhir/R4/codesystem-data-absent-reason.html"
    ),
    todo="Nothing; when it is frequent on one monitor, check its sensors",
)
