"""What the published profiles ask of each kind of record, stated a second time for the verifiers.

On purpose this is not read from `gateway.vocabulary`: a slip there must not also change what is checked. A new vital
therefore needs a row here too; until it has one, its records fail verification and are held, and
`tests/vocabulary/test_published_parity.py` says so.

Sources: HL7 FHIR R4 4.0.1 StructureDefinitions vitalsigns, bp, oxygensat, heartrate, resprate, bodytemp, bodyheight,
bodyweight, bmi, headcircum, vitalspanel and value sets ucum-bodytemp, ucum-bodyweight, ucum-bodylength,
ucum-vitals-common; US Core 9.0.0 vital-sign profiles (github HL7/US-Core@85bf4af); MDC numbers from the HL7 Personal
Health Device and Point-of-Care Device guides. LOINC for glucose (41653-7, 14743-9, 41652-9), pain and oxygen delivery
(107117-4) as used in public guides and value sets (secondary), 39480-9 from memory; MDC 152196 and 160184 secondary;
all with a correct check digit.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


def words(text: str) -> frozenset[str]:
    """The words of a text, as a set of codes."""
    return frozenset(text.split())


LOINC = "http://loinc.org"
UCUM = "http://unitsofmeasure.org"
MDC = "urn:iso:std:iso:11073:10101"
SNOMED = "http://snomed.info/sct"
CATEGORY = "http://terminology.hl7.org/CodeSystem/observation-category"
ABSENT = "http://terminology.hl7.org/CodeSystem/data-absent-reason"
INTERPRETATION = "http://terminology.hl7.org/CodeSystem/v3-ObservationInterpretation"
MEASUREMENT_STATUS = "http://hl7.org/fhir/uv/pocd/CodeSystem/measurement-status"

ABSENT_REASONS = words(
    "unknown asked-unknown temp-unknown not-asked asked-declined masked not-applicable unsupported as-text error "
    "not-a-number negative-infinity positive-infinity not-performed not-permitted"
)
"""All 15 codes of data-absent-reason, FHIR R4 4.0.1."""

COMPONENT_UNITS = frozenset(
    ("%", "cm", "[in_i]", "kg", "g", "[lb_av]", "Cel", "[degF]", "mm[Hg]", "/min", "kg/m2", "m2")
)
"""ucum-vitals-common, bound `required` to component.value[x] of the R4 vitalsigns profile; L/min is not in it."""

BASE = "http://hl7.org/fhir/StructureDefinition/"
US_CORE = "http://hl7.org/fhir/us/core/StructureDefinition/us-core-"

STARTED = "How the measurement was started"
"""No published code asks this (LOINC 8357-6 asks for the technique): it stands as text in FHIR, and in HL7 v2 under the
local code START."""
STARTED_LOCAL = "START"

_PRESSURE = ("mm[Hg]",)
_RATE = ("/min",)
_TEMPERATURE_MDC = "150364 188424 188420 188452 188496 150392 188428 150368 150372 150380"


@dataclass(frozen=True, slots=True)
class Published:
    """What the record of one quantity or panel must look like.

    Attributes:
        key: last part of the record identifier (key of the vital or panel).
        codes: LOINC codes of which exactly one must be there, once; several only where the unit chooses (`by_unit`).
        units: UCUM codes the value may have; empty when the record has no quantity.
        kind: what carries the result.
        category: code in the observation-category system.
        profile: FHIR R4 profile URL, or "".
        us_core: US Core profile URL, or "".
        beside: LOINC codes that may stand beside the required one; nothing else may.
        us_core_codes: LOINC codes a US Core record must also carry.
        mdc: MDC numbers that mean this quantity.
        members: required components, by LOINC code.
        optional: other components it may have, by LOINC code.
        qualifiers: further components it may have, with an answer of `QUALIFIERS` or a text.
        value_required: the profile wants the value itself; a data-absent-reason will not do.
        by_unit: LOINC code -> the one unit that goes with it.
        answers: the answers of a coded quantity; nothing else may be its answer.
        answered_in: the code system of these answers.
    """

    key: str
    codes: tuple[str, ...]
    units: tuple[str, ...] = ()
    kind: Literal["quantity", "coded", "components", "members"] = "quantity"
    category: str = "vital-signs"
    profile: str = ""
    us_core: str = ""
    beside: tuple[str, ...] = ()
    us_core_codes: tuple[str, ...] = ()
    mdc: tuple[str, ...] = ()
    members: tuple[str, ...] = ()
    optional: tuple[str, ...] = ()
    qualifiers: tuple[str, ...] = ()
    value_required: bool = False
    by_unit: tuple[tuple[str, str], ...] = ()
    answers: frozenset[str] = frozenset()
    answered_in: str = SNOMED

    def is_answer(self, system: str, code: str) -> bool:
        """Whether a code of a code system (its FHIR URI) is a published answer of this quantity."""
        return system == self.answered_in and code in self.answers


def _row(
    key: str,
    code: str,
    units: tuple[str, ...],
    *,
    base: str = "",
    us: str = "",
    beside: str = "",
    mdc: str = "",
    us_core_codes: str = "",
    optional: str = "",
    category: str = "vital-signs",
    value_required: bool = False,
) -> Published:
    return Published(
        key=key,
        codes=(code,),
        units=units,
        category=category,
        profile=BASE + base if base else "",
        us_core=US_CORE + us if us else "",
        beside=tuple(beside.split()),
        us_core_codes=tuple(us_core_codes.split()),
        mdc=tuple(mdc.split()),
        optional=tuple(optional.split()),
        value_required=value_required,
    )


ROWS: tuple[Published, ...] = (
    Published(
        key="blood_pressure",
        codes=("85354-9",),
        kind="components",
        profile=BASE + "bp",
        us_core=US_CORE + "blood-pressure",
        mdc=("150020",),
        members=("8480-6", "8462-4"),
        optional=("8478-0",),
        qualifiers=(STARTED, "8358-4", "8361-8"),
    ),
    _row("systolic", "8480-6", _PRESSURE, base="vitalsigns", us="vital-signs", beside="76534-7", mdc="150021"),
    _row("diastolic", "8462-4", _PRESSURE, base="vitalsigns", us="vital-signs", beside="76535-4", mdc="150022"),
    _row("mean_pressure", "8478-0", _PRESSURE, base="vitalsigns", us="vital-signs", beside="76536-2", mdc="150023"),
    _row("heart_rate", "8867-4", _RATE, base="heartrate", us="heart-rate", mdc="147842"),
    _row("pulse_oximeter", "8867-4", _RATE, base="heartrate", us="heart-rate", beside="8889-8", mdc="149530"),
    _row("pulse_cuff", "8867-4", _RATE, base="heartrate", us="heart-rate", beside="76477-9", mdc="149546"),
    _row("pulse", "8867-4", _RATE, base="heartrate", us="heart-rate", mdc="149514"),
    _row(
        "spo2",
        "2708-6",
        ("%",),
        base="oxygensat",
        us="pulse-oximetry",
        beside="59408-5",
        us_core_codes="59408-5",
        mdc="150456",
        optional="3151-8 3150-0",
    ),
    _row("oxygen_flow", "3151-8", ("L/min",)),
    _row("oxygen_concentration", "3150-0", ("%",), mdc="152196"),
    _row(
        "temperature",
        "8310-5",
        ("Cel", "[degF]"),
        base="bodytemp",
        us="body-temperature",
        beside="8331-1 8332-9 8328-7 8333-7 75539-7 8329-5 60836-4 60838-0 8334-5",
        mdc=_TEMPERATURE_MDC,
    ),
    _row("respiratory_rate", "9279-1", _RATE, base="resprate", us="respiratory-rate", mdc="151562"),
    _row(
        "weight", "29463-7", ("kg", "g", "[lb_av]"), base="bodyweight", us="body-weight", beside="3141-9", mdc="188736"
    ),
    _row("height", "8302-2", ("cm", "[in_i]"), base="bodyheight", us="body-height", beside="8306-3", mdc="188740"),
    _row("bmi", "39156-5", ("kg/m2",), base="bmi", us="bmi", mdc="188752", value_required=True),
    _row(
        "head_circumference",
        "9843-4",
        ("cm", "[in_i]"),
        base="headcircum",
        us="head-circumference",
        beside="8287-5",
        mdc="153856",
    ),
    *(
        _row(key, code, ("{score}",), category="survey")
        for key, code in (
            ("pain", "72514-3"),
            ("pain_faces", "38221-8"),
            ("pain_line", "38214-3"),
            ("pain_observed", "38213-5"),
        )
    ),
    Published(
        key="consciousness",
        codes=("67775-7",),
        kind="coded",
        category="exam",
        beside=("80288-4",),
        # UKCore-ACVPU 2.1.1 (github NHSDigital/FHIR-R4-UKCORE-STAGING-MAIN@3d2827e): alert, confusion, voice, pain,
        # unresponsive
        answers=words("248234008 130987000 300202002 450847001 422768004"),
    ),
    _row("coma_score", "9269-2", ("{score}",), category="exam", mdc="153728"),
    *(
        Published(key, (code,), kind="coded", category="exam", answers=words(answers), answered_in=LOINC)
        for key, code, answers in (
            # worst answer first; MII ICU module f94ca2c, MII_VS_ICU_Component_GCS_*
            ("coma_eye", "9267-6", "LA6553-7 LA6554-5 LA6555-2 LA6556-0"),
            ("coma_verbal", "9270-0", "LA6557-8 LA6558-6 LA6559-4 LA6560-2 LA6561-0"),
            ("coma_motor", "9268-4", "LA6562-8 LA6563-6 LA6564-4 LA6565-1 LA6566-9 LA6567-7"),
        )
    ),
    Published(
        key="oxygen_device",
        codes=("107117-4",),
        kind="coded",
        category="exam",
        # UKCore-Observation-InspiredOxygen (as above): air, oxygen. Public value sets: the devices.
        answers=words("722742002 371825009 336623009 336602003 426854004 428285009 464233000"),
    ),
    *(
        Published(
            key=key,
            codes=(mass, moles),
            units=("mg/dL", "mmol/L"),
            category="laboratory",
            mdc=tuple(mdc.split()),
            by_unit=((mass, "mg/dL"), (moles, "mmol/L")),
        )
        for key, mass, moles, mdc in (
            ("glucose", "41653-7", "14743-9", "160184"),
            ("glucose_plasma", "41653-7", "14743-9", "160188"),
            ("glucose_venous", "41652-9", "39480-9", ""),
        )
    ),
    Published(
        key="vital_signs",
        codes=("85353-1",),
        kind="members",
        profile=BASE + "vitalspanel",
    ),
)

_BEATS, _BREATHS = words("264864"), words("264928")
MDC_UNITS = {
    "mm[Hg]": words("266016"), "%": words("262688"), "{score}": words("262656"), "L/min": words("265216"),
    "Cel": words("268192"), "[degF]": words("266560"), "kg": words("263875"), "g": words("263872"),
    "[lb_av]": words("263904"), "cm": words("263441"), "[in_i]": words("263520"), "kg/m2": words("264096"),
    "mg/dL": words("264274"), "mmol/L": words("266866"),
}  # fmt: skip
"""MDC number of each UCUM unit of a record. Sources: IHE PCD TF-2 rev 8.0, examples and 3.3; those it does not show are
computed from the term codes of 11073-10101, partition 4."""


def mdc_units(row: Published, ucum: str) -> frozenset[str]:
    """MDC numbers that mean a UCUM unit in a record: it counts beats and breaths apart, which UCUM's /min does not."""
    if ucum == "/min":
        return _BREATHS if row.key == "respiratory_rate" else _BEATS
    return MDC_UNITS.get(ucum, words(""))


DEVICE_TIME = "67975"
"""MDC_ATTR_TIME_ABS: a device's own time, a wall clock without an offset of its own. Sources: HL7 Personal Health
Device guide, PhdCoincidentTimestampObservation, notes on code; IHE change proposal CP-PCD-081."""

DEVICE_TIME_REFERENCE = "http://hl7.org/fhir/uv/phd/StructureDefinition/CoincidentTimeStampReference"
"""Extension of an Observation, a Reference to the Observation of its device's time: the same guide."""

BY_KEY = {row.key: row for row in ROWS}
QUALIFIERS = {
    STARTED: words(""),
    "8358-4": words("720736009 720737000"),
    "8361-8": words("33586001 10904000 40199007 102538003 1240000 30212006"),
}
"""What may be said beside a blood pressure: how it was started, as text, and by LOINC code (FHIR R4 vital signs page,
supplementary observations) cuff size and body position, each with the SNOMED CT answers that are published for it
(HL7/cimi-vital-signs, value sets BloodPressureCuffSize and BodyPosition); any other answer is text."""

_LIMBS = "368209003 368208006 9736006 5951000 11207009 61396006 32696007 48979004 6685009 51636004"
_BY_LIGHT = "7569003 48800003 29707007 52795006"
SITES: dict[str, frozenset[str]] = {
    **dict.fromkeys(("blood_pressure", "systolic", "diastolic", "mean_pressure"), words(_LIMBS)),
    "pulse_cuff": words("368209003 368208006"),
    **dict.fromkeys(("spo2", "pulse_oximeter"), words(_BY_LIGHT)),
    "temperature": words("74262004 34402009 422543003 42859004 15672000 52795006 89837001 32849002 71836000"),
}
"""SNOMED CT body sites, by the quantity that is measured there; any other site is text. Sources: FHIR R4 blood pressure
example; HL7/cimi-vital-signs@1eb057b; gematik/spec-ISiK-Vitalparameter-und-Koerpermasze@ac1d97b; public value sets."""

METHODS = words("31813000 37931006 113011001 765172009 264598005")
"""SNOMED CT techniques (oscillometry, auscultation, palpation, Doppler, oximetry); any other method is text."""

PANEL_OF = dict.fromkeys(("8480-6", "8462-4", "8478-0"), BY_KEY["blood_pressure"])


def rows_for(loinc: str) -> tuple[Published, ...]:
    """Rows a LOINC code can stand for, as the required code or as one allowed beside it."""
    return tuple(row for row in ROWS if loinc in row.codes or loinc in row.beside)


def units_for(row: Published, loinc: str) -> tuple[str, ...]:
    """UCUM codes a value with this LOINC code may have."""
    return tuple(unit for code, unit in row.by_unit if code == loinc) or row.units


def code_fault(system: str, code: str) -> str:
    """What is wrong with a code in itself, or "".

    LOINC: digits, hyphen and Mod 10 check digit (LOINC Users' Guide, appendix C; the known exceptions are deprecated);
    the code of an answer has LA in front, whose letters count as 17 and 28 (derived from published codes).
    MDC: a decimal number. SNOMED CT: 6 to 18 digits, the last a Verhoeff check digit (from memory).
    """
    if system == LOINC:
        number, _, check = code.partition("-")
        letters, figures = ([28, 17], number[2:]) if number.startswith("LA") else ([], number)
        if not (figures.isascii() and figures.isdigit() and len(check) == 1 and check.isdigit()):
            return "is not in the form of a LOINC code"
        total = 0
        for place, value in enumerate(reversed([*letters, *map(int, figures)])):
            total += value if place % 2 else 2 * value // 10 + 2 * value % 10
        return "" if (10 - total % 10) % 10 == int(check) else "fails LOINC's check digit"
    if system == MDC:
        return "" if code.isascii() and code.isdigit() else "is not an MDC number"
    if system == SNOMED:
        from stdnum import verhoeff

        good = code.isascii() and code.isdigit() and 6 <= len(code) <= 18 and verhoeff.is_valid(code)
        return "" if good else "is not a SNOMED CT identifier"
    return ""


def quotable(text: object) -> str:
    """A code or unit as it may be printed in a problem: short and plain, else only its length (never an identifier)."""
    if not isinstance(text, str):
        return "something that is not text"
    plain = all(character.isascii() and (character.isalnum() or character in "/.%[]{}-_<>=^*") for character in text)
    return f"'{text}'" if text and plain and len(text) <= 24 else f"a text of {len(text)} characters"
