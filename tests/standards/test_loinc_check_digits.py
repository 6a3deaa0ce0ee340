"""LOINC check digits.

Source: LOINC Users' Guide, appendix C, https://loinc.org/kb/users-guide/calculating-mod-10-check-digits/
"""

from __future__ import annotations

import pytest
from stdnum import luhn

from gateway.verify.published import code_fault
from gateway.vocabulary import LOINC, loinc_check_digit_ok, panels, vitals


def every_code() -> list[str]:
    codes: set[str] = set()
    for panel in panels().values():
        codes |= {coding.code for coding in panel.codings}
    for vital in vitals().values():
        for codings in (vital.codings, *vital.codings_by_unit.values()):
            codes |= {coding.code for coding in codings if coding.system == LOINC}
        codes |= {site.loinc.code for site in vital.sites.values() if site.loinc}
    return sorted(codes)


def test_there_are_codes_to_check() -> None:
    assert len(every_code()) >= 28


@pytest.mark.parametrize("code", every_code())
def test_every_code_passes(code: str) -> None:
    assert loinc_check_digit_ok(code)
    # The rule is the Luhn rule of ISO/IEC 7812-1, here as python-stdnum computes it.
    assert luhn.is_valid(code.replace("-", ""))


@pytest.mark.parametrize("code", every_code())
def test_no_code_passes_with_another_digit(code: str) -> None:
    number, digit = code.split("-")
    assert [d for d in "0123456789" if loinc_check_digit_ok(f"{number}-{d}")] == [digit]


@pytest.mark.parametrize(
    "code",
    [
        "3150-6",  # seen for the oxygen concentration, which is 3150-0
        "11454-5",  # seen in public code for consciousness; not among the documented exceptions
    ],
)
def test_wrong_codes_in_circulation_fail(code: str) -> None:
    assert not loinc_check_digit_ok(code)


@pytest.mark.parametrize(
    "code", ["", "-", "8480", "8480-", "-6", "8480-66", "84a0-6", "8480_6", " 8480-6", "８４８０-6"]
)
def test_what_is_no_code_fails(code: str) -> None:
    assert not loinc_check_digit_ok(code)


def test_the_worked_example_of_the_guide() -> None:
    """12345 has the check digit 5: the digits from the right 54321, odd places 531 doubled, 24 joined (from memory)."""
    assert loinc_check_digit_ok("12345-5")


# Answer codes that the gateway does not use: LL738-6 as in github hl7germany/forschungsnetz-covid19,
# InhaledOxygenConcentration.fsh, and 67775-7 as in public CDA guides of ambulance reports. How the letters count in the
# check digit was derived from others, so that these may prove it wrong.
@pytest.mark.parametrize(
    "code",
    [
        "LA11849-9", "LA11856-4", "LA11857-2", "LA11858-0", "LA11859-8", "LA11860-6", "LA11861-4",
        "LA9340-6", "LA17108-4", "LA17107-6", "LA9343-0",
    ],
)  # fmt: skip
def test_codes_of_answers_pass_with_their_own_digit_alone(code: str) -> None:
    number, digit = code.split("-")
    assert [d for d in "0123456789" if loinc_check_digit_ok(f"{number}-{d}")] == [digit]
    assert [d for d in "0123456789" if not code_fault(LOINC, f"{number}-{d}")] == [digit]
