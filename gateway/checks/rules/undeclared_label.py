"""A row names a quantity that the mapping does not name."""

from gateway.checks.base import COMMON_PRACTICE, Rule
from gateway.model import Effect, Severity

RULE = Rule(
    slug="undeclared-label",
    severity=Severity.ERROR,
    effect=Effect.HOLD,
    subject="reading",
    title="A row names a quantity that the mapping does not name",
    why="The gateway cannot tell which quantity was measured, so nothing of the row is recorded.",
    example='the label column says "PVR" and no vital of the mapping lists it',
    reference=COMMON_PRACTICE,
    todo="Add the label to the right vital in the mapping, or leave it held if it is no vital sign the gateway knows",
)
