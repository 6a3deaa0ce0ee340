"""A body mass index that does not follow from the weight and height beside it."""

from __future__ import annotations

from collections.abc import Mapping

from gateway.checks.base import COMMON_PRACTICE, Rule, measured, number, rounded, step
from gateway.model import Effect, Reading, Severity


def _check(readings: Mapping[str, Reading]) -> str | None:
    if len(readings) < 3:
        return None
    bmi, weight, height = (readings[vital] for vital in ("bmi", "weight", "height"))
    # A whole step each way, not half: some monitors cut decimals instead of rounding them.
    kilograms, metres, index = number(weight, "kg"), number(height, "m"), number(bmi, "kg/m2")
    some_kilograms, some_metres, some_index = step(weight, "kg"), step(height, "m"), step(bmi, "kg/m2")
    if metres <= some_metres:
        return None
    least = (kilograms - some_kilograms) / (metres + some_metres) ** 2
    most = (kilograms + some_kilograms) / (metres - some_metres) ** 2
    if least - some_index <= index <= most + some_index:
        return None
    return (
        f"{measured(bmi)} does not follow from {measured(weight)} and {measured(height)}, "
        f"which give {rounded(least, 1)} to {rounded(most, 1)}"
    )


RULE = Rule(
    slug="bmi-mismatch",
    severity=Severity.WARNING,
    effect=Effect.FLAG,
    subject="set",
    title="Body mass index, weight and height do not belong together",
    why=(
        "One of the three is misread, in another unit, or left over from an earlier patient. Weight and height are "
        "used for doses, so all three are marked; none is calculated from the others."
    ),
    example="weight 70 kg, height 175 cm, bmi 32.9 kg/m2",
    reference=f"BMI is weight in kg over the square of height in m; to compare a sent one: {COMMON_PRACTICE}",
    todo="Check the units of weight and height in the mapping, then the entry with the ward",
    adjustable=True,
    vitals=("bmi", "weight", "height"),
    check=_check,
)
