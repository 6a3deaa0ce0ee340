"""Weight and height that nobody has together."""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction

from gateway.checks.base import COMMON_PRACTICE, PROPOSAL, Rule, measured, number, rounded
from gateway.model import Effect, Reading, Severity
from gateway.vocabulary import Limits


def implied(readings: Mapping[str, Reading]) -> tuple[Fraction, str] | None:
    """The index in kg/m2 that weight and height give, and both in words; None for a height of nothing."""
    metres = number(readings["height"], "m")
    if metres <= 0:
        return None
    index = number(readings["weight"], "kg") / metres**2
    said = (
        f"{measured(readings['weight'])} and {measured(readings['height'])} give an index of {rounded(index, 1)} kg/m2"
    )
    return index, said


def _check(readings: Mapping[str, Reading], limits: Limits | None) -> str | None:
    if limits is None or limits.hold is None:
        return None
    found = implied(readings)
    low, high = limits.hold
    if found is None or low <= found[0] <= high:
        return None
    said = f"{found[1]}; {rounded(low)} to {rounded(high)} can be"
    kilograms, metres = number(readings["weight"], "kg"), number(readings["height"], "m")
    exchanged = metres * 100 / (kilograms / 100) ** 2 if kilograms > 0 else found[0]
    usual = limits.flag or limits.hold
    if not usual[0] <= exchanged <= usual[1]:
        return said
    return f"{said}; the two numbers exchanged give {rounded(exchanged, 1)}"


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
