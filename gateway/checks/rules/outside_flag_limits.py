"""A value outside the usual range."""

from __future__ import annotations

from gateway.checks.base import PROPOSAL, Rule, below, measured, outside, rounded, unit_name
from gateway.model import Effect, Reading, Severity
from gateway.vocabulary import Limits


def _check(reading: Reading, limits: Limits | None) -> str | None:
    if limits is None or limits.flag is None or not outside(reading, limits.flag):
        return None
    low, high = (rounded(end) for end in limits.flag)
    side = "below" if below(reading, limits.flag[0]) else "above"
    return f"{measured(reading)} is {side} the usual range {low} to {high} {unit_name(limits.unit)}"


RULE = Rule(
    slug="outside-flag-limits",
    severity=Severity.WARNING,
    effect=Effect.NOTE,
    subject="reading",
    title="An unusual value, recorded as it is",
    why=(
        "A very ill patient can have this value, and so can a loose sensor. It is recorded, because withholding a true "
        "one is worse, and not marked as doubtful, which would have a reader pass it over. A site may have it held."
    ),
    example="adult: heart_rate 190 /min",
    reference=(
        f"the limits and their sources are in the plausibility profile; profile proposal: {PROPOSAL}; profile "
        "published: MIMIC-Extract variable_ranges.csv, github MLforHealth/MIMIC_Extract@d8d2dea"
    ),
    todo="Nothing for a single reading; when it is frequent, check the monitor, its sensors and the limits",
    adjustable=True,
    unusual=True,
    check=_check,
    rank=60,
)
