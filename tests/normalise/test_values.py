"""Texts to readings: what is understood, and what is held with which rule."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction
from typing import Any

import pytest

from gateway.errors import MappingError
from gateway.mapping.model import Mapping
from gateway.model import Outcome, Reading
from gateway.normalise.values import ValueReader, shown


def mapping(vitals: dict[str, Any], **more: Any) -> Mapping:
    return Mapping.model_validate(
        {
            "title": "Test",
            "version": "1",
            "form": "delimited",
            "namespace": "urn:test",
            "delimited": {"layout": "wide"},
            "time": {"columns": ["time"], "formats": ["%Y-%m-%d %H:%M"], "zone": "UTC"},
            "patient": {"column": "patient", "system": "urn:patients"},
            "vitals": vitals,
            **more,
        }
    )


def reader(vital: str, more: dict[str, Any] | None = None, /, **source: Any) -> ValueReader:
    made = mapping({vital: {"column": "c", **source}}, **(more or {}))
    return ValueReader(vital, made.vitals[vital], made)


def recorded(made: ValueReader, *texts: str) -> Reading:
    found = made.read(*texts)
    assert found is not None
    assert found.outcome is Outcome.RECORDED, found.noticed
    assert found.noticed == ()
    return found


def held(made: ValueReader, *texts: str) -> str:
    """The rule a text is held by."""
    found = made.read(*texts)
    assert found is not None
    assert found.outcome is Outcome.HELD
    assert (found.value, found.exact, found.unit, found.code) == (None, None, "", "")
    assert len(found.noticed) == 1
    return found.noticed[0].rule


# Precision


@pytest.mark.parametrize("text", ["37", "37.0", "37.00", "36.95", "0.5", "100"])
def test_the_decimals_of_the_text_are_those_of_the_record(text: str) -> None:
    found = recorded(reader("temperature", unit="°C"), text)
    assert str(found.value) == text
    assert found.unit == "Cel"
    assert str(found.source_value) == text
    assert found.source_unit == "Cel"
    assert found.exact == Fraction(text)


@pytest.mark.parametrize(
    ("vital", "unit", "text", "value", "record"),
    [
        ("temperature", "F", "98.6", "37.0", "Cel"),
        ("temperature", "F", "98", "36.7", "Cel"),
        ("temperature", "K", "310.15", "37.0", "Cel"),
        ("systolic", "kPa", "16.0", "120", "mm[Hg]"),
        ("systolic", "cmH2O", "163.2", "120", "mm[Hg]"),
        ("weight", "lb", "150", "68.04", "kg"),
        ("weight", "st", "11", "69.85", "kg"),
        ("weight", "g", "3415", "3.415", "kg"),  # moving the point loses nothing
        ("weight", "g", "3400", "3.400", "kg"),
        ("height", "m", "1.78", "178", "cm"),
        ("height", "m", "1.7", "170", "cm"),
        ("height", "mm", "1785", "178.5", "cm"),
        ("height", "in", "70", "177.8", "cm"),
        ("height", "ft", "5.5", "167.6", "cm"),  # 167.64
        ("spo2", "fraction", "0.98", "98", "%"),
        ("spo2", "fraction", "0.985", "98.5", "%"),
        ("pulse", "Hz", "1.2", "72", "/min"),
        ("pulse", "bpm", "72", "72", "/min"),
        ("oxygen_flow", "mL/min", "250", "0.250", "L/min"),
    ],
)
def test_conversion(vital: str, unit: str, text: str, value: str, record: str) -> None:
    found = recorded(reader(vital, unit=unit), text)
    assert (str(found.value), found.unit) == (value, record)
    assert str(found.source_value) == text


def test_a_converted_value_is_rounded_once_and_half_to_even() -> None:
    # 97.25 F = 36.25 Cel exactly; 97.43 F = 36.35 Cel exactly
    fahrenheit = reader("temperature", unit="F")
    assert str(recorded(fahrenheit, "97.25").value) == "36.2"
    assert str(recorded(fahrenheit, "97.43").value) == "36.4"
    assert recorded(fahrenheit, "97.43").exact == Fraction("36.35")
    assert str(recorded(reader("temperature", unit="F", decimals=2), "97.43").value) == "36.35"
    # 36.449 would become 36.45 and then 36.5 if it were rounded twice; 97.6082 F = 36.449 Cel
    assert str(recorded(fahrenheit, "97.6082").value) == "36.4"


def test_declared_decimals_leave_an_unconverted_value_alone() -> None:
    assert str(recorded(reader("temperature", unit="Cel", decimals=0), "37.25").value) == "37.25"
    assert str(recorded(reader("weight", unit="g", decimals=1), "3415").value) == "3.4"


def test_the_record_unit_is_the_mappings_choice() -> None:
    found = recorded(reader("temperature", unit="F", record_unit="degF"), "98.6")
    assert (str(found.value), found.unit) == ("98.6", "[degF]")
    found = recorded(reader("temperature", unit="C", record_unit="[degF]"), "37.0")
    assert (str(found.value), found.unit) == ("98.6", "[degF]")


def test_glucose_keeps_its_unit_unless_the_mapping_asks() -> None:
    found = recorded(reader("glucose", unit="mmol/L"), "5.6")
    assert (str(found.value), found.unit) == ("5.6", "mmol/L")
    found = recorded(reader("glucose", unit="mg/dL"), "100")
    assert (str(found.value), found.unit) == ("100", "mg/dL")
    found = recorded(reader("glucose", unit="mg/dL", record_unit="mmol/L"), "126")
    assert (str(found.value), found.unit) == ("7.0", "mmol/L")


def test_long_numbers_are_exact_or_held() -> None:
    kilos = reader("weight", unit="kg")
    assert str(recorded(kilos, "123456789012345.678").value) == "123456789012345.678"
    assert held(kilos, "1234567890123456.789") == "number-malformed"
    pounds = reader("weight", unit="lb", decimals=4)
    assert str(recorded(pounds, "123456789012345678").value) == "55999057520699835.3433"


# Blank, absent


@pytest.mark.parametrize("text", ["", " ", "\t", "\u00a0", " \u202f "])
def test_a_blank_cell_is_no_reading(text: str) -> None:
    assert reader("spo2", unit="%").read(text) is None


def test_declared_tokens_are_absent_with_their_reason() -> None:
    made = reader(
        "spo2",
        {"absent": {"---": "not-performed", "Q1": "unknown"}},
        unit="%",
        absent={"Q1": {"reason": "error", "meaning": "no pulse found"}},
    )
    found = made.read(" --- ")
    assert found is not None
    assert (found.outcome, found.reason, found.text) == (Outcome.ABSENT, "not-performed", " --- ")
    assert [noticed.rule for noticed in found.noticed] == ["absent-declared"]
    found = made.read("Q1")
    assert found is not None
    assert (found.reason, found.meaning) == ("error", "no pulse found")  # the vital's own token goes first
    assert held(made, "Q2") == "undeclared-token"
    assert held(made, "e1") == "undeclared-token"


def test_a_declared_number_or_blank_can_be_a_token() -> None:
    made = reader("spo2", unit="%", absent={"0": "error", "": "not-performed"})
    for text, reason in (("0", "error"), ("", "not-performed"), (" ", "not-performed")):
        found = made.read(text)
        assert found is not None
        assert (found.outcome, found.reason) == (Outcome.ABSENT, reason)
    assert recorded(made, "00").value == 0


@pytest.mark.parametrize(
    "text", ["---", "ERR", "NOSIG", "n/a", "nan", "NaN", "inf", "-inf", "LO", "*", "<", "?98", "-", "x5", "--5", "- 5"]
)
def test_what_is_not_declared_is_held(text: str) -> None:
    assert held(reader("spo2", unit="%"), text) == "undeclared-token"


# Numbers


@pytest.mark.parametrize(
    "text",
    [
        "1e3", "1E3", "+5", "37.", ".5", "3 7", "37,0", "1,234", "37.0.1", "0x1F", "12O", "5-", "5%",
        "37 C", "1_000", "３７", "٣٧", "1²", "37\u00ad", "\u221237", "-0", "-0.0", "120/80", "1'000", "9" * 65,
    ],
)  # fmt: skip
def test_what_is_no_plain_number_is_held(text: str) -> None:
    assert held(reader("temperature", unit="C"), text) == "number-malformed"


def test_spaces_around_and_zeros_before_a_number_do_not_count() -> None:
    made = reader("spo2", unit="%")
    for text in (" 98", "98\u00a0", "\u202f98 ", "098"):
        found = recorded(made, text)
        assert str(found.value) == "98"
        assert found.text == text


def test_a_minus_sign_is_read() -> None:
    assert recorded(reader("temperature", unit="C"), "-5.0").value == Decimal("-5.0")


@pytest.mark.parametrize(
    ("numbers", "text", "value"),
    [
        ({"decimal": ","}, "36,80", "36.80"),
        ({"decimal": ",", "thousands": "."}, "1.234,5", "1234.5"),
        ({"decimal": ".", "thousands": ","}, "12,345,678", "12345678"),
        ({"decimal": ".", "thousands": ","}, "1234.5", "1234.5"),
        ({"decimal": ",", "thousands": " "}, "3 415", "3415"),
        ({"decimal": ",", "thousands": " "}, "3\u202f415,5", "3415.5"),
        ({"decimal": ",", "thousands": " "}, "3\u00a0415", "3415"),
        ({"decimal": ".", "thousands": "'"}, "3'415", "3415"),
    ],
)
def test_notations(numbers: dict[str, str], text: str, value: str) -> None:
    found = recorded(reader("weight", {"numbers": numbers}, unit="g", record_unit="g"), text)
    assert str(found.value) == value


@pytest.mark.parametrize(
    ("numbers", "text"),
    [
        ({"decimal": ","}, "36.8"),
        ({"decimal": ","}, "1.234,5"),
        ({"decimal": ".", "thousands": ","}, "1,23"),
        ({"decimal": ".", "thousands": ","}, "1,2345"),
        ({"decimal": ".", "thousands": ","}, "1234,567"),
        ({"decimal": ".", "thousands": ","}, "1,234,56"),
        ({"decimal": ".", "thousands": ","}, ",234"),
        ({"decimal": ".", "thousands": ","}, "1.234,567"),
        ({"decimal": ",", "thousands": " "}, "3  415"),
        ({"decimal": ",", "thousands": " "}, "34 15"),
    ],
)
def test_what_breaks_the_declared_notation_is_held(numbers: dict[str, str], text: str) -> None:
    for more in ({}, {"unit_in_text": True}):
        made = reader("weight", {"numbers": numbers}, unit="g", **more)
        assert held(made, text) in ("number-malformed", "undeclared-unit")


# Comparators


def test_comparators_are_read_when_declared() -> None:
    made = reader("spo2", unit="%", comparators=True)
    for text, sign in (("<70", "<"), ("< 70", "<"), ("<=70", "<="), (">=70", ">="), (">70", ">"), ("≤70", "<=")):
        found = recorded(made, text)
        assert (found.comparator, str(found.value)) == (sign, "70")
    assert recorded(made, "70").comparator == ""


def test_comparators_are_held_when_not_declared() -> None:
    assert held(reader("spo2", unit="%"), "<70") == "comparator-not-declared"
    everywhere = {"numbers": {"comparators": True}}
    assert recorded(reader("spo2", everywhere, unit="%"), ">70").comparator == ">"
    assert held(reader("spo2", everywhere, unit="%", comparators=False), ">70") == "comparator-not-declared"


@pytest.mark.parametrize("text", ["<<70", "=70", "70<", "<>70", "~70"])
def test_what_is_no_comparator_is_held(text: str) -> None:
    assert held(reader("spo2", unit="%", comparators=True), text) in ("number-malformed", "undeclared-token")


# Units


def test_units_from_a_column() -> None:
    made = reader("temperature", unit_column="u", units={"1": "Cel", "2": "[degF]", "°F": "[degF]"})
    assert str(recorded(made, "37.0", "1").value) == "37.0"
    assert str(recorded(made, "98.6", "2").value) == "37.0"
    assert str(recorded(made, "98.6", " °F ").value) == "37.0"
    assert held(made, "37.0", "C") == "undeclared-unit"
    assert held(made, "37.0", "") == "undeclared-unit"


def test_a_list_of_units_names_them_by_their_spelling() -> None:
    made = reader("systolic", unit_column="u", units=["mmHg", "kPa"])
    assert str(recorded(made, "120", "mmHg").value) == "120"
    assert str(recorded(made, "16.0", "kPa").value) == "120"
    assert held(made, "16.0", "KPA") == "undeclared-unit"


def test_a_known_unit_that_the_mapping_does_not_name_is_held() -> None:
    assert held(reader("systolic", unit_column="u"), "120", "mmHg") == "undeclared-unit"


def test_a_column_may_not_contradict_the_fixed_unit() -> None:
    made = reader("systolic", unit="mmHg", unit_column="u")
    assert str(recorded(made, "120", "mm Hg").value) == "120"
    assert str(recorded(made, "120", "").value) == "120"
    assert held(made, "16.0", "kPa") == "undeclared-unit"


def test_units_in_the_text() -> None:
    made = reader("temperature", unit_in_text=True, units=["°C", "°F"])
    assert str(recorded(made, "37.0 °C").value) == "37.0"
    assert str(recorded(made, "98.6°F").value) == "37.0"
    assert str(recorded(made, "37.0\u00a0°C").value) == "37.0"
    assert held(made, "37.0") == "undeclared-unit"
    assert held(made, "37.0 K") == "undeclared-unit"
    assert held(made, "37.0 C") == "undeclared-unit"
    assert held(made, "1e3") == "number-malformed"


def test_a_percent_sign_in_the_text() -> None:
    made = reader("spo2", unit="%", unit_in_text=True)
    assert str(recorded(made, "98%").value) == "98"
    assert str(recorded(made, "98 %").value) == "98"
    assert str(recorded(made, "98").value) == "98"
    assert held(made, "98 pc") == "undeclared-unit"


def test_text_and_column_may_not_contradict_each_other() -> None:
    made = reader("temperature", unit_in_text=True, unit_column="u", units=["C", "F"])
    assert str(recorded(made, "37.0 C", "C").value) == "37.0"
    assert held(made, "98.6 F", "C") == "undeclared-unit"


# Two-part units


@pytest.mark.parametrize(
    ("vital", "unit", "text", "value", "source", "source_unit"),
    [
        ("height", "ft in", "5 ft 10 in", "177.8", "70", "[in_i]"),
        ("height", "ft in", "5'10\"", "177.8", "70", "[in_i]"),
        ("height", "ft in", "5' 10''", "177.8", "70", "[in_i]"),
        ("height", "ft in", "5'10", "177.8", "70", "[in_i]"),
        ("height", "ft in", "5ft10.5in", "179.1", "70.5", "[in_i]"),
        ("height", "ft in", "5 FT 10 IN", "177.8", "70", "[in_i]"),
        ("height", "ft in", "6 ft", "182.9", "72", "[in_i]"),
        ("height", "ft in", "70 in", "177.8", "70", "[in_i]"),
        ("weight", "lb oz", "7 lb 8 oz", "3.40", "120", "[oz_av]"),
        ("weight", "lb oz", "7lb 8.5oz", "3.42", "120.5", "[oz_av]"),
        ("weight", "st lb", "11 st 4 lb", "71.67", "158", "[lb_av]"),
        ("weight", "st lb", "11st4", "71.67", "158", "[lb_av]"),
    ],
)
def test_two_part_units(vital: str, unit: str, text: str, value: str, source: str, source_unit: str) -> None:
    found = recorded(reader(vital, unit=unit), text)
    assert (str(found.value), str(found.source_value), found.source_unit) == (value, source, source_unit)


@pytest.mark.parametrize(
    "text",
    [
        "5 ft 12 in",
        "5 ft 13",
        "5.5 ft 2 in",
        "5.11",
        "5.11 ft",
        "-5 ft 2 in",
        "5 ft -2 in",
        "5-10",
        "5 10",
        "5/10",
        "70",
    ],
)
def test_two_part_texts_that_may_mean_something_else_are_held(text: str) -> None:
    assert held(reader("height", unit="ft in"), text) in ("number-malformed", "undeclared-unit")


def test_a_two_part_text_needs_a_declared_two_part_unit() -> None:
    assert held(reader("height", unit="ft"), "5 ft 10 in") == "number-malformed"
    made = reader("height", unit_in_text=True, units=["ft in", "cm"])
    assert str(recorded(made, "5 ft 10 in").value) == "177.8"
    assert str(recorded(made, "177.8 cm").value) == "177.8"
    by_column = reader("height", unit_column="u", units=["ft in", "in"])
    assert str(recorded(by_column, "5'10\"", "ft in").value) == "177.8"
    assert held(by_column, "5'10\"", "in") == "number-malformed"
    assert held(by_column, "5'10\"", "") == "number-malformed"


def test_a_two_part_text_in_its_own_second_unit_is_not_converted() -> None:
    found = recorded(reader("height", unit="ft in", record_unit="[in_i]"), "5 ft 10.50 in")
    assert (str(found.value), found.unit) == ("70.50", "[in_i]")


# Patterns


PATTERN = r"(?P<systolic>[^/]+)/(?P<diastolic>[^( ]+)(?: ?\((?P<mean_pressure>[^)]*)\))?"


def blood_pressure(vital: str) -> ValueReader:
    sources = {
        key: {"column": "nibp", "pattern": PATTERN, "unit": "mmHg"}
        for key in ("systolic", "diastolic", "mean_pressure")
    }
    made = mapping(sources, absent={"--": "not-performed", "Q7": "error"})
    return ValueReader(vital, made.vitals[vital], made)


def test_a_pattern_takes_its_group() -> None:
    assert recorded(blood_pressure("systolic"), "120/80 (93)").value == 120
    assert recorded(blood_pressure("diastolic"), " 120/80 (93) ").value == 80
    mean = recorded(blood_pressure("mean_pressure"), "120/80 (93)")
    assert (mean.value, mean.text) == (Decimal(93), "93")


def test_a_group_that_took_no_part_is_no_reading() -> None:
    assert blood_pressure("mean_pressure").read("120/80") is None
    assert blood_pressure("mean_pressure").read("120/80 ()") is None


def test_a_token_counts_for_the_cell_and_for_a_group() -> None:
    for vital in ("systolic", "diastolic", "mean_pressure"):
        found = blood_pressure(vital).read("Q7")
        assert found is not None
        assert (found.outcome, found.reason) == (Outcome.ABSENT, "error")
    assert recorded(blood_pressure("systolic"), "120/--").value == 120
    found = blood_pressure("diastolic").read("120/--")
    assert found is not None
    assert (found.outcome, found.reason, found.text) == (Outcome.ABSENT, "not-performed", "--")
    assert blood_pressure("systolic").read("") is None


def test_a_pattern_must_fit_the_whole_text() -> None:
    assert held(blood_pressure("systolic"), "120") == "pattern-not-matched"
    assert held(blood_pressure("systolic"), "120/80 (93) x") == "pattern-not-matched"
    assert held(blood_pressure("systolic"), "ab/80") == "undeclared-token"


# Answers, sites, methods


def test_coded_answers() -> None:
    made = reader("consciousness", codes={"A": "alert", "U": "unresponsive"}, absent={"-": "not-performed"})
    found = recorded(made, " A ")
    assert (found.code, found.value, found.unit) == ("alert", None, "")
    assert held(made, "C") == "undeclared-answer"
    assert held(made, "a") == "undeclared-answer"
    assert made.read("") is None
    absent = made.read("-")
    assert absent is not None
    assert absent.outcome is Outcome.ABSENT


def test_sites() -> None:
    fixed = reader("temperature", unit="C", site="oral", method="automatic")
    assert (recorded(fixed, "37.0").site, recorded(fixed, "37.0").method) == ("oral", "automatic")
    column = reader("temperature", unit="C", site={"column": "s", "values": {"O": "oral", "R": "rectal"}})
    assert recorded(column, "37.0", "", " R ").site == "rectal"
    assert recorded(column, "37.0", "", "").site == ""
    assert held(column, "37.0", "", "X") == "undeclared-site"


# Messages


def test_shown_quotes_short_plain_texts_only() -> None:
    assert shown("NOSIG") == '"NOSIG"'
    assert shown("120/80 (93)") == "a text of 11 characters"
    assert shown("Smith, John") == '"Smith, John"'
    assert shown("1234567890123") == "a text of 13 characters"
    assert shown("ä") == "a text of 1 characters"
    assert shown('5"') == "a text of 2 characters"


def test_messages_show_no_long_text() -> None:
    secret = "Petronella Quillfeather, ward 7"
    for made in (reader("spo2", unit="%"), blood_pressure("systolic"), reader("consciousness", codes={"A": "alert"})):
        found = made.read(secret)
        assert found is not None
        assert "Petronella" not in found.noticed[0].message
    column = reader("spo2", unit_column="u", units=["%"], site={"column": "s", "values": {"F": "finger"}})
    for texts in (("98", secret, ""), ("98", "%", secret)):
        found = column.read(*texts)
        assert found is not None
        assert "Petronella" not in found.noticed[0].message


@pytest.mark.parametrize(
    ("vital", "source", "says"),
    [
        ("spo3", {}, "no vital"),
        ("spo2", {"unit": "mmHg"}, "not a unit of oxygen saturation"),
        ("spo2", {"units": {"x": "furlong"}}, "not a unit"),
        ("height", {"unit": "m", "record_unit": "m"}, "cannot be in m"),
        ("spo2", {"unit": "%", "pattern": "("}, "not a regular expression"),
        ("spo2", {"unit": "%", "pattern": "(?P<sat>.*)"}, "no group named spo2"),
    ],
)
def test_a_mapping_that_cannot_be_used(vital: str, source: dict[str, Any], says: str) -> None:
    with pytest.raises(MappingError, match=says):
        reader(vital, **source)
