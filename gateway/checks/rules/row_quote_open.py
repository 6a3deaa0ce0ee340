"""A quotation mark that is never closed."""

from gateway.checks.base import COMMON_PRACTICE, Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="row-quote-open",
    severity=Severity.ERROR,
    effect=Effect.HOLD,
    subject="line",
    title="A quotation mark that is never closed",
    why="What follows would be swallowed into one cell. The line is set aside and reading goes on with the next.",
    example="a note begins with a quotation mark and the row ends without a second one",
    reference=COMMON_PRACTICE,
    todo="Correct the row at its source, or set delimited.quote to empty if the monitor does not quote",
)
