"""Check digits against published examples, and against a second calculation written from the published rules."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.mapping.schemes import passes

ALPHABET = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ*"

PUBLISHED = [
    # ISO/IEC 7064 MOD 97-10, the standard's simplified procedure as the Bank of Slovenia quotes it: 794 gives 44.
    # https://usersite.datalab.eu/Wiki/tabid/377/language/bg-BG/Default.aspx?tocid=2722
    ("mod-97-10", "79444"),
    ("mod-97-10", "060000123456758"),
    ("mod-97-10", "060000123458698"),
    # Modulus 10 and modulus 11 of IBM: 61248 gives 1, and 13739 gives 1.
    # https://5y1.org/download/a7001dc9b68fcb20b4c96c613ec7fdb1.doc
    ("luhn", "612481"),
    ("mod-11", "137391"),
    # NHS number: rule as in the page named below; number from the documentation of python-stdnum 2.2 (stdnum.gb.nhs).
    ("gb.nhs", "9434765870"),
    # Examples in the documentation of python-stdnum 2.2 (stdnum.luhn, damm, verhoeff, iso7064, nl.bsn).
    ("luhn", "78949"),
    ("damm", "5724"),
    ("verhoeff", "12340"),
    ("mod-11-10", "794623"),
    ("mod-11-2", "079X"),
    ("mod-37-2", "G123489654321Y"),
    ("mod-37-36", "A12425GABC1234002M"),
    ("nl.bsn", "111222333"),
]


@pytest.mark.parametrize(("scheme", "number"), PUBLISHED)
def test_published_number_passes(scheme: str, number: str) -> None:
    assert passes(scheme, number)


@pytest.mark.parametrize(("scheme", "number"), PUBLISHED)
def test_published_number_fails_with_another_last_digit(scheme: str, number: str) -> None:
    others = [number[:-1] + digit for digit in "0123456789" if digit != number[-1]]
    assert not any(passes(scheme, other) for other in others)


@pytest.mark.parametrize(("scheme", "number"), PUBLISHED)
def test_published_number_fails_with_any_one_digit_changed(scheme: str, number: str) -> None:
    for place, sign in enumerate(number):
        for digit in set("0123456789") - {sign}:
            changed = number[:place] + digit + number[place + 1 :]
            if scheme == "mod-11" and (int(digit) - int(sign)) % 11 == 0:
                continue
            assert not passes(scheme, changed), changed


def nhs(digits: str) -> str:
    """Weights 10 to 2, remainder of 11 from 11; 11 is 0, and 10 gives no number.

    Source: https://github.com/pfwd/NHSNumber-Validation, which tells the rule of the NHS Data Dictionary.
    """
    digit = 11 - sum(int(sign) * weight for sign, weight in zip(digits, range(10, 1, -1), strict=True)) % 11
    return {11: "0", 10: ""}.get(digit, str(digit))


def luhn(digits: str) -> str:
    """ISO/IEC 7812-1, as on the page of IBM's modulus 10: every other digit from the right twice, digits added."""
    twice = sum(sum(map(int, str(2 * int(sign)))) for sign in digits[::-1][::2])
    return str(-(twice + sum(map(int, digits[::-1][1::2]))) % 10)


def mod_11(digits: str) -> str:
    """IBM's modulus 11: weights 2 to 7 from the right; 11 is 0, and 10 gives no number."""
    weights = "234567" * 4
    total = sum(int(sign) * int(weight) for sign, weight in zip(reversed(digits), weights, strict=False))
    digit = 11 - total % 11
    return {11: "0", 10: ""}.get(digit, str(digit))


def mod_97_10(digits: str) -> str:
    """Two zeros behind it, the remainder of 97 from 98; source as above."""
    return f"{98 - int(digits + '00') % 97:02d}"


def pure(modulus: int, radix: int) -> Callable[[str], str]:
    """A pure system of ISO/IEC 7064: sum of values times powers of the radix is 1 modulo the modulus (from memory)."""

    def check(digits: str) -> str:
        total = sum(ALPHABET.index(sign) * radix ** (place + 1) for place, sign in enumerate(reversed(digits)))
        value = (1 - total) % modulus
        return "X" if modulus == 11 and value == 10 else ALPHABET[value]

    return check


def hybrid(modulus: int) -> Callable[[str], str]:
    """A hybrid system of ISO/IEC 7064: modulus and modulus + 1 in turn (from memory)."""

    def check(digits: str) -> str:
        product = modulus
        for sign in digits:
            product = (product + ALPHABET.index(sign)) % modulus or modulus
            product = product * 2 % (modulus + 1)
        return ALPHABET[(1 - product) % modulus]

    return check


SECOND: dict[str, Callable[[str], str]] = {
    "luhn": luhn,
    "mod-11": mod_11,
    "mod-97-10": mod_97_10,
    "mod-11-2": pure(11, 2),
    "mod-37-2": pure(37, 2),
    "mod-11-10": hybrid(10),
    "mod-37-36": hybrid(36),
}


@pytest.mark.parametrize("scheme", SECOND)
@given(digits=st.text("0123456789", min_size=1, max_size=20))
def test_exactly_the_digit_of_a_second_calculation_passes(scheme: str, digits: str) -> None:
    expected = SECOND[scheme](digits)
    if scheme == "mod-97-10":
        passing = [f"{check:02d}" for check in range(100) if passes(scheme, f"{digits}{check:02d}")]
        assert expected in passing
        # 00 and 97, 01 and 98, 02 and 99 leave the same remainder.
        assert {int(check) % 97 for check in passing} == {int(expected) % 97}
        return
    signs = ALPHABET if "37" in scheme else "0123456789X"
    assert [sign for sign in signs if passes(scheme, digits + sign)] == ([expected] if expected else [])


@given(digits=st.from_regex("[0-9]{9}", fullmatch=True))
def test_nhs_numbers(digits: str) -> None:
    expected = nhs(digits)
    assert [sign for sign in "0123456789" if passes("gb.nhs", digits + sign)] == ([expected] if expected else [])
