"""Checks between the readings of one set."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from gateway.checks import SetChecks, rules
from gateway.errors import MappingError
from gateway.mapping.model import Mapping
from gateway.model import Effect, Outcome, Reading


def mapping(**more: Any) -> Mapping:
    return Mapping.model_validate(
        {
            "title": "Invented", "version": "1", "form": "delimited", "namespace": "https://example.org/spot",
            "delimited": {"layout": "wide"},
            "time": {"columns": ["t"], "formats": ["%Y-%m-%d"], "zone": "UTC"},
            "patient": {"column": "p", "system": "https://example.org/mrn"},
            "vitals": {"heart_rate": {"column": "hr", "unit": "/min"}},
            **more,
        }
    )  # fmt: skip


def readings(**numbers: str) -> dict[str, Reading]:
    """Readings of a set, each as "number unit", a coded one as its answer."""
    found = {}
    for vital, text in numbers.items():
        number, _, unit = text.partition(" ")
        if not unit:
            found[vital] = Reading(vital, text, Outcome.RECORDED, code=text)
            continue
        value = Decimal(number)
        found[vital] = Reading(
            vital, text, Outcome.RECORDED, value=value, exact=Fraction(value), unit=unit, source_value=value,
            source_unit=unit,
        )  # fmt: skip
    return found


def spoken(found: dict[str, Reading], category: str = "adult") -> list[str]:
    checks = SetChecks(mapping(), found)
    return [rule.slug for rule in checks.rules if checks.apply(rule, found, category)]


@pytest.mark.parametrize(
    ("systolic", "diastolic", "mean", "expected"),
    [
        ("120", "80", "93", []),
        # Rounded to whole numbers, 50.4 and 50.2 are both 50; PMID 32694334 has the mean at 23 % to 58 %.
        ("52", "50", "50", ["pulse-pressure-narrow"]),
        ("55", "50", "50", ["pulse-pressure-narrow"]),
        ("56", "50", "50", ["pressure-order", "pulse-pressure-narrow"]),
        ("52", "50", "52", ["pulse-pressure-narrow"]),
        ("54", "50", "54", ["pressure-order", "pulse-pressure-narrow"]),
        ("50", "50", "50", ["pressure-order", "pulse-pressure-narrow"]),
        ("52", "50", "49", ["pressure-order", "pulse-pressure-narrow"]),
        ("52", "50", "53", ["pressure-order", "pulse-pressure-narrow"]),
        ("80", "120", "", ["pressure-order"]),
        ("120", "80", "80", ["pressure-order"]),
        ("120", "80", "79", ["pressure-order"]),
        ("120", "80", "120", ["pressure-order"]),
        ("120", "80", "130", ["pressure-order"]),
        ("120", "", "120", ["pressure-order"]),
        ("", "80", "80", ["pressure-order"]),
        ("120", "", "93", []),
        ("80", "80", "", ["pulse-pressure-narrow"]),
        ("89", "80", "", ["pulse-pressure-narrow"]),
        ("90", "80", "", []),
        # 15 % and 65 % of 40 are 6 and 26.
        ("120", "80", "86", []),
        ("120", "80", "85", ["mean-out-of-place"]),
        ("120", "80", "106", []),
        ("120", "80", "107", ["mean-out-of-place"]),
        ("84", "80", "83", ["pulse-pressure-narrow"]),
    ],
)
def test_pressures(systolic: str, diastolic: str, mean: str, expected: list[str]) -> None:
    given = {"systolic": systolic, "diastolic": diastolic, "mean_pressure": mean}
    assert spoken(readings(**{vital: f"{text} mm[Hg]" for vital, text in given.items() if text})) == expected


def test_pressures_in_different_units_are_compared_exactly() -> None:
    assert spoken(readings(systolic="16.0 kPa", diastolic="80 mm[Hg]")) == []
    assert spoken(readings(systolic="10.0 kPa", diastolic="80 mm[Hg]")) == ["pressure-order"]


@pytest.mark.parametrize(
    ("cuff", "oximeter", "differs"),
    [("60", "72", False), ("60", "73", True), ("73", "60", True), ("100", "120", False), ("150", "170", False),
     ("150", "171", True)],
)  # fmt: skip
def test_pulses(cuff: str, oximeter: str, differs: bool) -> None:
    found = readings(pulse_cuff=f"{cuff} /min", pulse_oximeter=f"{oximeter} /min")
    assert spoken(found) == (["pulse-disagreement"] if differs else [])


@pytest.mark.parametrize(
    ("category", "weight", "height", "expected"),
    [
        # "About BMI", Centers for Disease Control and Prevention: 68 kg and 165 cm give 24.98 (from memory).
        ("adult", "68 kg", "165 cm", []),
        ("adult", "172.4 kg", "70 cm", ["bmi-implausible"]),  # 69.98 inches, written as centimetres
        ("adult", "176 kg", "70 cm", ["bmi-implausible"]),  # exchanged
        ("adult", "154.3 [lb_av]", "70 [in_i]", []),
        ("adult", "154.3 kg", "132 cm", ["bmi-doubtful"]),
        ("adult", "70 kg", "275 cm", ["bmi-doubtful"]),
        ("adult", "30.9 kg", "176 cm", ["bmi-doubtful"]),  # 68.1 kg, made into kilograms twice
        ("adult", "15 kg", "176 cm", ["bmi-implausible"]),
        ("neonate", "3.4 kg", "50 cm", []),
        ("neonate", "7.9 kg", "50 cm", ["bmi-implausible"]),
        ("infant", "9 kg", "72 cm", []),
        ("child", "16 kg", "103 cm", []),
        ("child", "103 kg", "16 m", ["bmi-implausible"]),
        # Of an unknown category nothing is held that could be right in any.
        ("unknown", "3.4 kg", "50 cm", []),
        ("unknown", "176 kg", "70 cm", ["bmi-implausible"]),
    ],
)
def test_weight_and_height_imply_an_index(category: str, weight: str, height: str, expected: list[str]) -> None:
    assert spoken(readings(weight=weight, height=height), category) == expected


def test_exchanged_numbers_are_named() -> None:
    found = readings(weight="176 kg", height="70 cm")
    noticed = SetChecks(mapping(), found).apply(rules()["bmi-implausible"], found, "adult")
    assert noticed is not None
    assert noticed.message == (
        "176 kg and 70 cm give an index of 359.2 kg/m2; 7 to 150 can be; the two numbers exchanged give 22.6"
    )


def test_limits_of_the_mapping_count_for_what_is_implied() -> None:
    found = readings(weight="154.3 kg", height="132 cm")
    own = mapping(plausibility={"profile": "proposal", "limits": {"adult": {"bmi": {"hold": [10, 60]}}}})
    checks = SetChecks(own, found)
    assert [rule.slug for rule in checks.rules if checks.apply(rule, found, "adult")] == ["bmi-implausible"]


@settings(max_examples=300)
@given(st.integers(0, 20), st.integers(1, 150), st.integers(0, 100), st.sampled_from([Decimal(1), Decimal("0.1")]))
def test_no_pressures_that_a_monitor_rounded_are_out_of_order(low: int, apart: int, place: int, unit: Decimal) -> None:
    """True pressures with a mean at 23 % to 58 % (PMID 32694334), each rounded by itself."""
    diastolic = Fraction(40) + Fraction(low, 20)
    systolic = diastolic + Fraction(apart, 3)
    mean = diastolic + (systolic - diastolic) * (Fraction(23, 100) + Fraction(35, 100) * Fraction(place, 100))

    def shown(value: Fraction) -> str:
        return f"{Decimal(round(value / Fraction(unit))) * unit} mm[Hg]"

    found = readings(systolic=shown(systolic), diastolic=shown(diastolic), mean_pressure=shown(mean))
    assume(found["systolic"].value != found["diastolic"].value)
    assert not {"pressure-order", "mean-out-of-place"} & set(spoken(found))


@pytest.mark.parametrize(
    ("bmi", "weight", "height", "agrees"),
    [
        ("22.9", "70.0 kg", "175 cm", True),
        ("22.8", "70.0 kg", "175 cm", True),
        ("23.6", "70.0 kg", "175 cm", False),
        ("22.9", "70 kg", "1.75 m", True),
        ("32.9", "70.0 kg", "175 cm", False),
        # 22.857 from finely given numbers: rounded or cut to one decimal it is 22.9 or 22.8.
        ("22.9", "70.00 kg", "1.7500 m", True),
        ("22.8", "70.00 kg", "1.7500 m", True),
        ("23.0", "70.00 kg", "1.7500 m", False),
        ("22.7", "70.00 kg", "1.7500 m", False),
        # One exported in pounds and inches: 154 lb and 69 in give 22.7.
        ("22.7", "154 [lb_av]", "69 [in_i]", True),
        ("25.0", "154 [lb_av]", "69 [in_i]", False),
        # An infant's coarse height leaves much room.
        ("15.0", "4.2 kg", "0.5 m", True),
    ],
)
def test_body_mass_index(bmi: str, weight: str, height: str, agrees: bool) -> None:
    found = readings(bmi=f"{bmi} kg/m2", weight=weight, height=height)
    assert spoken(found) == ([] if agrees else ["bmi-mismatch"])


def test_the_precision_of_the_export_counts_after_conversion() -> None:
    found = readings(bmi="22.7 kg/m2", weight="69.9 kg", height="177.8 cm")
    assert spoken(found) == ["bmi-mismatch"]
    # The same height exported in whole inches is known to the inch only.
    found["height"].source_value, found["height"].source_unit = Decimal(70), "[in_i]"
    assert spoken(found) == []


def test_two_of_three_are_not_a_body_mass_index() -> None:
    assert spoken(readings(bmi="99 kg/m2", weight="70 kg")) == []
    assert spoken(readings(weight="70 kg", height="175 cm")) == []


def test_held_absent_and_compared_readings_are_left_out() -> None:
    wrong = readings(systolic="80 mm[Hg]", diastolic="120 mm[Hg]")
    assert spoken(wrong) == ["pressure-order"]
    wrong["systolic"].outcome = Outcome.HELD
    assert spoken(wrong) == []
    wrong["systolic"].outcome, wrong["systolic"].comparator = Outcome.RECORDED, "<"
    assert spoken(wrong) == []
    wrong["systolic"].comparator, wrong["systolic"].exact = "", None
    assert spoken(wrong) == []


def test_only_rules_that_can_speak_are_asked() -> None:
    assert [rule.slug for rule in SetChecks(mapping(), ["systolic", "spo2"]).rules] == []
    assert [rule.slug for rule in SetChecks(mapping(), ["systolic", "mean_pressure"]).rules] == [
        "mean-out-of-place", "pressure-order",
    ]  # fmt: skip
    off = mapping(rules={"pressure-order": "off"})
    assert [rule.slug for rule in SetChecks(off, ["systolic", "diastolic"]).rules] == [
        "mean-out-of-place", "pulse-pressure-narrow",
    ]  # fmt: skip


def test_the_effect_is_the_mappings_where_the_rule_allows_it() -> None:
    assert SetChecks(mapping(), []).effect("pressure-order") is Effect.HOLD
    assert SetChecks(mapping(rules={"pressure-order": "flag"}), []).effect("pressure-order") is Effect.FLAG
    with pytest.raises(MappingError, match="panel-member-held"):
        SetChecks(mapping(rules={"panel-member-held": "off"}), [])


def test_the_message_names_both_values() -> None:
    found = readings(systolic="80 mm[Hg]", diastolic="120 mm[Hg]")
    noticed = SetChecks(mapping(), found).apply(rules()["pressure-order"], found, "adult")
    assert noticed is not None
    assert noticed.message == "diastolic 120 mmHg is above systolic 80 mmHg"


# The scores of the answers: MII ICU module f94ca2c, MII_VS_ICU_Component_GCS_*; the total runs from 3 to 15 (LOINC
# 9269-2).
@pytest.mark.parametrize(
    ("total", "eye", "verbal", "motor", "expected"),
    [
        ("15", "eye_4", "verbal_5", "motor_6", []),
        ("3", "eye_1", "verbal_1", "motor_1", []),
        ("14", "eye_4", "verbal_4", "motor_6", []),
        ("14", "eye_4", "verbal_5", "motor_6", ["coma-total"]),
        ("8", "eye_2", "verbal_2", "motor_5", ["coma-total"]),
    ],
)
def test_coma_scores(total: str, eye: str, verbal: str, motor: str, expected: list[str]) -> None:
    found = readings(coma_score=f"{total} {{score}}", coma_eye=eye, coma_verbal=verbal, coma_motor=motor)
    assert spoken(found) == expected
    for part in ("coma_score", "coma_eye", "coma_verbal", "coma_motor"):
        assert spoken({vital: reading for vital, reading in found.items() if vital != part}) == []


@given(st.integers(1, 4), st.integers(1, 5), st.integers(1, 6), st.integers(3, 15))
def test_a_coma_score_is_the_sum_of_its_parts_and_nothing_else(eye: int, verbal: int, motor: int, total: int) -> None:
    parts = {"coma_eye": f"eye_{eye}", "coma_verbal": f"verbal_{verbal}", "coma_motor": f"motor_{motor}"}
    found = readings(coma_score=f"{total} {{score}}", **parts)
    assert (spoken(found) == []) == (total == eye + verbal + motor)


# A flow of 0 says room air: US Core 9.0.0, CONF-0453. Air has 21 % oxygen: common practice, no source.
@pytest.mark.parametrize(
    ("device", "flow", "share", "contradicts"),
    [
        ("air", "0 L/min", "21 %", False),
        ("air", "", "22 %", False),
        ("air", "0.5 L/min", "", True),
        ("air", "", "28 %", True),
        ("nasal_cannula", "2 L/min", "", False),
        ("nasal_cannula", "2 L/min", "28 %", False),
        ("mask", "0 L/min", "", True),
        ("oxygen", "", "21 %", False),
        ("", "4 L/min", "21 %", False),
    ],
)
def test_air_and_oxygen(device: str, flow: str, share: str, contradicts: bool) -> None:
    stated = {"oxygen_device": device, "oxygen_flow": flow, "oxygen_concentration": share}
    found = readings(**{vital: text for vital, text in stated.items() if text})
    assert spoken(found) == ["oxygen-contradiction"] * contradicts
