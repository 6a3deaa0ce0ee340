"""The monitor's clock was off by more than the limit, and its times are recorded."""

from gateway.checks.base import Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="clock-out-of-step",
    severity=Severity.WARNING,
    effect=Effect.NOTE,
    subject="batch",
    title="The monitor's clock was off by more than the limit, and its times are recorded",
    why=(
        "The mapping's policy is to report. The times in the records are those of the monitor, and wrong by "
        "the offset stated."
    ),
    example="a limit of 2 minutes and a clock 7 minutes ahead, with the policy report",
    reference="HL7 FHIR Personal Health Device guide, coincident timestamp: logic to report; https://build.fhir.org/ig/HL7/phd",
    todo="Set the monitor's clock, or let the mapping correct its times",
)
