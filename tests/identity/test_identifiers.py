"""Identifiers stay as they are written, but for what the mapping declares."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.identity import Identifiers
from gateway.mapping import schemes

TEXTS = st.text(st.sampled_from("0123456789ABX-/]."), min_size=1, max_size=14)
PREFIXES = st.lists(st.text(st.sampled_from("01PC]"), min_size=1, max_size=3), max_size=4)
DIGITS = st.from_regex(r"0{0,5}[0-9]{1,12}", fullmatch=True)


@pytest.mark.parametrize(
    ("text", "value", "fault"),
    [
        ("]C100012345", "00012345", ""),
        ("]C1P00012345", "P00012345", ""),
        ("P00012345", "00012345", ""),
        ("PP0012345", "P0012345", ""),
        ("00012345P", "00012345P", ""),
        ("p00012345", "p00012345", ""),
        ("PAT-00012345", "00012345", ""),
        ("]C1", "", "form"),
        ("]C1 0001", " 0001", "form"),
        ("", "", "form"),
    ],
)
def test_declared_prefixes(text: str, value: str, fault: str) -> None:
    found = Identifiers(strip=["P", "]C1", "PAT-"]).read(text)
    assert found[:2] == (value, fault)
    assert found.scanned == (found.value != text and not fault)


def test_what_has_no_prefix_is_left_alone() -> None:
    assert Identifiers(strip=["P"]).judged("P1") == ("P1", "", False)


def test_form_is_that_without_the_prefix_and_goes_before_the_check_digit() -> None:
    read = Identifiers(strip=["]C1"], pattern=r"\d{5}", check="luhn").read
    assert read("]C178949") == ("78949", "", True)
    assert read("]C178948") == ("78948", "check-digit", True)
    assert read("]C1789490").fault == "form"


@given(TEXTS)
def test_nothing_declared_nothing_changed(text: str) -> None:
    assert Identifiers().read(text) == (text, "", False)


@given(TEXTS, PREFIXES)
def test_at_most_one_declared_prefix_goes_and_it_is_the_longest(text: str, prefixes: list[str]) -> None:
    value = Identifiers(strip=prefixes).read(text).value
    gone = text[: len(text) - len(value)]
    assert text == gone + value
    fitting = [prefix for prefix in prefixes if text.startswith(prefix)]
    assert gone == max(fitting, key=len, default="")


@given(DIGITS, st.sampled_from(schemes.general()))
def test_leading_zeros_stay_with_every_scheme(text: str, name: str) -> None:
    assert Identifiers(check=name).read(text).value == text


@given(DIGITS)
def test_a_lost_zero_is_not_put_back(text: str) -> None:
    # These two schemes of python-stdnum fill numbers with zeros before they look at them.
    for name in ("nl.bsn", "il.idnr"):
        if len(text) < 9:
            assert not schemes.passes(name, text)


@given(st.text(max_size=12), st.sampled_from(schemes.names()))
def test_no_scheme_fails_on_any_text(text: str, name: str) -> None:
    assert Identifiers(check=name).read(text).value == text


@pytest.mark.parametrize(
    ("name", "value", "passes"),
    [
        ("nl.bsn", "010464554", True),
        ("nl.bsn", "10464554", False),
        ("gb.nhs", "943 476 5870", True),
        ("gb.nhs", "943-476-5870", True),
        ("se.personnummer", "8803200016", True),
        ("nl.btw", "NL123456789B13", False),
        ("mod-37-2", "a12425gabc1234002m", False),
        ("damm", "٥٧٢٤", False),
        ("luhn", "", False),
        ("mod-11", "5", False),
        ("no-such", "5", False),
    ],
)
def test_a_number_passes_as_it_stands_or_not_at_all(name: str, value: str, passes: bool) -> None:
    assert schemes.passes(name, value) is passes


def test_names_are_general_or_of_the_library() -> None:
    assert {"luhn", "mod-11", "mod-97-10", "verhoeff", "damm", "gb.nhs", "nl.bsn", "no.fodselsnummer"} <= set(
        schemes.names()
    )
    assert not {"util", "numdb", "exceptions", "iso7064.mod_11_2", "gb"} & set(schemes.names())
    assert schemes.scheme("gb") is None
