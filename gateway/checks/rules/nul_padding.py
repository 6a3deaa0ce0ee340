"""NUL bytes before, after or between lines were left out."""

from gateway.checks.base import COMMON_PRACTICE, Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="nul-padding",
    severity=Severity.INFORMATION,
    effect=Effect.NOTE,
    subject="line",
    title="NUL bytes before, after or between lines were left out",
    why=(
        "Some monitors fill their files to a fixed length with NUL bytes. They stand outside the entries and no "
        "text is lost."
    ),
    example="the last line is followed by 512 NUL bytes",
    reference=COMMON_PRACTICE,
    todo="Nothing",
)
