"""Patterns of mappings: read as Python's own engine reads them, in time that grows with the text."""

from __future__ import annotations

import re
import time

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from gateway.mapping.places import places
from gateway.mapping.problems import Problems
from gateway.mapping.texts import regex
from gateway.patterns import Pattern, PatternError

ENDLESS = [
    # Examples of catastrophic backtracking; the first three are common practice, no source.
    (r"(?P<a>(a+)+)", "a" * 40 + "!"),
    (r"(a|a)*", "a" * 40 + "!"),
    (r"(a|aa)+", "a" * 60 + "!"),
    # Source: OWASP, Regular expression Denial of Service, https://owasp.org/www-community/attacks (read from memory).
    (r"([a-zA-Z]+)*", "a" * 40 + "!"),
    (r"(.*a){12}", "a" * 40 + "!"),
    (r"\s*\d*\s*\d*\s*\d*\s*\d*\s*\d*\s*x", " " * 3000),
    (r".*.*.*.*=.*", "a" * 3000),
]


@pytest.mark.parametrize(("pattern", "text"), ENDLESS, ids=[pattern for pattern, _ in ENDLESS])
def test_no_pattern_takes_longer_than_its_text(pattern: str, text: str) -> None:
    made = Pattern(pattern)
    assert made.endless == ""
    started = time.perf_counter()
    assert not made.fits(text)
    assert made.begins(text) >= -1
    assert time.perf_counter() - started < 1.0


@pytest.mark.parametrize(
    ("pattern", "asked"),
    [
        (r"(?=a+)a+b?(a|a)*", "a look-ahead"), (r"(?<!x)(a|a)*", "a look-ahead or look-behind"),
        (r"(a+)+\1", "a reference"), (r"(?P<q>a)?(?(q)b|c)", "a condition"), (r"(?>a+)(a+)+", "an atomic group"),
        (r"(a+)++", "a possessive"), (r"([^\W]+)+", r"\W within brackets"), (r"(a{1,5000})+", "invalid repetition"),
        (r"(a*|b)*", "a repetition of what can be empty"),
    ],
)  # fmt: skip
def test_what_cannot_be_done_in_linear_time_is_refused_with_what_it_is(pattern: str, asked: str) -> None:
    assert asked in Pattern(pattern).endless
    problems = Problems("ward.toml", places(""))
    assert regex(pattern, ("patient", "pattern"), problems) is None
    (found,) = problems.error().problems
    assert "can take any time" in found.what
    # What a ledger keeps from before goes on as it did.
    earlier = Problems("ward.toml", places(""), earlier=True)
    assert regex(pattern, ("patient", "pattern"), earlier) is not None


def test_a_fault_is_told_with_its_place() -> None:
    with pytest.raises(PatternError, match="unterminated subpattern") as caught:
        Pattern("ab(c")
    assert caught.value.at == 2


@pytest.mark.parametrize(
    "pattern",
    [
        r"\d{1,3}\s+\d{2}:\d{2}", r"(?P<sys>\d{2,3}|---)/(?P<dia>\d{2,3}|---)", r"\s*(?P<n>\d+)\s+(?P<rest>.*)$",
        r"(\d\s?)*x", r"[A-Z]{2}\d{6}", r"(?i)temp\s+\d+", r"a{0}b", r"Name:.+",
    ],
)  # fmt: skip
def test_patterns_without_a_choice_stay_with_the_faster_engine(pattern: str) -> None:
    assert isinstance(Pattern(pattern)._fits.__self__, re.Pattern)


@pytest.mark.parametrize(
    "pattern",
    [r"(a+)+", r"(a|a)*", r".*x", r"(\d+\.)*\d+", r"\d{1,2}\d{2}", r"(?i)[a-z]*A", r"\w*ж"],
)
def test_patterns_with_a_choice_go_to_the_other(pattern: str) -> None:
    assert not isinstance(Pattern(pattern)._fits.__self__, re.Pattern)


_LETTERS = st.sampled_from([*"ab1 .é٣\u00a0_-", r"\d", r"\w", r"\s", r"\D", r"\W", r"\S", ".", r"\.", r"\u00e9"])
_SETS = st.sampled_from([r"[ab]", r"[^a]", r"[\d.]", r"[\w-]", r"[^\s]", "[]a]", "[a[]", r"[а-я]", r"[^\d]", r"[\]b]"])
_ATOMS = _LETTERS | _SETS
_TIMES = st.sampled_from(["", "*", "+", "?", "{2}", "{1,3}", "{,2}", "*?", "+?", "{2,}"])


def _parts(inner: st.SearchStrategy[str]) -> st.SearchStrategy[str]:
    group = inner.map(lambda text: f"(?:{text})") | inner.map(lambda text: f"({text})")
    either = st.tuples(inner, inner).map(lambda two: f"(?:{two[0]}|{two[1]})")
    return st.lists(st.tuples(group | either | _ATOMS, _TIMES).map("".join), min_size=1, max_size=4).map("".join)


_PATTERNS = st.recursive(st.tuples(_ATOMS, _TIMES).map("".join), _parts, max_leaves=6)
_TEXTS = st.text(alphabet="ab1 .é٣\u00a0_-ж]", max_size=8)


@settings(max_examples=600, suppress_health_check=[HealthCheck.too_slow], deadline=None)
@given(_PATTERNS, st.lists(_TEXTS, min_size=1, max_size=6))
def test_a_text_means_the_same_to_both_engines(pattern: str, texts: list[str]) -> None:
    """The reference is Python's own engine, which is Perl's rule: the leftmost alternative that lets the rest fit."""
    try:
        compiled = re.compile(f"(?P<head>{pattern})(?P<tail>b?)")
    except re.error:
        return
    made = Pattern(compiled.pattern)
    if made.endless:
        return
    for text in texts:
        expected = compiled.fullmatch(text)
        found = made.cells(text)
        assert found == (expected.groupdict() if expected else None)
        begun = compiled.match(text)
        assert made.begins(text) == (begun.end() if begun else -1)
