"""The vocabulary's face: look-ups, conversions, limits, and what loading refuses."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction
from functools import cache
from typing import Any

import pytest

from gateway.errors import VocabularyError
from gateway.vocabulary import (
    LOINC,
    MDC,
    SNOMED,
    convert,
    editions,
    limits,
    panels,
    profiles,
    tables,
    unit_for,
    units,
    vitals,
)

KEYS = [
    "systolic", "diastolic", "mean_pressure", "heart_rate", "pulse_oximeter", "pulse_cuff", "pulse", "spo2",
    "oxygen_flow", "oxygen_concentration", "temperature", "respiratory_rate", "weight", "height", "bmi",
    "head_circumference", "pain", "consciousness", "coma_score", "glucose",
]  # fmt: skip

# Numbers and OBX-4 go into identifiers of records already sent: a change here breaks idempotence at every site. What is
# new takes numbers behind these, and is added here when it is released.
PERMANENT = {
    "vital_signs": 1, "blood_pressure": 2, "systolic": 3, "diastolic": 4, "mean_pressure": 5, "heart_rate": 6,
    "pulse_oximeter": 7, "pulse_cuff": 8, "pulse": 9, "spo2": 10, "oxygen_flow": 11, "oxygen_concentration": 12,
    "temperature": 13, "respiratory_rate": 14, "weight": 15, "height": 16, "bmi": 17, "head_circumference": 18,
    "pain": 19, "consciousness": 20, "coma_score": 21, "glucose": 22,
}  # fmt: skip
SUB_IDS = {
    "systolic": "1.1.1.1", "diastolic": "1.1.1.2", "mean_pressure": "1.1.1.3", "pulse_cuff": "1.1.1.4",
    "spo2": "1.1.2.1", "pulse_oximeter": "1.1.2.2", "heart_rate": "1.1.3.1", "pulse": "1.1.3.2",
    "temperature": "1.1.4.1", "respiratory_rate": "1.1.5.1", "oxygen_flow": "1.1.6.1",
    "oxygen_concentration": "1.1.6.2", "weight": "1.1.7.1", "height": "1.1.7.2", "bmi": "1.1.7.3",
    "head_circumference": "1.1.7.4", "glucose": "1.1.8.1", "pain": "1.1.9.1", "consciousness": "1.1.9.2",
    "coma_score": "1.1.9.3",
}  # fmt: skip


def test_the_vitals_stand_in_their_order() -> None:
    assert list(vitals())[: len(KEYS)] == KEYS
    assert list(panels()) == ["vital_signs", "blood_pressure"]
    assert panels()["blood_pressure"].members == ("systolic", "diastolic", "mean_pressure")
    assert [key for key, vital in vitals().items() if vital.panel_required] == ["systolic", "diastolic"]


def test_numbers_and_sub_ids_are_permanent() -> None:
    numbers = {key: each.number for key, each in panels().items()} | {k: v.number for k, v in vitals().items()}
    assert {key: numbers.pop(key) for key in PERMANENT} == PERMANENT
    assert all(number > max(PERMANENT.values()) for number in numbers.values())
    sub_ids = {key: vital.sub_id for key, vital in vitals().items()}
    assert {key: sub_ids.pop(key) for key in SUB_IDS} == SUB_IDS


def test_every_key_inside_is_its_own_key() -> None:
    for key, vital in vitals().items():
        assert vital.key == key
        for table in (vital.sites, vital.methods, vital.answers):
            assert all(name == entry.key for name, entry in table.items())
    assert all(ucum == unit.ucum for ucum, unit in units().items())


def test_every_code_is_of_its_own_system() -> None:
    for vital in vitals().values():
        assert {coding.system for coding in vital.codings} == {LOINC}
        assert not any(coding.code.startswith("LA") for coding in vital.codings)
        assert vital.mdc is None or vital.mdc.system == MDC
        for site in vital.sites.values():
            assert site.loinc is None or site.loinc.system == LOINC
            assert site.mdc is None or (site.mdc.system == MDC and site.mdc.code.isdigit())
            assert site.snomed is None or site.snomed.system == SNOMED
        for answer in vital.answers.values():
            assert answer.coding.system == (LOINC if answer.coding.code.startswith("LA") else SNOMED)


def test_what_is_not_verified_says_so() -> None:
    codings = [c for vital in vitals().values() for c in (*vital.codings, *vital.codings_in("mmol/L"))]
    unsure = {coding.code for coding in codings if coding.confidence != "seen"}
    assert unsure >= {"67775-7", "41653-7", "14743-9"}
    assert vitals()["glucose_venous"].codings_in("mmol/L")[0].confidence == "memory"


def test_the_glucose_code_follows_the_unit() -> None:
    glucose = vitals()["glucose"]
    assert [coding.code for coding in glucose.codings_in("mg/dL")] == ["41653-7"]
    assert [coding.code for coding in glucose.codings_in("mmol/L")] == ["14743-9"]
    assert (glucose.decimals_in("mg/dL"), glucose.decimals_in("mmol/L")) == (0, 1)
    assert glucose.keep_unit
    assert glucose.category.code == "laboratory"


def test_categories() -> None:
    others = {key: vital.category.code for key, vital in vitals().items() if vital.category.code != "vital-signs"}
    assert others == {
        **dict.fromkeys(("pain", "pain_faces", "pain_line", "pain_observed"), "survey"),
        **dict.fromkeys(("consciousness", "coma_score", "coma_eye", "coma_verbal", "coma_motor"), "exam"),
        "oxygen_device": "exam",
        **dict.fromkeys(("glucose", "glucose_plasma", "glucose_venous"), "laboratory"),
    }


@pytest.mark.parametrize(
    ("text", "ucum"),
    [
        ("mmHg", "mm[Hg]"), ("MMHG", "mm[Hg]"), ("mm Hg", "mm[Hg]"), ("mm[Hg]", "mm[Hg]"), ("KPA", "kPa"),
        ("°C", "Cel"), ("\u00a0°C ", "Cel"), ("C", "Cel"), ("degF", "[degF]"), ("F", "[degF]"), ("K", "K"),
        ("lbs", "[lb_av]"), ("g", "g"), ("m", "m"), ("bpm", "/min"), ("1/min", "/min"), ("{beats}/min", "/min"),
        ("%", "%"), ("l/min", "L/min"), ("ML/MIN", "mL/min"), ("mg/dl", "mg/dL"), ("mmol/l", "mmol/L"),
        ("ft in", "[ft_i]+[in_i]"), ("lb oz", "[lb_av]+[oz_av]"), ("st lb", "[stone_av]+[lb_av]"),
    ],
)  # fmt: skip
def test_usual_spellings(text: str, ucum: str) -> None:
    unit = unit_for(text)
    assert unit is not None
    assert unit.ucum == ucum


@pytest.mark.parametrize("text", ["", " ", "G", "M", "c", "f", "rpm", "cel.", "mmH", "mm g", "5", "kk", "Pa", "°", "h"])
def test_what_is_no_spelling_is_no_unit(text: str) -> None:
    assert unit_for(text) is None


def test_no_record_unit_is_a_trap() -> None:
    """UCUM's C and F are coulomb and farad; the profiles fix /min; two-part keys are no UCUM."""
    allowed = {unit for vital in vitals().values() for unit in vital.units}
    assert allowed == {
        "mm[Hg]", "/min", "%", "L/min", "Cel", "[degF]", "kg", "[lb_av]", "g", "cm", "[in_i]", "kg/m2", "{score}",
        "mg/dL", "mmol/L",
    }  # fmt: skip


def test_conversion_is_exact_both_ways() -> None:
    assert convert(Fraction("98.6"), "[degF]", "Cel") == 37
    assert convert(Fraction(37), "Cel", "[degF]") == Fraction("98.6")
    assert convert(Fraction("310.15"), "K", "Cel") == 37
    assert convert(Fraction(70), "[ft_i]+[in_i]", "cm") == Fraction("177.8")
    assert convert(Fraction(1), "Hz", "/min") == 60
    assert convert(Fraction(7), "%", "%") == 7


def test_units_of_different_kinds_do_not_convert() -> None:
    with pytest.raises(VocabularyError, match="does not convert"):
        convert(Fraction(1), "kg", "cm")
    with pytest.raises(VocabularyError, match="does not convert"):
        convert(Fraction(100), "mg/dL", "mmol/L")
    with pytest.raises(VocabularyError, match="does not convert"):
        convert(Fraction(100), "mg/dL", "mmol/L", vital="weight")
    with pytest.raises(VocabularyError, match="no unit"):
        convert(Fraction(1), "furlong", "cm")


def test_glucose_converts_by_its_molar_mass() -> None:
    assert convert(Fraction("180.156"), "mg/dL", "mmol/L", vital="glucose") == 10
    assert convert(Fraction(10), "mmol/L", "mg/dL", vital="glucose") == Fraction("180.156")


def test_bins() -> None:
    systolic = vitals()["systolic"]  # 40 to 240 mmHg: bins of 5
    at = [systolic.bin(Fraction(value), "mm[Hg]") for value in ("39.9", "40", "44.9", "45", "239.9", "240", "240.1")]
    assert at == [-1, 0, 0, 1, 39, 39, 40]
    assert systolic.bin(Fraction(16), "kPa") == 16  # 120.01 mmHg
    spo2 = vitals()["spo2"]
    assert [spo2.bin(Fraction(value), "%") for value in (60, 61, 99, 100, 101)] == [-1, 0, 38, 39, 40]
    assert spo2.bin(Fraction("0.99"), "1") == 38


def test_limits_by_category() -> None:
    adult = limits("proposal", "adult", "systolic")
    assert adult is not None
    assert adult.hold == (Fraction(40), Fraction(300))
    assert adult.flag == (Fraction(60), Fraction(240))
    assert adult.unit == "mm[Hg]"
    assert limits("proposal", "adult", "diastolic") is not None
    assert limits("proposal", "adult", "consciousness") is None
    assert limits("proposal", "adult", "pulse_cuff") == limits("proposal", "adult", "heart_rate")


def test_an_unknown_category_gets_the_widest_limits() -> None:
    for vital in vitals():
        wide = limits("proposal", "unknown", vital)
        for category in tables.CATEGORIES:
            own = limits("proposal", category, vital)
            if own is None or wide is None:
                assert wide is None
                continue
            for name in ("hold", "flag"):
                inner, outer = getattr(own, name), getattr(wide, name)
                assert outer is None or (inner is not None and outer[0] <= inner[0] and inner[1] <= outer[1])
    systolic = limits("proposal", "unknown", "systolic")
    assert systolic is not None
    assert systolic.hold == (Fraction(20), Fraction(300))


def test_flag_limits_lie_inside_hold_limits() -> None:
    for profile in profiles():
        for vital in vitals():
            for category in (*tables.CATEGORIES, "unknown"):
                found = limits(profile, category, vital)
                if found and found.hold and found.flag:
                    assert found.hold[0] <= found.flag[0] <= found.flag[1] <= found.hold[1], (profile, vital, category)


def test_limits_name_their_source() -> None:
    for profile in profiles():
        for vital in vitals():
            found = limits(profile, "adult", vital)
            assert found is None or found.source
    assert profiles()[0] == "proposal"


def test_unknown_profile_and_category() -> None:
    with pytest.raises(VocabularyError, match="no limit profile"):
        limits("house", "adult", "spo2")
    with pytest.raises(VocabularyError, match="no patient category"):
        limits("proposal", "teenager", "spo2")


def test_editions_are_pinned() -> None:
    assert {"FHIR", "US Core", "LOINC", "UCUM", "IEEE 11073-10101", "SNOMED CT"} <= set(editions())
    assert all(edition for edition in editions().values())


def _broken(monkeypatch: pytest.MonkeyPatch, change: Any) -> None:
    """Load the tables as they would be after `change` has been made to their raw rows."""
    read = tables._read

    def changed(name: str) -> dict[str, Any]:
        raw = read(name)
        change(name, raw)
        return raw

    monkeypatch.setattr(tables, "_read", changed)
    monkeypatch.setattr(tables, "_clinical", cache(tables._clinical.__wrapped__))
    monkeypatch.setattr(tables, "_qualifiers", cache(tables._qualifiers.__wrapped__))
    monkeypatch.setattr(tables, "_limits", cache(tables._limits.__wrapped__))
    tables._clinical()
    tables._limits()


def _at(file: str, *path: str, key: str, value: Any) -> Any:
    def change(name: str, raw: dict[str, Any]) -> None:
        if name == file:
            for step in path:
                raw = raw[step]
            raw[key] = value

    return change


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (_at("vitals.toml", "vital", "spo2", key="loinc", value=[{"code": "3150-6", "display": "x"}]), "check digit"),
        (_at("qualifiers.toml", "site", "oral", key="loinc", value={"code": "8331-2", "display": "x"}), "check digit"),
        (_at("vitals.toml", "vital", "spo2", key="number", value=3), "number 3 is used by both systolic and spo2"),
        (_at("vitals.toml", "vital", "spo2", key="number", value=1), "number 1 is used by both"),
        (_at("vitals.toml", "vital", "spo2", key="sub_id", value="1.1.1.1"), "sub_id 1.1.1.1 is used by both"),
        (_at("vitals.toml", "vital", "spo2", key="units", value=["Cel"]), "not a fraction unit"),
        (_at("vitals.toml", "vital", "height", key="units", value=["[ft_i]+[in_i]"]), "not a length unit for records"),
        (_at("vitals.toml", "vital", "spo2", key="units", value=[]), "a quantity has units"),
        (_at("vitals.toml", "vital", "spo2", key="kind", value="text"), "kind 'text' is not known"),
        (_at("vitals.toml", "vital", "spo2", key="colour", value="red"), "colour is not a known key"),
        (_at("vitals.toml", "vital", "spo2", key="sites", value=["nose"]), "'nose', which qualifiers.toml"),
        (_at("vitals.toml", "vital", "spo2", key="panel", value="blood_pressure"), "does not list it as a member"),
        (
            _at("vitals.toml", "panel", "blood_pressure", key="members", value=["systolic", "diastolic", "spo2"]),
            "panel",
        ),
        (_at("vitals.toml", "vital", "spo2", key="title", value=7), "title must be of type str"),
        (_at("vitals.toml", "vital", "spo2", key="chart", value=["5", "5"]), "chart needs"),
        (_at("plausibility.toml", "profile", "proposal", "spo2", key="unit", value="kg"), "kg is not a unit of spo2"),
        (_at("plausibility.toml", "profile", "proposal", "spo2", key="all", value={"hold": ["9", "1"]}), "limits are"),
        (_at("plausibility.toml", "profile", "proposal", "pain", key="same_for", value=["coma_score"]), "already"),
    ],
)
def test_a_contradiction_in_the_tables_is_found_on_loading(
    monkeypatch: pytest.MonkeyPatch, change: Any, says: str
) -> None:
    with pytest.raises(VocabularyError, match=says):
        _broken(monkeypatch, change)


def test_the_tables_as_they_are_load(monkeypatch: pytest.MonkeyPatch) -> None:
    _broken(monkeypatch, lambda name, raw: None)


def test_charts_are_decimals_that_hold_the_usual_values() -> None:
    usual = {"systolic": 120, "diastolic": 80, "heart_rate": 70, "spo2": 98, "temperature": 37, "weight": 70,
             "height": 170, "respiratory_rate": 15, "glucose": 100, "coma_score": 15, "pain": 3}  # fmt: skip
    for key, value in usual.items():
        low, high = vitals()[key].chart
        assert low < Decimal(value) < high
