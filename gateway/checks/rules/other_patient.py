"""The same measurement is recorded for another patient."""

from gateway.checks.base import COMMON_PRACTICE, Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="other-patient",
    severity=Severity.ERROR,
    effect=Effect.HOLD,
    subject="set",
    about="patient",
    title="The same measurement is recorded for another patient",
    why=(
        "A measurement is of one patient. The same device printed the same time with a value that agrees (or, where no "
        "device is known, the same time with wholly equal values) for somebody else, and that set is current. Which of "
        "the two is right cannot be told from the export; the first stays, the later one waits."
    ),
    example="the associations were corrected between two nights, and the set of 10:00 comes again for another patient",
    reference=COMMON_PRACTICE,
    todo="Find out whose it is; if it is this patient's, take the recorded set back (wrong-patient) or move it",
)
