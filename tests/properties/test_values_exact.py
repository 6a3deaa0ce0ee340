"""Values: exact both ways, precision kept, never a guess."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from gateway.mapping.model import Mapping
from gateway.model import Outcome
from gateway.normalise.values import ValueReader
from gateway.vocabulary import convert, units, vitals


def reader(vital: str, numbers: dict[str, Any] | None = None, **source: Any) -> ValueReader:
    made = Mapping.model_validate(
        {
            "title": "Test",
            "version": "1",
            "form": "delimited",
            "namespace": "urn:test",
            "delimited": {"layout": "wide"},
            "numbers": numbers or {},
            "time": {"columns": ["time"], "formats": ["%Y-%m-%d %H:%M"], "zone": "UTC"},
            "patient": {"column": "patient", "system": "urn:patients"},
            "vitals": {vital: {"column": "c", **source}},
        }
    )
    return ValueReader(vital, made.vitals[vital], made)


PAIRS = [
    (one, other, "glucose" if one.dimension == "concentration" else "")
    for one in units().values()
    for other in units().values()
    if one.dimension == other.dimension
]
# A vital, a unit it may be exported in
EXPORTED = [
    (key, unit.ucum)
    for key, vital in vitals().items()
    if vital.kind == "quantity"
    for unit in units().values()
    if unit.dimension == vital.dimension and not unit.parts
]
READERS = {(key, ucum): reader(key, unit=ucum) for key, ucum in EXPORTED}
NOTATIONS = [(".", ""), (",", ""), (".", ","), (",", "."), (".", "'"), (",", " ")]
WRITTEN = {(d, t): reader("weight", {"decimal": d, "thousands": t}, unit="kg") for d, t in NOTATIONS}
SATURATION = reader("spo2", unit="%", unit_column="u", site={"column": "s", "values": {"F": "finger"}})
WEIGHT = reader("weight", unit="kg", comparators=True)
HEIGHT = reader("height", unit="ft in")
numbers = st.from_regex(r"-?(0|[1-9][0-9]{0,5})(\.[0-9]{1,6})?", fullmatch=True).filter(
    lambda text: not (text.startswith("-") and Decimal(text) == 0)
)


@given(st.sampled_from(PAIRS), st.fractions(min_value=-(10**6), max_value=10**6))
def test_there_and_back_is_exactly_where_it_was(pair: tuple[Any, Any, str], value: Fraction) -> None:
    one, other, vital = pair
    there = convert(value, one.ucum, other.ucum, vital=vital)
    assert isinstance(there, Fraction)
    assert convert(there, other.ucum, one.ucum, vital=vital) == value


@given(st.sampled_from(EXPORTED), numbers)
def test_a_number_is_kept_or_rounded_once(exported: tuple[str, str], text: str) -> None:
    key, ucum = exported
    found = READERS[exported].read(text)
    assert found is not None
    assert found.outcome is Outcome.RECORDED
    assert found.value is not None
    assert found.exact is not None
    assert str(found.source_value) == text
    assert found.unit in vitals()[key].units
    # The record says what the text says, to half a unit of its last place, and exactly where nothing was converted.
    assert found.exact == convert(Fraction(text), ucum, found.unit, vital=key)
    exponent = found.value.as_tuple().exponent
    assert isinstance(exponent, int)
    assert exponent <= 0
    assert abs(Fraction(found.value) - found.exact) <= Fraction(1, 2) * Fraction(10) ** exponent
    if found.unit == ucum:
        assert str(found.value) == text
    # FHIR and HL7 v2 know no exponent.
    assert "E" not in f"{found.value:f}"


@given(numbers, st.sampled_from(NOTATIONS))
def test_a_notation_does_not_change_the_number(text: str, notation: tuple[str, str]) -> None:
    decimal, thousands = notation
    whole, _, part = text.partition(".")
    if thousands:
        whole = f"{int(whole):,}".replace(",", thousands) if whole != "-0" else whole
    written = whole + (decimal + part if part else "")
    found = WRITTEN[notation].read(written)
    assert found is not None
    assert str(found.value) == text


@given(st.text(max_size=80), st.text(max_size=20), st.text(max_size=20))
def test_any_text_is_a_reading_or_nothing(text: str, unit: str, site: str) -> None:
    """Nothing raises; what is recorded is a number that stands in the text with the unit that was declared."""
    found = SATURATION.read(text, unit, site)
    if found is None:
        assert not text.strip()
        return
    assert found.text == text
    if found.outcome is Outcome.RECORDED:
        assert Decimal(text.strip()) == found.value
        assert text.strip().isascii()
        assert found.unit == "%"
    else:
        assert found.outcome is Outcome.HELD
        assert found.value is None
        assert len(found.noticed) == 1


@given(st.text(alphabet="0123456789.,eE+-<>= '\"%/()ftinlboz٣", max_size=16))
def test_number_like_texts_are_exact_or_held(text: str) -> None:
    found = WEIGHT.read(text)
    if found is not None and found.outcome is Outcome.RECORDED:
        stripped = text.strip()
        assert stripped.startswith(found.comparator)
        assert Decimal(stripped.removeprefix(found.comparator).strip()) == found.value
        assert not set(stripped) & set("eE+'\"%/()ftinlboz٣,")


@given(st.integers(0, 99), st.integers(0, 11))
def test_feet_and_inches_are_their_sum(feet: int, inches: int) -> None:
    found = HEIGHT.read(f"{feet} ft {inches} in")
    assert found is not None
    assert found.exact == Fraction(feet * 12 + inches) * Fraction("2.54")
