"""Diastolic, mean and systolic pressure in the wrong order."""

from __future__ import annotations

from collections.abc import Mapping

from gateway.checks.base import COMMON_PRACTICE, Rule, measured, number
from gateway.model import Effect, Reading, Severity


def _check(readings: Mapping[str, Reading]) -> str | None:
    pressure = {vital: number(reading, "mm[Hg]") for vital, reading in readings.items()}
    text = {vital: measured(reading) for vital, reading in readings.items()}
    systolic, diastolic, mean = (pressure.get(vital) for vital in ("systolic", "diastolic", "mean_pressure"))
    # Equal systolic and diastolic pressures are left to pulse-pressure-narrow, which marks them.
    if systolic is not None and diastolic is not None and diastolic > systolic:
        return f"diastolic {text['diastolic']} is above systolic {text['systolic']}"
    if mean is not None and diastolic is not None and mean <= diastolic:
        return f"mean {text['mean_pressure']} is not above diastolic {text['diastolic']}"
    if mean is not None and systolic is not None and mean >= systolic:
        return f"mean {text['mean_pressure']} is not below systolic {text['systolic']}"
    return None


RULE = Rule(
    slug="pressure-order",
    severity=Severity.ERROR,
    effect=Effect.HOLD,
    subject="set",
    title="Diastolic, mean and systolic pressure are not in that order",
    why=(
        "A diastolic pressure above the systolic, or a mean not between them, is no measurement: most often two "
        "columns are swapped in the mapping, and then in every row."
    ),
    example="systolic 80 mm[Hg], diastolic 120 mm[Hg]",
    reference=COMMON_PRACTICE,
    todo="Compare with the monitor's display; check which column the mapping reads for each pressure",
    adjustable=True,
    vitals=("systolic", "diastolic", "mean_pressure"),
    check=_check,
)
