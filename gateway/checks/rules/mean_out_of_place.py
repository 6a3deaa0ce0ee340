"""A mean pressure at an unusual place between diastolic and systolic."""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction

from gateway.checks.base import Rule, number, rounded, step
from gateway.model import Effect, Reading, Severity

_LOW, _HIGH = Fraction("0.15"), Fraction("0.65")
# Below this the rounding of three whole numbers moves the place by more than it tells; pulse-pressure-narrow speaks.
_LEAST = Fraction(10)


def _check(readings: Mapping[str, Reading]) -> str | None:
    if len(readings) < 3:
        return None
    systolic, diastolic, mean = (
        number(readings[vital], "mm[Hg]") for vital in ("systolic", "diastolic", "mean_pressure")
    )
    if systolic - diastolic < _LEAST or not diastolic < mean < systolic:
        return None
    place = (mean - diastolic) / (systolic - diastolic)
    # Each of the three may have been rounded by half a step.
    one = max(step(reading, "mm[Hg]") for reading in readings.values())
    width = systolic - diastolic
    if (mean - diastolic + one) / (width + one) >= _LOW and (mean - diastolic - one) / (width - one) <= _HIGH:
        return None
    return f"the mean stands {rounded(place * 100, 0)} % of the way from diastolic to systolic; 15 % to 65 % is usual"


RULE = Rule(
    slug="mean-out-of-place",
    severity=Severity.WARNING,
    effect=Effect.FLAG,
    subject="set",
    title="The mean pressure is unusually close to the diastolic or the systolic",
    why=(
        "The three numbers may come from different measurements, or one of them be misread. The mean is the monitor's "
        "own: it is never calculated from the other two, nor replaced by the rule of one third, which reads low."
    ),
    example="systolic 120 mm[Hg], diastolic 80 mm[Hg], mean_pressure 110 mm[Hg]",
    reference=(
        "the mean lies at 23 % to 58 % of the pulse pressure in 1526 patients, PMID 32694334; at 39.5 % in J Hypertens "
        "2007;25:751; measured and calculated means differ, Neth J Med 2008, PMID 19075313; the limits 15 % and 65 %: "
        "proposal, no source: for clinical sign-off"
    ),
    todo="Compare some sets with the monitor's display; check which column holds the mean",
    adjustable=True,
    vitals=("systolic", "diastolic", "mean_pressure"),
    check=_check,
)
