"""The published examples of FHIR R4: the same facts through our renderer give the same codes, units and structure.

Source of every row of EXAMPLES: HL7 FHIR R4 4.0.1, http://hl7.org/fhir/R4/observation-example-<name>.html (the weight:
http://hl7.org/fhir/R4/observation-example.html), read in the stored build fhir-ru/fhir-ru.github.io@73deef6. Only facts
are taken over, typed again: codes, values, units, times, and which elements there are.

Where we differ on purpose; everything else must agree:
  meta.profile                    we name the profile of the quantity, which is derived from vitalsigns
  valueQuantity.unit              free text for people; the code is what counts
  interpretation, referenceRange  a judgement against a range, which a spot check does not state
  code                            SNOMED CT and local codes beside the LOINC code are unknown to us; we add MDC codes
  identifier                      ours is made from the source identity
  basedOn, partOf, text           not in an export
"""

from __future__ import annotations

from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

import pytest

from gateway.model import Moment, Party, Reading
from gateway.vocabulary import LOINC, MDC, SNOMED, UCUM
from tests.records.made_sets import Record, absent, line, lines, mapping, one_set, value

VITALSIGNS = "http://hl7.org/fhir/StructureDefinition/vitalsigns"
CATEGORY = "http://terminology.hl7.org/CodeSystem/observation-category"
ABSENT = "http://terminology.hl7.org/CodeSystem/data-absent-reason"
JULY = Moment("", "1999-07-02", "19990702", 930873600, "day")
SEPTEMBER = Moment("", "2012-09-17", "20120917", 1347840000, "day")
DECEMBER = Moment("", "2014-12-05T09:30:10+01:00", "20141205093010+0100", 1417768210, "second")
MARCH = Moment("", "2016-03-28", "20160328", 1459123200, "day")

Quantity = tuple[str, str]  # number as written, UCUM code


@dataclass(frozen=True)
class Example:
    """An example: what went in, what stands in the published record."""

    name: str
    readings: tuple[Reading, ...]
    codes: tuple[tuple[str, str], ...]
    moment: Moment = JULY
    value: Quantity | None = None
    components: tuple[tuple[str, Quantity | str], ...] = ()  # LOINC code, and quantity or data-absent-reason
    elements: str = ""  # besides those every example has
    left_out: str = ""  # elements of the example that a spot check cannot state
    unknown_codes: tuple[tuple[str, str], ...] = ()
    parties: dict[str, Any] = field(default_factory=dict)


ARM = {"site": "right_arm"}
EXAMPLES = [
    Example(
        name="bloodpressure",
        readings=(value("systolic", "107", **ARM), value("diastolic", "60", **ARM)),
        codes=((LOINC, "85354-9"),),
        moment=SEPTEMBER,
        components=(("8480-6", ("107", "mm[Hg]")), ("8462-4", ("60", "mm[Hg]"))),
        elements="performer bodySite component",
        left_out="basedOn interpretation",
        parties={"operator": Party("example")},
    ),
    Example(
        name="bloodpressure-dar",
        readings=(value("systolic", "107", **ARM), absent("diastolic", "not-performed", **ARM)),
        codes=((LOINC, "85354-9"),),
        moment=SEPTEMBER,
        components=(("8480-6", ("107", "mm[Hg]")), ("8462-4", "not-performed")),
        elements="performer bodySite component",
        left_out="interpretation",
        parties={"operator": Party("example")},
    ),
    Example("heart-rate", (value("heart_rate", "44"),), ((LOINC, "8867-4"),), value=("44", "/min")),
    Example("respiratory-rate", (value("respiratory_rate", "26"),), ((LOINC, "9279-1"),), value=("26", "/min")),
    Example("body-temperature", (value("temperature", "36.5"),), ((LOINC, "8310-5"),), value=("36.5", "Cel")),
    Example(
        name="satO2",
        readings=(value("spo2", "95"),),
        codes=((LOINC, "2708-6"), (LOINC, "59408-5"), (MDC, "150456")),
        moment=DECEMBER,
        value=("95", "%"),
        elements="device",
        left_out="partOf interpretation referenceRange",
        parties={"device": Party("example")},
    ),
    Example(
        name="",
        readings=(value("weight", "185", "[lb_av]"),),
        codes=((LOINC, "29463-7"),),
        moment=MARCH,
        value=("185", "[lb_av]"),
        elements="encounter",
        unknown_codes=(
            (LOINC, "3141-9"),
            (SNOMED, "27113001"),
            ("http://acme.org/devices/clinical-codes", "body-weight"),
        ),
        parties={"encounter": Party("example")},
    ),
    Example(
        name="body-height",
        readings=(value("height", "66.899999999999991", "[in_i]"),),
        codes=((LOINC, "8302-2"),),
        value=("66.899999999999991", "[in_i]"),
    ),
    Example("bmi", (value("bmi", "16.2"),), ((LOINC, "39156-5"),), value=("16.2", "kg/m2")),
    Example("head-circumference", (value("head_circumference", "51.2"),), ((LOINC, "9843-4"),), value=("51.2", "cm")),
]
IDS = [example.name or "weight" for example in EXAMPLES]
# What every one of these examples has; identifier and meta.profile are in some and in all of ours.
COMMON = {"resourceType", "id", "meta", "identifier", "status", "category", "code", "subject", "effectiveDateTime"}


def rendered(example: Example) -> Record:
    item = one_set(*example.readings, moment=example.moment, patient=Party("example", "urn:x:1"), **example.parties)
    return line(item, mapping(status="final", subject="reference"))


def pairs(concept: Record) -> list[tuple[str, str]]:
    return [(coding["system"], coding["code"]) for coding in concept["coding"]]


def quantity(found: Record) -> Quantity:
    assert found["system"] == UCUM
    return format(found["value"], "f"), found["code"]


@pytest.mark.parametrize("example", EXAMPLES, ids=IDS)
def test_same_codes(example: Example) -> None:
    record = rendered(example)
    found = pairs(record["code"])
    assert [pair for pair in found if pair in example.codes] == list(example.codes)
    # What we add is the MDC code alone, and what the example has besides is nothing we claim.
    assert {system for system, code in found if (system, code) not in example.codes} <= {MDC}
    assert not set(found) & set(example.unknown_codes)
    assert found[0] == example.codes[0]
    assert pairs(record["category"][0]) == [(CATEGORY, "vital-signs")]


@pytest.mark.parametrize("example", EXAMPLES, ids=IDS)
def test_same_values_and_units(example: Example) -> None:
    record = rendered(example)
    assert (quantity(record["valueQuantity"]) if "valueQuantity" in record else None) == example.value
    components = []
    for part in record.get("component", ()):
        code = next(code for system, code in pairs(part["code"]) if system == LOINC)
        absent_as = dict(pairs(part["dataAbsentReason"]))[ABSENT] if "dataAbsentReason" in part else ""
        components.append((code, absent_as or quantity(part["valueQuantity"])))
        assert not (absent_as and "valueQuantity" in part)
    assert components == list(example.components)


@pytest.mark.parametrize("example", EXAMPLES, ids=IDS)
def test_same_structure(example: Example) -> None:
    record = rendered(example)
    own = COMMON | set(example.elements.split()) | ({"valueQuantity"} if example.value else set())
    assert set(record) == own
    assert not own & set(example.left_out.split())
    assert record["status"] == "final"
    assert record["subject"] == {"reference": "Patient/example"}
    assert record["effectiveDateTime"] == example.moment.fhir


def test_the_arm_of_the_blood_pressure_example() -> None:
    for example in EXAMPLES[:2]:
        assert pairs(rendered(example)["bodySite"]) == [(SNOMED, "368209003")]


def test_our_profiles_are_those_the_vitalsigns_profile_is_refined_to() -> None:
    """R4 vital signs page: the examples name vitalsigns; bp, heartrate and so on are derived from it."""
    names = [
        "bp",
        "bp",
        "heartrate",
        "resprate",
        "bodytemp",
        "oxygensat",
        "bodyweight",
        "bodyheight",
        "bmi",
        "headcircum",
    ]
    base = VITALSIGNS.removesuffix("vitalsigns")
    assert [rendered(example)["meta"]["profile"] for example in EXAMPLES] == [[base + name] for name in names]


def test_mean_blood_pressure() -> None:
    """Example mbp: an Observation of its own, 80 mm[Hg], LOINC 8478-0.

    A monitor measures the mean together with the two sides. R4's bp profile leaves components open, so we write it as a
    third component; with the sides missing they are said to be unknown, as the profile demands both.
    """
    record = line(one_set(value("mean_pressure", "80"), moment=JULY))
    *sides, mean = record["component"]
    assert pairs(mean["code"])[0] == (LOINC, "8478-0")
    assert quantity(mean["valueQuantity"]) == ("80", "mm[Hg]")
    assert [pairs(side["dataAbsentReason"]) for side in sides] == [[(ABSENT, "unknown")]] * 2


def test_vital_signs_panel() -> None:
    """Example vitals-panel: LOINC 85353-1, no value, hasMember with the Observations of the same day."""
    readings = (
        value("respiratory_rate", "26"),
        value("heart_rate", "44"),
        value("systolic", "107"),
        value("diastolic", "60"),
        value("temperature", "36.5"),
    )
    *members, panel = lines(one_set(*readings, moment=JULY), mapping(fhir={"panel": True}, status="final"))
    assert pairs(panel["code"]) == [(LOINC, "85353-1")]
    assert pairs(panel["category"][0]) == [(CATEGORY, "vital-signs")]
    assert set(panel) == COMMON | {"hasMember"}
    named = [pairs(member["code"])[0][1] for member in members]
    assert named == ["9279-1", "8867-4", "85354-9", "8310-5"]
    assert panel["hasMember"] == [{"reference": f"Observation/{member['id']}"} for member in members]
    assert {member["effectiveDateTime"] for member in [*members, panel]} == {"1999-07-02"}


def test_precision_is_that_of_the_example() -> None:
    """66.899999999999991 would not survive a float; FHIR asks to keep the precision of a decimal (R4 datatypes)."""
    example = next(each for each in EXAMPLES if each.name == "body-height")
    assert rendered(example)["valueQuantity"]["value"] == Decimal("66.899999999999991")
