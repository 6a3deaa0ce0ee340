"""A skipped local time was read as the mapping says."""

from gateway.checks.base import Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="time-gap-resolved",
    severity=Severity.INFORMATION,
    effect=Effect.NOTE,
    subject="entry",
    title="A skipped local time was read as the mapping says",
    why=(
        "The mapping decides which offset holds for times that were skipped. The report shows each reading to "
        "which that was applied."
    ),
    example="02:30 on 8 March 2026 in New York, with time.nonexistent = before",
    reference="IANA tz database (packaged as tzdata)",
    todo="Nothing; check some of them against the ward's notes after each change of clocks",
)
