"""An oxygen saturation below the range in which oximeters are validated."""

from __future__ import annotations

from fractions import Fraction

from gateway.checks.base import Rule, measured, number
from gateway.model import Effect, Reading, Severity
from gateway.vocabulary import Limits

_LOWEST = Fraction(70)


def _check(reading: Reading, limits: Limits | None) -> str | None:
    percent = number(reading, "%")
    if percent > _LOWEST or (percent == _LOWEST and reading.comparator != "<"):
        return None
    return f"{measured(reading)} is below 70 %, where the accuracy of oximeters is not validated"


RULE = Rule(
    slug="spo2-outside-validated-range",
    severity=Severity.WARNING,
    effect=Effect.NOTE,
    subject="reading",
    title="An oxygen saturation below the range in which oximeters are validated",
    why=(
        "Oximeter accuracy is stated from 70 % to 100 %. Below that the number may be far off, but the patient may "
        "well be severely hypoxic: the value is recorded as it is, and told."
    ),
    example="adult: spo2 64 %",
    reference=(
        "ISO 80601-2-61, accuracy stated over 70 to 100 % (from memory); FDA guidance on pulse oximeters 2013, the "
        "same range (second hand: https://reguvirta.com)"
    ),
    todo="Nothing for a single reading; when it is frequent, check the sensors",
    adjustable=True,
    unusual=True,
    vitals=("spo2",),
    check=_check,
    rank=40,
)
