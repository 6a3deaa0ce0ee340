"""One entry gives a column twice, with different texts."""

from gateway.checks.base import COMMON_PRACTICE, Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="field-repeated",
    severity=Severity.ERROR,
    effect=Effect.HOLD,
    subject="entry",
    title="One entry gives a column twice, with different texts",
    why=(
        "Either two entries have run together, because the line between them is lost, or the mapping does not know "
        "where an entry begins. Both could mix two patients, so nothing of the entry is used."
    ),
    example='an entry has the lines "PULSE 72" and "PULSE 95"',
    reference=COMMON_PRACTICE,
    todo="Compare the entry with the monitor's display; check which records have use = 'entry' in the mapping",
)
