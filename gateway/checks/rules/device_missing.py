"""An entry without a device identifier."""

from gateway.checks.base import COMMON_PRACTICE, Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="device-missing",
    severity=Severity.INFORMATION,
    effect=Effect.NOTE,
    subject="entry",
    title="An entry without a device identifier",
    why=(
        "The reading is recorded without its device. When a monitor proves faulty later, its readings cannot be "
        "found again."
    ),
    example="the device column of the row is blank",
    reference=COMMON_PRACTICE,
    todo="Map the column that holds the device, or give the export's device as a fixed value",
)
