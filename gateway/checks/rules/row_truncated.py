"""The last line breaks off."""

from gateway.checks.base import COMMON_PRACTICE, Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="row-truncated",
    severity=Severity.ERROR,
    effect=Effect.HOLD,
    subject="line",
    title="The last line breaks off",
    why=(
        "The file was cut while it was written or copied. The last value may have lost digits, so nothing of the "
        "row is used."
    ),
    example="the file ends within a row, without a line end",
    reference=COMMON_PRACTICE,
    todo="Copy the file again; entries after the cut are not in this export",
)
