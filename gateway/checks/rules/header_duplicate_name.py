"""Two columns have the same name."""

from gateway.checks.base import COMMON_PRACTICE, Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="header-duplicate-name",
    severity=Severity.WARNING,
    effect=Effect.NOTE,
    subject="line",
    title="Two columns have the same name",
    why=(
        "A name that stands twice cannot be mapped. Neither of these columns is used by this mapping, so nothing "
        "is lost."
    ),
    example='two columns are called "Note"',
    reference=COMMON_PRACTICE,
    todo="Nothing, unless one of them is needed: then rename it at its source",
)
