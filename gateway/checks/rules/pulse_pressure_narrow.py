"""Systolic and diastolic pressure too close together."""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction

from gateway.checks.base import PROPOSAL, Rule, measured, number
from gateway.model import Effect, Reading, Severity

_LEAST = Fraction(10)


def _check(readings: Mapping[str, Reading]) -> str | None:
    difference = number(readings["systolic"], "mm[Hg]") - number(readings["diastolic"], "mm[Hg]")
    if not 0 <= difference < _LEAST:
        return None
    return f"{measured(readings['systolic'])} over {measured(readings['diastolic'])} is less than 10 mmHg apart"


RULE = Rule(
    slug="pulse-pressure-narrow",
    severity=Severity.WARNING,
    effect=Effect.FLAG,
    subject="set",
    title="Systolic and diastolic pressure are equal or less than 10 mmHg apart",
    why=(
        "It is seen in severe shock and tamponade, and far more often after movement or a wrong cuff: both values are "
        "recorded and marked."
    ),
    example="systolic 84 mm[Hg], diastolic 78 mm[Hg]",
    reference=PROPOSAL,
    todo="Nothing for a single reading; when it is frequent on one monitor, check cuffs and calibration",
    adjustable=True,
    vitals=("systolic", "diastolic"),
    check=_check,
)
