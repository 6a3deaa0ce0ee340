"""A value with <, <=, >= or > where the mapping does not expect one."""

from gateway.checks.base import COMMON_PRACTICE, Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="comparator-not-declared",
    severity=Severity.ERROR,
    effect=Effect.HOLD,
    subject="reading",
    title="A value with <, <=, >= or > where the mapping does not expect one",
    why='Dropping the sign would chart a limit of the monitor as a measurement; ">600" is not 600.',
    example='the glucose cell says ">600" and comparators are not accepted',
    reference=COMMON_PRACTICE,
    todo="Set comparators = true for this vital, if its manual says that it reports values beyond its range this way",
)
