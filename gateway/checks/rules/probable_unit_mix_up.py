"""A number that only makes sense in another unit than the declared one."""

from __future__ import annotations

from fractions import Fraction
from typing import NamedTuple

from gateway.checks.base import Rule, rounded, unit_name
from gateway.model import Effect, Reading, Severity
from gateway.vocabulary import Limits


class _Band(NamedTuple):
    """Numbers, both ends inclusive, that no patient shows in `declared` and that are usual in `meant`."""

    declared: str
    low: Fraction
    high: Fraction
    meant: str


# Only where the two units cannot be confused with each other. Never for mmHg and kPa, kg and lb: their usual numbers
# overlap.
_KELVIN = (Fraction("298.15"), Fraction("318.15"))
_TEMPERATURE = (
    _Band("Cel", Fraction(77), Fraction(113), "[degF]"),
    _Band("Cel", *_KELVIN, "K"),
    _Band("[degF]", Fraction(25), Fraction(45), "Cel"),
    _Band("[degF]", *_KELVIN, "K"),
    _Band("K", Fraction(25), Fraction(45), "Cel"),
    _Band("K", Fraction(77), Fraction(113), "[degF]"),
)
# One per cent of oxygen is not possible, so 1 is read as the whole fraction.
_SHARE = (_Band("%", Fraction("0.21"), Fraction(1), "1"), _Band("1", Fraction(21), Fraction(100), "%"))
_LENGTH = (_Band("cm", Fraction("0.2"), Fraction("2.75"), "m"), _Band("m", Fraction(20), Fraction(275), "cm"))
# A meter shows 1.1 to 33.3 mmol/L, 20 to 600 mg/dL (common practice, no source). Between 18 and 33 either can be.
_GLUCOSE = (
    _Band("mg/dL", Fraction("0.5"), Fraction("17.9"), "mmol/L"),
    _Band("mmol/L", Fraction("33.4"), Fraction(600), "mg/dL"),
)
_BANDS = {
    "temperature": _TEMPERATURE,
    "spo2": _SHARE,
    "oxygen_concentration": _SHARE,
    "height": _LENGTH,
    **dict.fromkeys(("glucose", "glucose_plasma", "glucose_venous"), _GLUCOSE),
}


def _check(reading: Reading, limits: Limits | None) -> str | None:
    if reading.source_value is None:
        return None
    exported = Fraction(reading.source_value)
    for band in _BANDS[reading.vital]:
        if reading.source_unit == band.declared and band.low <= exported <= band.high:
            declared, meant = ("a fraction" if unit == "1" else unit_name(unit) for unit in (band.declared, band.meant))
            return f"{rounded(exported, 4)} is declared as {declared} but reads like {meant}"
    return None


RULE = Rule(
    slug="probable-unit-mix-up",
    severity=Severity.ERROR,
    effect=Effect.HOLD,
    subject="reading",
    title="A number reads like another unit than the declared one",
    why=(
        "The commonest fault found in charted vital signs is a Fahrenheit temperature in a Celsius field. "
        "A converted guess would hide that the monitor or the mapping is set wrongly, and every later value with it."
    ),
    example="adult: temperature 98.6 Cel",
    reference=(
        "Genes et al. 2013, Open Med Inform J 7:34, https://pmc.ncbi.nlm.nih.gov/articles/PMC3881102 (commonest "
        "fault); the bands: proposal, no source: for clinical sign-off"
    ),
    todo="Compare with the monitor's display and its unit setting; correct the unit in the mapping or on the monitor",
    vitals=tuple(_BANDS),
    check=_check,
    rank=10,
)
