"""A value outside the limits that hold."""

from __future__ import annotations

from gateway.checks.base import PROPOSAL, Rule, below, measured, outside, rounded, unit_name
from gateway.model import Effect, Reading, Severity
from gateway.vocabulary import Limits


def _check(reading: Reading, limits: Limits | None) -> str | None:
    if limits is None or limits.hold is None or not outside(reading, limits.hold):
        return None
    low, high = (rounded(end) for end in limits.hold)
    side = "below" if below(reading, limits.hold[0]) else "above"
    return f"{measured(reading)} is {side} the limits {low} to {high} {unit_name(limits.unit)}"


RULE = Rule(
    slug="outside-hold-limits",
    severity=Severity.ERROR,
    effect=Effect.HOLD,
    subject="reading",
    title="A value outside the limits within which readings are recorded without review",
    why=(
        "Far outside what patients of this category show, a fault of the measurement, the unit or the mapping is "
        "likelier than the value. A person decides; the gateway neither corrects nor discards it."
    ),
    example="adult: heart_rate 415 /min",
    reference=(
        f"the limits and their sources are in the plausibility profile; profile proposal: {PROPOSAL}; profile "
        "published: MIMIC-Extract variable_ranges.csv, github MLforHealth/MIMIC_Extract@d8d2dea"
    ),
    todo="Check the reading with the ward; if the limit is wrong for your patients, have it changed in the mapping",
    adjustable=True,
    check=_check,
    rank=30,
)
