r"""Patterns of mappings: regular expressions that take time in proportion to the text, whatever they meet.

A pattern in which each character of a text can be taken in one way only is run by Python's own engine, which cannot
go astray on it and is the faster one for short texts. Any other is run by RE2, whose time is linear by design. What a
text means does not depend on which of the two reads it; what RE2 cannot do (look around, refer back) is refused.

The letters are those of Python: \d \w \s and their opposites know the characters of every script.
Source: RE2 syntax, https://github.com/google/re2/wiki/Syntax; Brueggemann-Klein and Wood, One-unambiguous regular
languages, Information and Computation 142 (1998), for the question whether a text can be taken in one way only.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from functools import lru_cache
from itertools import pairwise
from re import _constants as _sre  # type: ignore[attr-defined]
from re import _parser  # type: ignore[attr-defined]
from typing import Any, NamedTuple

import re2

_POSITIONS = 400
"""Characters of a pattern, with what is repeated counted as often as it is; a longer one is for RE2 to run."""

_LONGEST = 2_000
"""Characters in which a pattern is written."""

_DIGITS = r"\p{Nd}"
_WORD = r"\p{L}\p{N}_"
_BLANKS = r"\s\x0b\x1c-\x1f\x{85}\p{Z}"
_CLASSES = {"d": _DIGITS, "w": _WORD, "s": _BLANKS}
_HEX = {"x": 2, "u": 4, "U": 8}


class PatternError(ValueError):
    """A pattern that cannot be used.

    Attributes:
        what: what is wrong with it, in words.
        at: position of the fault in the pattern, None where it is not known.
    """

    def __init__(self, what: str, at: int | None = None) -> None:
        super().__init__(what)
        self.what = what
        self.at = at


class Pattern:
    """A pattern, ready for use.

    Args:
        text: the regular expression, with named groups as (?P<name>...).

    Attributes:
        names: its named groups, in their order.
        text: as it was given.
        endless: what it asks for that can take any time, in words; "" where it takes time in proportion to the text.

    Raises:
        PatternError: it has a fault.
    """

    __slots__ = ("_begins", "_fits", "endless", "names", "text")

    def __init__(self, text: str) -> None:
        self.text = text
        self.names: tuple[str, ...]
        compiled, self.names, self.endless = _engine(text)
        self._fits = compiled.fullmatch
        self._begins = compiled.match

    def cells(self, text: str) -> dict[str, str | None] | None:
        """The texts of the named groups where the pattern fits the whole text, None for a group that took no part.

        None where it does not fit.
        """
        found = self._fits(text)
        return None if found is None else found.groupdict()

    def fits(self, text: str) -> bool:
        """Whether the pattern fits the whole text."""
        return self._fits(text) is not None

    def begins(self, text: str) -> int:
        """Where the pattern ends that fits the beginning of a text; -1 where it does not fit there."""
        found = self._begins(text)
        return -1 if found is None else int(found.end())

    def __reduce__(self) -> tuple[type[Pattern], tuple[str]]:
        return Pattern, (self.text,)


@lru_cache(1_000)
def _engine(text: str) -> tuple[Any, tuple[str, ...], str]:
    """What runs a pattern, its named groups, and what it asks for that can take any time.

    Raises:
        PatternError: it has a fault.
    """
    if len(text) > _LONGEST:
        raise PatternError(f"it has more than {_LONGEST:,} characters")
    try:
        parsed = _parser.parse(text)
        compiled: Any = re.compile(text)
    except re.error as error:
        raise PatternError(error.msg, error.pos) from None
    except (OverflowError, RecursionError) as error:
        raise PatternError(str(error)) from None
    names = tuple(compiled.groupindex)
    if _one_way(parsed):
        return compiled, names, ""
    try:
        return _linear(text, parsed), names, ""
    except _Endless as asked:
        return compiled, names, str(asked)


class _Endless(Exception):  # noqa: N818 (it never leaves this module)
    """A pattern asks for what RE2 does not do."""


def _linear(text: str, parsed: Any) -> Any:
    """The same pattern for RE2."""
    for operator, argument in _nodes(parsed):
        if operator in _REFUSED:
            raise _Endless(_REFUSED[operator])
        if operator in _REPEATS and argument[1] > 1 and argument[2].getwidth()[0] == 0:
            # Engines differ in what they make of a turn that takes nothing.
            raise _Endless("a repetition of what can be empty, such as (a*)*")
    options = re2.Options()
    options.log_errors = False
    options.max_mem = 1 << 24
    try:
        return re2.compile(_translated(text), options)
    except re2.error as error:
        said = error.args[0]
        what = said.decode("utf-8", "replace") if isinstance(said, bytes) else str(said)
        raise _Endless(f"what RE2 calls {what}") from None


_REFUSED = {
    _sre.ASSERT: "a look-ahead or look-behind, (?=...) or (?<=...)",
    _sre.ASSERT_NOT: "a look-ahead or look-behind, (?!...) or (?<!...)",
    _sre.GROUPREF: "a reference to an earlier group",
    _sre.GROUPREF_EXISTS: "a condition on an earlier group",
    _sre.ATOMIC_GROUP: "an atomic group, (?>...)",
    _sre.POSSESSIVE_REPEAT: "a possessive repetition such as ++",
}


def _nodes(parsed: Any) -> Iterator[tuple[Any, Any]]:
    """Every part of a parsed pattern, and the parts of those."""
    for operator, argument in parsed:
        yield operator, argument
        for inner in _inner(operator, argument):
            yield from _nodes(inner)


def _inner(operator: Any, argument: Any) -> Sequence[Any]:
    if operator is _sre.BRANCH:
        return list(argument[1])
    if operator in (_sre.SUBPATTERN, *_REPEATS):
        return [argument[-1]]
    return []


_REPEATS = (_sre.MAX_REPEAT, _sre.MIN_REPEAT)


def _translated(text: str) -> str:
    """A pattern of Python in the words of RE2, where these differ: classes, ends, numbers of characters, {,n}."""
    made: list[str] = []
    at, inside = 0, False
    while at < len(text):
        mark = text[at]
        follows = text[at + 1] if mark == "\\" and at + 1 < len(text) else ""
        if follows.lower() in _CLASSES and follows:
            known = _CLASSES[follows.lower()]
            if follows.isupper() and inside:
                raise _Endless(f"\\{follows} within brackets")
            made.append(known if inside else f"[^{known}]" if follows.isupper() else f"[{known}]")
            at += 2
        elif follows in _HEX:
            digits = text[at + 2 : at + 2 + _HEX[follows]]
            made.append(f"\\x{{{digits}}}")
            at += 2 + len(digits)
        elif follows == "Z" and not inside:
            made.append(r"\z")
            at += 2
        elif follows:
            # A mark of punctuation stands for itself; letters mean the same to both.
            made.append(text[at : at + 2] if follows.isascii() else follows)
            at += 2
        elif mark == "[" and not inside:
            inside = True
            made.append(mark)
            at += 1
            for sign in ("^", "]"):
                if text[at : at + 1] == sign:
                    made.append("\\]" if sign == "]" else sign)
                    at += 1
        elif inside:
            inside = mark != "]"
            made.append("\\[" if mark == "[" else mark)
            at += 1
        elif text.startswith("{,", at) and re.match(r"\{,\d+\}", text[at:]):
            made.append("{0,")
            at += 2
        else:
            made.append(mark)
            at += 1
    return "".join(made)


# -- whether a text can be taken in one way only


class _Part(NamedTuple):
    """A part of a pattern: whether it fits nothing, the positions it can begin with, those it can end with."""

    empty: bool
    first: tuple[int, ...]
    last: tuple[int, ...]


class _Ambiguous(Exception):  # noqa: N818 (it never leaves this module)
    """A text may be taken in more than one way, or nobody knows."""


def _one_way(parsed: Any) -> bool:
    """Whether every text is taken in one way only, so that an engine that tries the ways one by one has no choice."""
    try:
        _Ways(_without_rest(parsed), parsed.state.flags)
    except _Ambiguous:
        return False
    return True


def _without_rest(parsed: Any) -> list[tuple[Any, Any]]:
    """A pattern without the .* or .+ at its end: whatever is left of a text, that takes it, and no choice is left."""
    parts = list(parsed)
    behind: list[tuple[Any, Any]] = []
    while parts and parts[-1][0] is _sre.AT:
        behind.insert(0, parts.pop())
    if not parts:
        return behind
    operator, argument = parts[-1]
    if operator is _sre.SUBPATTERN:
        parts[-1] = (operator, (*argument[:3], _without_rest(argument[3])))
    elif operator in _REPEATS:
        low, high, inner = argument
        if low <= 1 and high is _sre.MAXREPEAT and [each for each, _ in inner] == [_sre.ANY]:
            parts.pop()
    return parts + behind


class _Ways:
    """The positions of a pattern and what can follow each, as Glushkov builds an automaton.

    Two ways from one position to another are a choice as well: (a+)+ has one way by its letters, and two by its
    repetitions.

    Args:
        parsed: the pattern.
        flags: those that it sets.

    Raises:
        _Ambiguous: there is a choice.
    """

    def __init__(self, parsed: Any, flags: int) -> None:
        self._ignoring_case = bool(flags & re.IGNORECASE)
        self._universe = _universe(parsed)
        self._masks: dict[str, int] = {}
        self._letters: list[int] = []
        self._follow: list[set[int]] = []
        whole = self._sequence(parsed)
        for places in (whole.first, *self._follow):
            self._tell_apart(places)

    def _tell_apart(self, places: Iterable[int]) -> None:
        taken = 0
        for place in places:
            if taken & self._letters[place]:
                raise _Ambiguous
            taken |= self._letters[place]

    def _sequence(self, parsed: Any) -> _Part:
        parts = [self._part(operator, argument) for operator, argument in parsed]
        return self._joined([part for part in parts if part is not None])

    def _joined(self, parts: Iterable[_Part]) -> _Part:
        empty = True
        first: tuple[int, ...] = ()
        last: tuple[int, ...] = ()
        for part in parts:
            self._connect(last, part.first)
            first = first + part.first if empty else first
            last = last + part.last if part.empty else part.last
            empty = empty and part.empty
        return _Part(empty, first, last)

    def _connect(self, last: Iterable[int], first: Iterable[int]) -> None:
        for one in last:
            for other in first:
                if other in self._follow[one]:
                    raise _Ambiguous
                self._follow[one].add(other)

    def _part(self, operator: Any, argument: Any) -> _Part | None:
        """One part; None for what takes no character."""
        if operator is _sre.AT:
            return None
        if operator is _sre.SUBPATTERN:
            if argument[1] or argument[2]:
                raise _Ambiguous
            return self._sequence(argument[3])
        if operator is _sre.BRANCH:
            return self._either([self._sequence(each) for each in argument[1]])
        if operator in _REPEATS:
            return self._repeated(*argument)
        if len(self._letters) >= _POSITIONS:
            raise _Ambiguous
        letter = f"{operator} {argument}"
        if letter not in self._masks:
            self._masks[letter] = self._mask(operator, argument)
        self._letters.append(self._masks[letter])
        self._follow.append(set())
        place = (len(self._letters) - 1,)
        return _Part(False, place, place)

    def _either(self, parts: Sequence[_Part]) -> _Part:
        if sum(part.empty for part in parts) > 1:
            raise _Ambiguous
        first = tuple([place for part in parts for place in part.first])
        last = tuple([place for part in parts for place in part.last])
        return _Part(any(part.empty for part in parts), first, last)

    def _repeated(self, low: int, high: Any, inner: Any) -> _Part:
        endless = high is _sre.MAXREPEAT
        times = max(low, 1) if endless else int(high)
        if times > _POSITIONS:
            raise _Ambiguous
        parts = [self._sequence(inner) for _ in range(times)]
        if any(part.empty for part in parts):
            raise _Ambiguous
        for before, after in pairwise(parts):
            self._connect(before.last, after.first)
        if endless:
            self._connect(parts[-1].last, parts[-1].first)
        first = parts[0].first if parts else ()
        last = tuple([place for part in parts[max(low, 1) - 1 :] for place in part.last])
        return _Part(low == 0, first, last)

    def _mask(self, operator: Any, argument: Any) -> int:
        """The characters that a position takes, as bits of the universe."""
        mask = 0
        for bit, character in enumerate(self._universe):
            forms = {character, character.lower(), character.upper()} if self._ignoring_case else {character}
            if any(len(form) == 1 and _takes(operator, argument, form) for form in forms):
                mask |= 1 << bit
        return mask


def _universe(parsed: Any) -> tuple[str, ...]:
    """Characters that stand for all: those the pattern names, the ends of its ranges, and some of every kind."""
    found = {*map(chr, range(128)), "\u00a0", "\u00e9", "\u0663", "\u2003", "\u0416", "\u20ac"}
    for operator, argument in _nodes(parsed):
        for inner, what in argument if operator is _sre.IN else [(operator, argument)]:
            if inner in (_sre.LITERAL, _sre.NOT_LITERAL):
                found.add(chr(what))
            elif inner is _sre.RANGE:
                found.update(map(chr, what))
    return tuple(sorted(found))


def _takes(operator: Any, argument: Any, character: str) -> bool:
    code = ord(character)
    if operator is _sre.LITERAL:
        return code == int(argument)
    if operator is _sre.NOT_LITERAL:
        return code != int(argument)
    if operator is _sre.ANY:
        return character != "\n"
    if operator is _sre.RANGE:
        return bool(argument[0] <= code <= argument[1])
    if operator is _sre.CATEGORY:
        name, wanted = _CATEGORIES[argument]
        return _CLASS[name](character) is wanted
    if operator is _sre.IN:
        negated = argument[0][0] is _sre.NEGATE
        return any(_takes(inner, what, character) for inner, what in argument[negated:]) is not negated
    raise _Ambiguous


_CATEGORIES: Mapping[Any, tuple[str, bool]] = {
    _sre.CATEGORY_DIGIT: ("d", True),
    _sre.CATEGORY_NOT_DIGIT: ("d", False),
    _sre.CATEGORY_SPACE: ("s", True),
    _sre.CATEGORY_NOT_SPACE: ("s", False),
    _sre.CATEGORY_WORD: ("w", True),
    _sre.CATEGORY_NOT_WORD: ("w", False),
}

_CLASS: Mapping[str, Callable[[str], bool]] = {
    "d": str.isdecimal,
    "s": str.isspace,
    "w": lambda character: character.isalnum() or character == "_",
}
"""Python's \\d, \\s and \\w, as its library reference defines them."""
