"""Checks of single readings."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal
from fractions import Fraction
from typing import Any

import pytest

from gateway import vocabulary
from gateway.checks import ReadingChecks, effects, rules
from gateway.errors import MappingError
from gateway.mapping.model import Mapping
from gateway.model import Effect, Noticed, Outcome, Reading


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


def reading(vital: str, number: str, unit: str, comparator: str = "", **more: Any) -> Reading:
    value = Decimal(number)
    fields = {"value": value, "exact": Fraction(value), "source_value": value, "source_unit": unit, **more}
    return Reading(vital, number, Outcome.RECORDED, unit=unit, comparator=comparator, **fields)


def checked(vital: str, number: str, unit: str, category: str = "adult", comparator: str = "", **more: Any) -> str:
    """The one rule that speaks, or ""."""
    after = ReadingChecks(mapping(**more)).apply(reading(vital, number, unit, comparator), category)
    assert len(after.noticed) <= 1
    return after.noticed[0].rule if after.noticed else ""


# The proposed limits, for clinical sign-off (no published source); all inclusive.
@pytest.mark.parametrize(
    ("vital", "number", "unit", "category", "rule"),
    [
        ("systolic", "40", "mm[Hg]", "adult", "outside-flag-limits"),
        ("systolic", "39", "mm[Hg]", "adult", "outside-hold-limits"),
        ("systolic", "60", "mm[Hg]", "adult", ""),
        ("systolic", "240", "mm[Hg]", "adult", ""),
        ("systolic", "241", "mm[Hg]", "adult", "outside-flag-limits"),
        ("systolic", "300", "mm[Hg]", "adult", "outside-flag-limits"),
        ("systolic", "300.1", "mm[Hg]", "adult", "outside-hold-limits"),
        ("systolic", "151", "mm[Hg]", "neonate", "outside-hold-limits"),
        ("systolic", "151", "mm[Hg]", "infant", "outside-flag-limits"),
        ("systolic", "151", "mm[Hg]", "adult", ""),
        ("systolic", "20", "mm[Hg]", "unknown", "outside-flag-limits"),
        ("systolic", "19", "mm[Hg]", "unknown", "outside-hold-limits"),
        ("systolic", "40.1", "kPa", "adult", "outside-hold-limits"),
        ("systolic", "16.0", "kPa", "adult", ""),
        ("temperature", "44.5", "Cel", "child", "outside-hold-limits"),
        ("temperature", "44.5", "Cel", "adult", "outside-flag-limits"),
        ("temperature", "98.6", "[degF]", "adult", ""),
        ("temperature", "113", "[degF]", "adult", "outside-flag-limits"),
        ("temperature", "113.1", "[degF]", "adult", "outside-hold-limits"),
        ("respiratory_rate", "81", "/min", "adult", "outside-hold-limits"),
        ("respiratory_rate", "81", "/min", "neonate", ""),
        ("weight", "8.1", "kg", "neonate", "outside-hold-limits"),
        ("spo2", "101", "%", "adult", "outside-hold-limits"),
        ("spo2", "100", "%", "adult", ""),
        ("glucose", "5.5", "mmol/L", "adult", ""),
        # What passed unmarked when these had no second limit.
        ("respiratory_rate", "79", "/min", "adult", "outside-flag-limits"),
        ("diastolic", "199", "mm[Hg]", "adult", "outside-flag-limits"),
        ("weight", "399", "kg", "adult", "outside-flag-limits"),
        ("height", "61", "cm", "adult", "outside-flag-limits"),
    ],
)
def test_limits_are_inclusive_and_follow_the_category_and_the_unit(
    vital: str, number: str, unit: str, category: str, rule: str
) -> None:
    assert checked(vital, number, unit, category) == rule


@pytest.mark.parametrize(
    ("number", "comparator", "rule"),
    [("300", ">", "outside-hold-limits"), ("300", ">=", "outside-flag-limits"), ("40", "<", "outside-hold-limits"),
     ("40", "<=", "outside-flag-limits"), ("120", "<", "")],
)  # fmt: skip
def test_a_comparator_at_a_limit_lies_beyond_it(number: str, comparator: str, rule: str) -> None:
    assert checked("systolic", number, "mm[Hg]", comparator=comparator) == rule


@pytest.mark.parametrize(
    ("vital", "number", "unit", "says"),
    [
        ("temperature", "36.8", "[degF]", "reads like degC"),
        ("temperature", "98.6", "Cel", "reads like degF"),
        ("temperature", "310", "Cel", "reads like K"),
        ("temperature", "36.8", "K", "reads like degC"),
        ("spo2", "0.97", "%", "reads like a fraction"),
        ("spo2", "1", "%", "reads like a fraction"),
        ("spo2", "97", "1", "is declared as a fraction"),
        ("oxygen_concentration", "0.21", "%", "reads like a fraction"),
        ("height", "1.75", "cm", "reads like m"),
        ("height", "175", "m", "reads like cm"),
    ],
)
def test_a_probable_unit_mix_up_is_held_and_not_converted(vital: str, number: str, unit: str, says: str) -> None:
    before = reading(vital, number, unit)
    after = ReadingChecks(mapping()).apply(before, "adult")
    assert after.outcome is Outcome.HELD
    assert [noticed.rule for noticed in after.noticed] == ["probable-unit-mix-up"]
    assert says in after.noticed[0].message.replace("\N{DEGREE SIGN}", "deg")
    assert (after.value, after.exact, after.unit) == (before.value, before.exact, before.unit)


# A unit: from the group's first unit into it, and its name. NIST SP 811, appendix B.8, for the temperatures.
TEMPERATURES: dict[str, tuple[Callable[[Fraction], Fraction], str]] = {
    "Cel": (lambda celsius: celsius, "degC"),
    "[degF]": (lambda celsius: celsius * 9 / 5 + 32, "degF"),
    "K": (lambda celsius: celsius + Fraction("273.15"), "K"),
}
SHARES = {"%": (lambda share: share, "%"), "1": (lambda share: share / 100, "a fraction")}
LENGTHS = {"cm": (lambda length: length, "cm"), "m": (lambda length: length / 100, "m")}
# What is usual for a patient, in the group's first unit: temperatures of 25 to 45 degrees, shares from that of oxygen
# in air on, lengths of 20 to 275 cm.
USUAL: dict[str, tuple[dict[str, tuple[Callable[[Fraction], Fraction], str]], int, int]] = {
    "temperature": (TEMPERATURES, 25, 45),
    "spo2": (SHARES, 21, 100),
    "oxygen_concentration": (SHARES, 21, 100),
    "height": (LENGTHS, 20, 275),
}


@pytest.mark.parametrize(
    ("vital", "declared", "meant"),
    [
        (vital, declared, meant)
        for vital, (units, _, _) in USUAL.items()
        for declared in units
        for meant in units
        if meant != declared
    ],
)
def test_what_is_usual_in_one_unit_is_known_under_every_other(vital: str, declared: str, meant: str) -> None:
    units, low, high = USUAL[vital]
    into, name = units[meant]
    bit = Fraction(1, 1000)
    for usual in (*map(Fraction, range(low, high + 1)), low + bit, high - bit, low - bit, high + bit):
        exported = into(Fraction(usual))
        number = str(Decimal(exported.numerator) / exported.denominator)
        after = ReadingChecks(mapping()).apply(reading(vital, number, declared), "adult")
        said = [noticed.message for noticed in after.noticed if noticed.rule == "probable-unit-mix-up"]
        if low <= usual <= high:
            assert len(said) == 1
            assert said[0].endswith(f" but reads like {name}")
            assert after.outcome is Outcome.HELD
        else:
            assert said == []


@pytest.mark.parametrize("vital", ["glucose", "glucose_plasma", "glucose_venous"])
@pytest.mark.parametrize(
    ("number", "unit", "says"),
    [("5.5", "mg/dL", "mmol/L"), ("17.9", "mg/dL", "mmol/L"), ("100", "mmol/L", "mg/dL"), ("33.4", "mmol/L", "mg/dL")],
)
def test_a_glucose_that_no_meter_shows_in_its_unit_is_held(vital: str, number: str, unit: str, says: str) -> None:
    """Between 18 and 33 either unit can be meant; a meter's display ends at 33.3 mmol/L, which are 600 mg/dL."""
    after = ReadingChecks(mapping()).apply(reading(vital, number, unit), "adult")
    assert [(noticed.rule, noticed.message.rpartition("like ")[2]) for noticed in after.noticed] == [
        ("probable-unit-mix-up", says)
    ]
    assert after.outcome is Outcome.HELD


@pytest.mark.parametrize("category", ["neonate", "infant", "child", "adult"])
def test_every_number_has_both_limits_in_every_category(category: str) -> None:
    for key, vital in vocabulary.vitals().items():
        if not vital.units:
            continue
        limits = vocabulary.limits("proposal", category, key)
        assert limits is not None, key
        assert limits.hold is not None, key
        assert limits.flag is not None, key
        assert limits.hold[0] <= limits.flag[0] < limits.flag[1] <= limits.hold[1], key


def test_the_unit_that_counts_is_the_exported_one() -> None:
    # 36.8 in a Fahrenheit column, already converted to Celsius for the record.
    exact = (Fraction("36.8") - 32) * 5 / 9
    before = reading("temperature", "2.7", "Cel", exact=exact, source_value=Decimal("36.8"), source_unit="[degF]")
    after = ReadingChecks(mapping()).apply(before, "adult")
    assert [noticed.rule for noticed in after.noticed] == ["probable-unit-mix-up"]
    assert after.value == Decimal("2.7")


@pytest.mark.parametrize(
    ("vital", "number", "unit", "rule"),
    [
        # Units whose usual numbers overlap are never guessed.
        ("systolic", "16", "mm[Hg]", "outside-hold-limits"),
        ("weight", "154", "kg", ""),
        ("glucose", "25", "mg/dL", ""),
        ("glucose", "30", "mmol/L", ""),
        ("glucose", "18", "mg/dL", "outside-flag-limits"),
        ("glucose", "33.3", "mmol/L", ""),
    ],
)
def test_overlapping_units_are_not_guessed(vital: str, number: str, unit: str, rule: str) -> None:
    assert checked(vital, number, unit) == rule


@pytest.mark.parametrize(
    ("vital", "number", "unit", "rule"),
    [
        ("heart_rate", "0", "/min", "sentinel-number"),
        ("heart_rate", "0.0", "/min", "sentinel-number"),
        ("systolic", "0", "mm[Hg]", "sentinel-number"),
        ("temperature", "0", "Cel", "sentinel-number"),
        ("pain", "0", "{score}", ""),
        ("oxygen_flow", "0", "L/min", ""),
        ("heart_rate", "-1", "/min", "sentinel-number"),
        ("heart_rate", "511", "/min", "sentinel-number"),
        ("spo2", "127", "%", "sentinel-number"),
        ("spo2", "99", "%", ""),
        ("heart_rate", "255", "/min", "outside-flag-limits"),
        ("systolic", "255", "mm[Hg]", "outside-flag-limits"),
        ("diastolic", "255", "mm[Hg]", "sentinel-number"),
        ("temperature", "999.9", "Cel", "sentinel-number"),
        ("weight", "32767", "kg", "sentinel-number"),
        ("heart_rate", "512", "/min", "outside-hold-limits"),
    ],
)
def test_sentinel_numbers(vital: str, number: str, unit: str, rule: str) -> None:
    assert checked(vital, number, unit) == rule


# As exported by a monitor set to Fahrenheit: sentinels that are no temperature of a patient (25 to 45 degrees Celsius
# are 77 to 113 Fahrenheit), some that could be, and what is a sentinel's number in Celsius only.
@pytest.mark.parametrize(
    ("exported", "rule"),
    [
        *((number, "sentinel-number") for number in (
            "-32768", "-9999", "-999", "-99", "-9", "-1", "0", "127", "255", "511", "888", "888.8", "999", "999.9",
            "1023", "2047", "4095", "8191", "9999", "32767", "32768", "65535", "99999",
        )),
        ("99", ""), ("99.9", ""), ("-146.2", "outside-hold-limits"), ("210.2", "outside-hold-limits"),
        ("491", "outside-hold-limits"), ("1830.2", "outside-hold-limits"), ("15.8", "outside-hold-limits"),
    ],
)  # fmt: skip
def test_a_sentinel_is_known_by_the_number_the_monitor_printed(exported: str, rule: str) -> None:
    celsius = (Fraction(exported) - 32) * 5 / 9
    shown = str(round(float(celsius), 1))
    source: dict[str, Any] = {"exact": celsius, "source_value": Decimal(exported), "source_unit": "[degF]"}
    after = ReadingChecks(mapping()).apply(reading("temperature", shown, "Cel", **source), "adult")
    assert [noticed.rule for noticed in after.noticed] == ([rule] if rule else [])
    if rule == "sentinel-number":
        assert after.noticed[0].message.split()[0].replace(",", "") == exported


@pytest.mark.parametrize(("number", "rule"), [("511", "sentinel-number"), ("0", "sentinel-number"), ("72", "")])
def test_a_sentinel_is_known_where_only_the_exact_value_is(number: str, rule: str) -> None:
    after = ReadingChecks(mapping()).apply(reading("heart_rate", number, "/min", source_value=None), "adult")
    assert [noticed.rule for noticed in after.noticed] == ([rule] if rule else [])


def test_zero_is_a_sentinel_even_where_the_limits_allow_it() -> None:
    assert checked("heart_rate", "0", "/min", plausibility={"profile": "published"}) == "sentinel-number"
    assert checked("heart_rate", "1", "/min", plausibility={"profile": "published"}) == ""


def test_without_limits_only_impossible_sentinels_are_held() -> None:
    none = {"profile": "published"}
    assert checked("pain", "99", "{score}", plausibility=none) == ""
    assert checked("pain", "9999", "{score}", plausibility=none) == "sentinel-number"
    assert checked("pain", "-1", "{score}", plausibility=none) == "sentinel-number"


@pytest.mark.parametrize(
    ("number", "unit", "comparator", "rule"),
    [
        ("70", "%", "", ""), ("69", "%", "", "spo2-outside-validated-range"),
        ("70", "%", "<", "spo2-outside-validated-range"), ("70", "%", "<=", ""),
        ("0.69", "1", "", "spo2-outside-validated-range"), ("0.97", "1", "", ""),
    ],
)  # fmt: skip
def test_low_saturation_is_told_once_and_not_marked(number: str, unit: str, comparator: str, rule: str) -> None:
    after = ReadingChecks(mapping()).apply(reading("spo2", number, unit, comparator), "adult")
    assert [noticed.rule for noticed in after.noticed] == ([rule] if rule else [])
    assert after.outcome is Outcome.RECORDED
    assert not after.flagged


@pytest.mark.parametrize(
    ("vital", "number", "unit", "category"),
    [
        ("spo2", "62", "%", "adult"), ("systolic", "245", "mm[Hg]", "adult"), ("heart_rate", "38", "/min", "adult"),
        ("temperature", "33.1", "Cel", "adult"), ("respiratory_rate", "110", "/min", "neonate"),
        ("weight", "281", "kg", "adult"),
    ],
)  # fmt: skip
def test_a_possible_true_extreme_is_never_marked_as_doubtful(vital: str, number: str, unit: str, category: str) -> None:
    """Whatever the site's policy is: recorded and told, or held for a person."""
    for policy, outcome in (({}, Outcome.RECORDED), ("hold", Outcome.HELD), ("flag", Outcome.RECORDED)):
        names = ("outside-flag-limits", "spo2-outside-validated-range")
        rules_ = dict.fromkeys(names, policy) if isinstance(policy, str) else {}
        after = ReadingChecks(mapping(rules=rules_)).apply(reading(vital, number, unit), category)
        assert (after.outcome, after.flagged) == (outcome, False)
        assert len(after.noticed) == 1
        assert rules()[after.noticed[0].rule].unusual


def test_a_reading_without_remark_is_the_same_object() -> None:
    before = reading("heart_rate", "72", "/min")
    assert ReadingChecks(mapping()).apply(before, "adult") is before


@pytest.mark.parametrize("outcome", [Outcome.HELD, Outcome.ABSENT, Outcome.UNREADABLE])
def test_only_recorded_readings_are_checked(outcome: Outcome) -> None:
    before = reading("heart_rate", "511", "/min")
    before.outcome = outcome
    assert ReadingChecks(mapping()).apply(before, "adult") is before


def test_a_coded_reading_has_no_limits() -> None:
    before = Reading("consciousness", "A", Outcome.RECORDED, code="alert")
    assert ReadingChecks(mapping()).apply(before, "adult") is before


def test_what_was_noticed_before_stays() -> None:
    earlier = Noticed("absent-declared", "an earlier remark")
    before = reading("heart_rate", "190", "/min", noticed=(earlier,))
    after = ReadingChecks(mapping()).apply(before, "adult")
    assert [noticed.rule for noticed in after.noticed] == ["absent-declared", "outside-flag-limits"]


class TestEffects:
    def test_a_hold_may_become_a_mark(self) -> None:
        after = ReadingChecks(mapping(rules={"outside-hold-limits": "flag"})).apply(
            reading("heart_rate", "415", "/min"), "adult"
        )
        assert (after.outcome, after.flagged) == (Outcome.RECORDED, True)
        assert [noticed.rule for noticed in after.noticed] == ["outside-hold-limits"]

    def test_a_note_does_not_hide_what_comes_after(self) -> None:
        after = ReadingChecks(mapping(rules={"outside-hold-limits": "note"})).apply(
            reading("heart_rate", "415", "/min"), "adult"
        )
        assert (after.outcome, after.flagged) == (Outcome.RECORDED, False)
        assert [noticed.rule for noticed in after.noticed] == ["outside-hold-limits", "outside-flag-limits"]

    def test_what_is_told_does_not_keep_a_later_rule_from_holding(self) -> None:
        held = {"outside-flag-limits": "hold"}
        after = ReadingChecks(mapping(rules=held)).apply(reading("spo2", "60", "%"), "adult")
        assert after.outcome is Outcome.HELD

    def test_a_rule_may_be_switched_off(self) -> None:
        off = {"outside-flag-limits": "off", "spo2-outside-validated-range": "off"}
        assert checked("spo2", "60", "%", rules=off) == ""

    def test_every_rule_has_an_effect(self) -> None:
        chosen = effects(mapping(rules={"pressure-order": "flag"}))
        assert chosen["pressure-order"] is Effect.FLAG
        assert chosen["time-in-dst-gap"] is Effect.HOLD

    def test_a_fixed_or_unknown_rule_is_an_error_of_the_mapping(self) -> None:
        with pytest.raises(MappingError) as caught:
            effects(mapping(rules={"sentinel-number": "off", "no-such-rule": "note", "bmi-mismatch": "note"}))
        text = str(caught.value)
        assert 'key rules.sentinel-number: the effect of rule "sentinel-number" is fixed' in text
        assert 'key rules.no-such-rule: there is no rule "no-such-rule"' in text
        assert len(caught.value.problems) == 2


class TestPlausibility:
    def test_the_mapping_may_state_its_own_limits(self) -> None:
        own = {"limits": {"adult": {"heart_rate": {"hold": [30, 200]}}}}
        assert checked("heart_rate", "201", "/min", plausibility=own) == "outside-hold-limits"
        assert checked("heart_rate", "201", "/min", "child", plausibility=own) == "outside-flag-limits"

    def test_what_the_mapping_leaves_out_stays(self) -> None:
        own = {"limits": {"adult": {"heart_rate": {"hold": [30, 200]}}}}
        assert checked("heart_rate", "190", "/min", plausibility=own) == "outside-flag-limits"

    def test_its_limits_are_in_the_unit_of_the_table(self) -> None:
        own = {"limits": {"adult": {"temperature": {"flag": [Decimal("36.0"), Decimal("38.0")]}}}}
        assert checked("temperature", "100.4", "[degF]", plausibility=own) == ""
        assert checked("temperature", "100.5", "[degF]", plausibility=own) == "outside-flag-limits"

    @pytest.mark.parametrize(
        ("own", "says"),
        [
            ({"profile": "nobodys"}, "there is no plausibility profile"),
            ({"limits": {"adult": {"heart_beat": {"hold": [1, 2]}}}}, "there is no vital"),
            ({"limits": {"adult": {"consciousness": {"hold": [1, 2]}}}}, "there is no vital"),
            ({"limits": {"adult": {"heart_rate": {"hold": [200, 30]}}}}, "lower hold limit is above"),
            ({"limits": {"adult": {"heart_rate": {"flag": [200, 30]}}}}, "lower flag limit is above"),
        ],
    )
    def test_limits_that_cannot_be_used_are_errors_of_the_mapping(self, own: dict[str, Any], says: str) -> None:
        with pytest.raises(MappingError, match=says):
            ReadingChecks(mapping(plausibility=own))


def test_messages_name_value_limits_and_unit() -> None:
    after = ReadingChecks(mapping()).apply(reading("systolic", "312", "mm[Hg]"), "adult")
    assert after.noticed[0].message == "312 mmHg is above the limits 40 to 300 mmHg"
