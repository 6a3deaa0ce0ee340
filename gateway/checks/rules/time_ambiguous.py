"""A local time that happened twice when clocks went back."""

from gateway.checks.base import Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="time-ambiguous",
    severity=Severity.ERROR,
    effect=Effect.HOLD,
    subject="entry",
    title="A local time that happened twice when clocks went back",
    why=(
        "The reading may be of the first or of the second such hour. An hour's error puts it before or after a "
        "treatment."
    ),
    example="01:30 on 1 November 2026 in New York",
    reference=(
        "IANA tz database (packaged as tzdata); IHE PCD change proposal CP-PCD-081, note b, "
        "https://github.com/IHEPCD/CP"
    ),
    todo="Find out from the monitor's list which hour it was, or set time.ambiguous if the site has a rule",
)
