"""A local time that was skipped when clocks went forward."""

from gateway.checks.base import Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="time-in-dst-gap",
    severity=Severity.ERROR,
    effect=Effect.HOLD,
    subject="entry",
    title="A local time that was skipped when clocks went forward",
    why=(
        "No clock on the wall showed this time. The monitor's clock was not changed, so its other times of that "
        "season may be an hour off as well."
    ),
    example="02:30 on 8 March 2026 in New York",
    reference=(
        "IANA tz database (packaged as tzdata); IHE PCD change proposal CP-PCD-081, note b, "
        "https://github.com/IHEPCD/CP"
    ),
    todo=(
        "Check the monitor's clock; if it is known not to change, set time.nonexistent, or a fixed offset as the zone"
    ),
)
