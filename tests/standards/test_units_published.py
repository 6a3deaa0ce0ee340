"""Units against published factors, published pairs and an independent library.

Sources:
  UCUM:    definitions as shipped in ucum-lhc 7.1.10, https://ucum.org/ucum
  SP 811:  NIST Special Publication 811, appendix B.8, https://www.nist.gov/pml/special-publication-811
  pint:    pint with UCUM codes read by ucumvert
  ADA:     diagnostic thresholds, Diabetes Care, http://care.diabetesjournals.org/ (table 1)
"""

from __future__ import annotations

from decimal import ROUND_HALF_EVEN, Decimal
from fractions import Fraction

import pytest
from ucumvert import PintUcumRegistry
from ucumvert.parser import InvalidUcumError

from gateway.vocabulary import convert, units


@pytest.fixture(scope="module")
def registry() -> PintUcumRegistry:
    return PintUcumRegistry()


# UCUM code -> base value of 1, exact by definition (UCUM)
UCUM_FACTORS = [
    ("mm[Hg]", "133.322", "Pa"),
    ("cm[H2O]", "98.0665", "Pa"),
    ("kPa", "1000", "Pa"),
    ("[lb_av]", "0.45359237", "kg"),
    ("[oz_av]", "0.028349523125", "kg"),
    ("[stone_av]", "6.35029318", "kg"),
    ("g", "0.001", "kg"),
    ("[in_i]", "0.0254", "m"),
    ("[ft_i]", "0.3048", "m"),
    ("cm", "0.01", "m"),
    ("mm", "0.001", "m"),
    ("%", "0.01", "1"),
    ("Hz", "60", "/min"),
]

# As SP 811 B.8 prints them: seven significant digits
SP_811 = [
    ("[lb_av]", "4.535924E-01"),
    ("[oz_av]", "2.834952E-02"),
    ("[in_i]", "2.54E-02"),
    ("[ft_i]", "3.048E-01"),
    ("cm[H2O]", "9.80665E+01"),
]

WITH_PINT = ["kPa", "cm[H2O]", "[lb_av]", "[oz_av]", "[stone_av]", "g", "kg", "[in_i]", "[ft_i]", "cm", "m", "mm"]


@pytest.mark.parametrize(("ucum", "factor", "base"), UCUM_FACTORS)
def test_ucum_factors(ucum: str, factor: str, base: str) -> None:
    assert units()[ucum].factor == Fraction(factor)
    assert units()[ucum].base == base


@pytest.mark.parametrize(("ucum", "printed"), SP_811)
def test_sp_811_factors(ucum: str, printed: str) -> None:
    factor = units()[ucum].factor
    ours = Decimal(factor.numerator) / Decimal(factor.denominator)
    published = Decimal(printed)
    assert ours.quantize(published, rounding=ROUND_HALF_EVEN) == published


@pytest.mark.parametrize("ucum", WITH_PINT)
def test_factors_against_pint(registry: PintUcumRegistry, ucum: str) -> None:
    theirs = float(registry.from_ucum(ucum).to_base_units().magnitude)
    assert float(units()[ucum].factor) == pytest.approx(theirs, rel=1e-12)


def test_mercury_differs_by_three_parts_in_a_million(registry: PintUcumRegistry) -> None:
    """UCUM: 133.322 Pa. pint and NIST's conventional mmHg: 133.322387415 Pa (SP 811 prints 133.3224).

    The gateway follows UCUM, because mm[Hg] is what stands in the record. At 300 mmHg the two are 0.0009 mmHg apart.
    """
    theirs = Fraction(str(registry.from_ucum("mm[Hg]").to_base_units().magnitude))
    ours = units()["mm[Hg]"].factor
    assert theirs == Fraction("133.322387415")
    assert (theirs - ours) / ours * 10**6 == pytest.approx(2.906, abs=0.001)
    assert 300 * (theirs - ours) / ours < Fraction(1, 1000)


@pytest.mark.parametrize("celsius", ["-40", "0", "25", "36.6", "37", "41.9", "100"])
def test_temperatures_against_pint(registry: PintUcumRegistry, celsius: str) -> None:
    pint = registry.Quantity(float(celsius), registry.degC)
    for ucum, name in (("[degF]", "degF"), ("K", "kelvin")):
        assert float(convert(Fraction(celsius), "Cel", ucum)) == pytest.approx(pint.to(name).magnitude, abs=1e-9)


@pytest.mark.parametrize("rate", ["0.5", "1", "1.2"])
def test_rates_against_pint(registry: PintUcumRegistry, rate: str) -> None:
    theirs = (float(rate) * registry.from_ucum("Hz")).to("1/minute").magnitude
    assert float(convert(Fraction(rate), "Hz", "/min")) == pytest.approx(theirs, rel=1e-12)


@pytest.mark.parametrize(
    ("fahrenheit", "celsius"),
    [("95", "35"), ("97.7", "36.5"), ("98.6", "37"), ("100.4", "38"), ("104", "40"), ("32", "0"), ("212", "100"),
     ("-40", "-40")],
)  # fmt: skip
def test_fahrenheit_pairs(fahrenheit: str, celsius: str) -> None:
    """Exact by (F - 32) x 5/9 (UCUM)."""
    assert convert(Fraction(fahrenheit), "[degF]", "Cel") == Fraction(celsius)
    assert convert(Fraction(celsius), "Cel", "[degF]") == Fraction(fahrenheit)


@pytest.mark.parametrize(
    ("mmhg", "kpa"),
    [(60, "8.0"), (80, "10.7"), (90, "12.0"), (120, "16.0"), (130, "17.3"), (140, "18.7"), (150, "20.0"),
     (160, "21.3"), (180, "24.0")],
)  # fmt: skip
def test_pressure_pairs(mmhg: int, kpa: str) -> None:
    """Computed from the UCUM factor; the same pairs stand in printed conversion tables."""
    there = convert(Fraction(mmhg), "mm[Hg]", "kPa")
    assert round(there * 10) == Fraction(kpa) * 10
    # One decimal in kPa spans 0.75 mmHg, so the way back may miss by half of that.
    assert abs(convert(Fraction(kpa), "kPa", "mm[Hg]") - mmhg) <= Fraction("0.38")


def test_centimetres_of_water() -> None:
    """Executed with ucum-lhc 7.1.10: 1 cm[H2O] = 0.7355612727 mm[Hg]."""
    assert float(convert(Fraction(1), "cm[H2O]", "mm[Hg]")) == pytest.approx(0.7355612727, abs=1e-10)


@pytest.mark.parametrize(
    ("mg", "mmol", "source"),
    [
        (100, "5.6", "ADA"), (126, "7.0", "ADA"), (140, "7.8", "ADA"), (200, "11.1", "ADA"), (125, "6.9", "ADA"),
        (70, "3.9", "secondary"), (180, "10.0", "secondary"), (54, "3.0", "from memory"),
    ],
)  # fmt: skip
def test_glucose_pairs(mg: int, mmol: str, source: str) -> None:
    """Molar mass 180.156 g/mol from memory; the printed pairs bear it out to their one decimal."""
    assert round(convert(Fraction(mg), "mg/dL", "mmol/L", vital="glucose") * 10) == Fraction(mmol) * 10, source


@pytest.mark.parametrize(
    ("value", "unit", "target", "expected"),
    [
        ("150", "[lb_av]", "kg", "68.0388555"),
        ("220.46", "[lb_av]", "kg", "99.9989738902"),
        (str(11 * 14 + 4), "[stone_av]+[lb_av]", "kg", "71.66759446"),
        (str(7 * 16 + 8), "[lb_av]+[oz_av]", "g", "3401.942775"),
        (str(5 * 12 + 10), "[ft_i]+[in_i]", "cm", "177.8"),
        ("1.78", "m", "cm", "178"),
        ("3400", "g", "kg", "3.4"),
        ("0.98", "1", "%", "98"),
        ("0", "Cel", "K", "273.15"),
    ],
)
def test_exact_vectors(value: str, unit: str, target: str, expected: str) -> None:
    """Computed by hand from the exact factors."""
    assert convert(Fraction(value), unit, target) == Fraction(expected)


def test_every_record_unit_is_ucum(registry: PintUcumRegistry) -> None:
    """ucumvert's grammar of UCUM reads every code that may stand in a record, and no display text such as mmHg."""
    for ucum, unit in units().items():
        if not unit.parts:
            registry.from_ucum(ucum)
    for text in ("mmHg", "bpm", "lb", "degC"):
        with pytest.raises(InvalidUcumError):
            registry.from_ucum(text)
