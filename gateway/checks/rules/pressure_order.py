"""Diastolic, mean and systolic pressure in the wrong order."""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction

from gateway.checks.base import COMMON_PRACTICE, Rule, measured, number, step
from gateway.model import Effect, Reading, Severity

_LEAST, _MOST = Fraction("0.23"), Fraction("0.58")
"""Where between diastolic and systolic a mean was found in 1526 patients: PMID 32694334."""


def _check(readings: Mapping[str, Reading]) -> str | None:
    pressure = {vital: number(reading, "mm[Hg]") for vital, reading in readings.items()}
    text = {vital: measured(reading) for vital, reading in readings.items()}
    systolic, diastolic, mean = (pressure.get(vital) for vital in ("systolic", "diastolic", "mean_pressure"))
    # Equal systolic and diastolic pressures are left to pulse-pressure-narrow, which marks them.
    if systolic is not None and diastolic is not None and diastolic > systolic:
        return f"diastolic {text['diastolic']} is above systolic {text['systolic']}"
    if mean is None:
        return None
    # Rounded to whole numbers, a mean can be equal to its neighbour where these two stand close together.
    one = max(step(reading, "mm[Hg]") for reading in readings.values())
    apart = None
    if systolic is not None and diastolic is not None and systolic > diastolic:
        apart = systolic - diastolic - one
    if diastolic is not None and mean <= diastolic and (mean < diastolic or apart is None or _LEAST * apart >= one):
        return f"mean {text['mean_pressure']} is not above diastolic {text['diastolic']}"
    if systolic is not None and mean >= systolic and (mean > systolic or apart is None or (1 - _MOST) * apart >= one):
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
    reference=(
        f"{COMMON_PRACTICE}; a mean that rounding makes equal to its neighbour: it lies at 23 % to 58 % of the pulse "
        "pressure, PMID 32694334"
    ),
    todo="Compare with the monitor's display; check which column the mapping reads for each pressure",
    adjustable=True,
    vitals=("systolic", "diastolic", "mean_pressure"),
    check=_check,
)
