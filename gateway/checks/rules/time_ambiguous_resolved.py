"""A local time that happened twice was read as the mapping says."""

from gateway.checks.base import Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="time-ambiguous-resolved",
    severity=Severity.INFORMATION,
    effect=Effect.NOTE,
    subject="entry",
    title="A local time that happened twice was read as the mapping says",
    why=(
        "The mapping decides which of the two hours is meant. The report shows each reading to which that was applied."
    ),
    example="01:30 on 1 November 2026 in New York, with time.ambiguous = earlier",
    reference="IANA tz database (packaged as tzdata)",
    todo="Nothing; check some of them against the ward's notes after each change of clocks",
)
