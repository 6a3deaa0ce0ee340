"""Codes of what is said beside a blood pressure, against the published lists.

Sources:
  R4:   HL7 FHIR R4 4.0.1, vital signs page, supplementary observations of the blood pressure,
        http://hl7.org/fhir/R4/observation-vitalsigns.html (read in the stored build fhir-ru/fhir-ru.github.io@73deef6)
  CIMI: HL7 US Vital Signs with Qualifying Elements, github HL7/cimi-vital-signs, BloodPressureCuffSizevalueset.fsh and
        BodyPositionvalueset.fsh (input/fsh/valuesets, read at 112f237)
"""

from __future__ import annotations

import pytest
from stdnum import verhoeff

from gateway.verify.published import BY_KEY, QUALIFIERS, STARTED
from gateway.vocabulary import CATEGORY_SYSTEM, loinc_check_digit_ok, panels, qualifiers

R4 = {
    "cuff": ("8358-4", "Blood pressure device Cuff size"),
    "position": ("8361-8", "Body position with respect to gravity"),
}
CIMI = {
    "cuff": {
        "720736009": "Blood pressure cuff, pediatric size",
        "720737000": "Blood pressure cuff, adult size",
    },
    "position": {
        "30212006": "Fowler's position",
        "26527006": "Inverse Trendelenburg position",
        "102536004": "Left lateral decubitus position",
        "414585002": "Left lateral tilt",
        "10904000": "Orthostatic body position",
        "1240000": "Prone body position",
        "102538003": "Recumbent body position",
        "423413008": "Reverse trendelenburg positioning",
        "102535000": "Right lateral decubitus position",
        "415346000": "Right lateral tilt",
        "33586001": "Sitting position",
        "40199007": "Supine body position",
        "34106002": "Trendelenburg position",
    },
}


def test_they_are_those_of_the_vital_signs_page() -> None:
    coded = {key: (each.coding.code, each.coding.display) for key, each in qualifiers().items() if each.coding}
    assert coded == R4
    assert all(loinc_check_digit_ok(code) for code, _ in R4.values())
    assert list(panels()["blood_pressure"].qualifiers) == ["mode", *R4]


@pytest.mark.parametrize("key", list(R4))
def test_a_code_of_an_answer_is_published_for_its_question(key: str) -> None:
    found = {each.coding.code: each.coding.display for each in qualifiers()[key].answers.values() if each.coding}
    assert found.items() <= CIMI.get(key, {}).items()
    assert all(verhoeff.is_valid(code) for code in found)
    # What the verifiers know was written a second time.
    assert QUALIFIERS[R4[key][0]] == found.keys()


def test_the_three_modes_have_no_code() -> None:
    """FHIR R4, LOINC and IHE name no code for what started a measurement: 8357-6 asks for the technique.

    So github HL7/uv-pocd@9be0922 and the name of 8357-6; its definition was not read.
    """
    assert qualifiers()["mode"].coding is None
    assert QUALIFIERS[STARTED] == frozenset()
    modes = qualifiers()["mode"].answers
    assert list(modes) == ["manual", "automatic", "rapid-repeat"]
    assert not any(each.coding for each in modes.values())


def test_the_verifiers_allow_them_beside_a_blood_pressure_only() -> None:
    assert BY_KEY["blood_pressure"].qualifiers == (STARTED, *(code for code, _ in R4.values()))
    assert not any(row.qualifiers for key, row in BY_KEY.items() if key != "blood_pressure")
    assert panels()["blood_pressure"].category.system == CATEGORY_SYSTEM
