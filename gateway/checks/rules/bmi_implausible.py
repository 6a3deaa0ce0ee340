"""Weight and height that nobody has together."""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction

from gateway.checks.base import COMMON_PRACTICE, PROPOSAL, Rule, measured, number, rounded
from gateway.model import Effect, Reading, Severity
from gateway.vocabulary import Limits


def implied(kilograms: Fraction, metres: Fraction) -> Fraction:
    """The index that a weight and a height give, in kg/m2."""
    return kilograms / metres**2


def _check(readings: Mapping[str, Reading], limits: Limits | None) -> str | None:
    if limits is None or limits.hold is None:
        return None
    kilograms, metres = number(readings["weight"], "kg"), number(readings["height"], "m")
    if metres <= 0:
        return None
    low, high = limits.hold
    index = implied(kilograms, metres)
    if low <= index <= high:
        return None
    said = f"{measured(readings['weight'])} and {measured(readings['height'])} give an index of {rounded(index, 1)}"
    said += f" kg/m2; {rounded(low)} to {rounded(high)} can be"
    exchanged = implied(metres * 100, kilograms / 100) if kilograms > 0 else index
    usual = limits.flag or limits.hold
    return (
        f"{said}; the two numbers exchanged give {rounded(exchanged, 1)}"
        if (usual[0] <= exchanged <= usual[1])
        else said
    )


RULE = Rule(
    slug="bmi-implausible",
    severity=Severity.ERROR,
    effect=Effect.HOLD,
    subject="set",
    title="Nobody has this weight at this height",
    why=(
        "Each may pass by itself: one of the two is misread, in another unit, or they are exchanged. Both are used for "
        "doses, so both wait for somebody who looks. The index is compared only, and never recorded."
    ),
    example="adult: weight 172.4 kg, height 70 cm",
    reference=(
        f"body mass index, kg over the square of m: {COMMON_PRACTICE}; the limits are those of bmi in the plausibility "
        f"profile: {PROPOSAL}"
    ),
    todo="Check which column the mapping reads for each, and their units; then the entry with the ward",
    adjustable=True,
    vitals=("weight", "height"),
    check=_check,
    limits_of="bmi",
)
