"""A value that its panel must have is held, so the whole panel is held."""

from gateway.checks.base import Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="panel-member-held",
    severity=Severity.ERROR,
    effect=Effect.HOLD,
    subject="set",
    title="A value that its panel must have is held, so the whole panel is held",
    why=(
        "A blood pressure of which one side is in doubt must not be charted as if the other side were sound: both "
        "come from one measurement, and so does the mean. The other way round it does not hold: a mean need not be "
        "there, and one in doubt is held alone while systolic and diastolic are recorded."
    ),
    example="the systolic pressure is held as 999 mmHg; the diastolic of 80 mmHg beside it is held with it",
    reference="HL7 FHIR R4, bp profile, http://hl7.org/fhir/R4/bp.html: systolic and diastolic are required components",
    todo="Settle the finding on the other value of the panel; this one then follows",
)
