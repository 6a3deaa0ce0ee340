"""A column has no name."""

from gateway.checks.base import COMMON_PRACTICE, Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="header-empty-name",
    severity=Severity.INFORMATION,
    effect=Effect.NOTE,
    subject="line",
    title="A column has no name",
    why='It is called by its position, such as "column 7". It is only read if the mapping names it so.',
    example="the header ends with a separator",
    reference=COMMON_PRACTICE,
    todo="Nothing",
)
