"""Two patients on one device closer together than people change places."""

from gateway.checks.base import PROPOSAL, Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="patients-close-together",
    severity=Severity.WARNING,
    effect=Effect.FLAG,
    subject="set",
    title="Two patients on one device closer together than people change places",
    why=(
        "A cuff and a probe are not on another patient within seconds. One of the two sets may have been given to the "
        "wrong patient: the identifier was scanned too late, or was left from the last one."
    ),
    example="one monitor has a set of one patient at 09:30:05 and a set of another at 09:30:40",
    reference=PROPOSAL,
    todo="Check the patient of both sets; change_seconds in [device] says how fast people change there",
    adjustable=True,
)
