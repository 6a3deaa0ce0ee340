"""Codes, profiles and units of the published FHIR tables.

Sources:
  R4:      HL7 FHIR R4 4.0.1, vital signs page and its profiles, http://hl7.org/fhir/R4/observation-vitalsigns.html
           (read in the stored build fhir-ru/fhir-ru.github.io@73deef6)
  US Core: HL7 US Core 9.0.0, github HL7/US-Core@85bf4af, http://hl7.org/fhir/us/core/
"""

from __future__ import annotations

import pytest

from gateway.vocabulary import CATEGORY_SYSTEM, panels, vitals

R4 = "http://hl7.org/fhir/StructureDefinition/"
US_CORE = "http://hl7.org/fhir/us/core/StructureDefinition/"

# vital, R4 profile, its fixed LOINC code, its fixed unit code or the codes of its required value set
TABLE = [
    ("heart_rate", "heartrate", "8867-4", {"/min"}),
    ("pulse_oximeter", "heartrate", "8867-4", {"/min"}),
    ("pulse_cuff", "heartrate", "8867-4", {"/min"}),
    ("pulse", "heartrate", "8867-4", {"/min"}),
    ("respiratory_rate", "resprate", "9279-1", {"/min"}),
    ("spo2", "oxygensat", "2708-6", {"%"}),
    ("temperature", "bodytemp", "8310-5", {"Cel", "[degF]"}),  # ucum-bodytemp
    ("height", "bodyheight", "8302-2", {"cm", "[in_i]"}),  # ucum-bodylength
    ("head_circumference", "headcircum", "9843-4", {"cm", "[in_i]"}),  # ucum-bodylength
    ("weight", "bodyweight", "29463-7", {"kg", "[lb_av]", "g"}),  # ucum-bodyweight
    ("bmi", "bmi", "39156-5", {"kg/m2"}),
]

# ValueSet ucum-vitals-common 4.0.1, required for every component of a vital sign
COMPONENT_UNITS = {"%", "cm", "[in_i]", "kg", "g", "[lb_av]", "Cel", "[degF]", "mm[Hg]", "/min", "kg/m2", "m2"}

US_CORE_PROFILES = {
    "heart_rate": "us-core-heart-rate",
    "respiratory_rate": "us-core-respiratory-rate",
    "spo2": "us-core-pulse-oximetry",
    "temperature": "us-core-body-temperature",
    "height": "us-core-body-height",
    "head_circumference": "us-core-head-circumference",
    "weight": "us-core-body-weight",
    "bmi": "us-core-bmi",
}


@pytest.mark.parametrize(("key", "profile", "code", "units"), TABLE)
def test_r4_profile_code_and_units(key: str, profile: str, code: str, units: set[str]) -> None:
    vital = vitals()[key]
    assert vital.profile == R4 + profile
    assert vital.codings[0].code == code
    assert set(vital.units) <= units
    assert vital.units[0] in units
    assert (vital.category.system, vital.category.code) == (CATEGORY_SYSTEM, "vital-signs")


def test_r4_blood_pressure() -> None:
    panel = panels()["blood_pressure"]
    assert panel.profile == R4 + "bp"
    assert panel.us_core == US_CORE + "us-core-blood-pressure"
    assert [coding.code for coding in panel.codings] == ["85354-9"]
    codes = {key: [coding.code for coding in vitals()[key].codings] for key in panel.members}
    # Beside the required codes those "by Noninvasive" (public value sets), which the R4 page allows in addition.
    assert codes == {
        "systolic": ["8480-6", "76534-7"], "diastolic": ["8462-4", "76535-4"], "mean_pressure": ["8478-0", "76536-2"],
    }  # fmt: skip
    for key in panel.members:
        assert vitals()[key].units == ("mm[Hg]",)
        assert set(vitals()[key].units) <= COMPONENT_UNITS


def test_r4_vital_signs_panel() -> None:
    panel = panels()["vital_signs"]
    assert panel.profile == R4 + "vitalspanel"
    assert [coding.code for coding in panel.codings] == ["85353-1"]


def test_a_specific_code_is_added_and_never_instead() -> None:
    """R4 vital signs page: a more specific code only in addition to the required one."""
    temperature = vitals()["temperature"]
    added = {key: site.loinc.code for key, site in temperature.sites.items() if site.loinc}
    assert added == {
        "oral": "8331-1",
        "rectal": "8332-9",
        "axillary": "8328-7",
        "tympanic": "8333-7",
        "temporal": "75539-7",
        "core": "8329-5",
        # github gematik/spec-ISiK-Vitalparameter-und-Koerpermasze@ac1d97b, mii-backport profiles
        "oesophageal": "60836-4",
        "nasopharyngeal": "60838-0",
        "bladder": "8334-5",
    }
    assert temperature.codings[0].code == "8310-5"
    assert temperature.codings[0].code not in added.values()


def test_us_core_pulse_oximetry_has_both_codes() -> None:
    """US Core pulse oximetry: code.coding 2.., PulseOx 59408-5 and O2Sat 2708-6."""
    assert {coding.code for coding in vitals()["spo2"].codings} == {"2708-6", "59408-5"}


def test_us_core_oxygen_components() -> None:
    """US Core pulse oximetry: FlowRate 3151-8 in L/min, Concentration 3150-0 in %."""
    flow, concentration = vitals()["oxygen_flow"], vitals()["oxygen_concentration"]
    assert (flow.codings[0].code, flow.units) == ("3151-8", ("L/min",))
    assert (concentration.codings[0].code, concentration.units) == ("3150-0", ("%",))
    # L/min is outside R4's required list for components: the flow is a record of its own.
    assert flow.units[0] not in COMPONENT_UNITS
    assert flow.panel == ""


@pytest.mark.parametrize(("key", "profile"), US_CORE_PROFILES.items())
def test_us_core_profiles(key: str, profile: str) -> None:
    assert vitals()[key].us_core == US_CORE + profile


def test_the_cuff_and_the_oximeter_stay_apart() -> None:
    """HL7 PHD guide (phd@5af8412, ProfileConsumers): both pulses are 8867-4; MDC keeps them apart."""
    mdc = {key: vital.mdc.code for key, vital in vitals().items() if vital.mdc and "8867-4" in
           [coding.code for coding in vital.codings]}  # fmt: skip
    assert mdc == {"heart_rate": "147842", "pulse_oximeter": "149530", "pulse_cuff": "149546", "pulse": "149514"}


def test_mdc_codes_as_published() -> None:
    """HL7 PHD guide example (BP), DK Core value set IEEEBasicObservation, MII ICU value sets."""
    found = {key: vital.mdc.code for key, vital in vitals().items() if vital.mdc}
    assert found["systolic"] == "150021"
    assert found["diastolic"] == "150022"
    assert found["mean_pressure"] == "150023"
    assert found["spo2"] == "150456"
    assert found["temperature"] == "150364"
    assert found["respiratory_rate"] == "151562"
    assert found["weight"] == "188736"
    assert found["height"] == "188740"
    assert found["bmi"] == "188752"


def test_two_kinds_of_vital_have_no_vital_signs_profile() -> None:
    for key in ("pain", "consciousness", "coma_score", "glucose"):
        assert vitals()[key].profile == ""
        assert vitals()[key].us_core == ""
