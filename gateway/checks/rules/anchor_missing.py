"""Entries carry ages, and it is not known when their list was sent."""

from gateway.checks.base import COMMON_PRACTICE, Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="anchor-missing",
    severity=Severity.ERROR,
    effect=Effect.HOLD,
    subject="entry",
    title="It is not known when the list was sent",
    why=(
        "An age counts back from the moment at which the monitor sent its list. The time of the file or of this run "
        "is later, by minutes or by days."
    ),
    example="a list saved without its heading, entries stamped 12 and 47 minutes",
    reference=COMMON_PRACTICE,
    todo=(
        "Read the list out again with its heading or with gateway capture; if the moment is known for certain, state "
        'it with --sent and anchor = "given"'
    ),
)
