"""Cuff and oximeter report different pulses."""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction

from gateway.checks.base import PROPOSAL, Rule, measured, number
from gateway.model import Effect, Reading, Severity

_BEATS = Fraction(20)
_SHARE = Fraction(20, 100)


def _check(readings: Mapping[str, Reading]) -> str | None:
    cuff, oximeter = (number(readings[vital], "/min") for vital in ("pulse_cuff", "pulse_oximeter"))
    difference = abs(cuff - oximeter)
    if difference <= _BEATS and difference <= _SHARE * min(cuff, oximeter):
        return None
    return f"the cuff counted {measured(readings['pulse_cuff'])}, the oximeter {measured(readings['pulse_oximeter'])}"


RULE = Rule(
    slug="pulse-disagreement",
    severity=Severity.WARNING,
    effect=Effect.FLAG,
    subject="set",
    title="Cuff and oximeter differ by more than 20 /min, or more than 20 % of the lower pulse",
    why=(
        "An irregular heart rhythm or movement does this, and so does a set made of two patients' readings. Both "
        "values are recorded and marked; neither replaces the other."
    ),
    example="pulse_cuff 62 /min, pulse_oximeter 118 /min",
    reference=PROPOSAL,
    todo="Look at the patient's rhythm; when it is frequent, check that sets are not mixed between patients",
    adjustable=True,
    vitals=("pulse_cuff", "pulse_oximeter"),
    check=_check,
)
