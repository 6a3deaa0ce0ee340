"""Nobody can tell whether an entry was in an earlier list of the device."""

from gateway.checks.base import COMMON_PRACTICE, Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="overlap-undecided",
    severity=Severity.ERROR,
    effect=Effect.HOLD,
    subject="set",
    title="An entry that may or may not have been in an earlier list",
    why=(
        "Ages are whole minutes, so an entry moves by up to a minute from one list to the next. With equal values a "
        "minute or two apart, a new reading cannot be told from one that was read before."
    ),
    example="two equal sets a minute apart, at the end of one list and at the beginning of the next",
    reference=COMMON_PRACTICE,
    todo="Compare with the monitor's list and chart the entry by hand if it is new",
)
