"""Texts to readings: number, unit, site, answer, absent token; exact, and never a guess.

A value is a `Decimal` as the text states it, or an exact `Fraction` on the way through a conversion; it is rounded
once, at the end. Whatever the mapping does not name is held with the rule that says what is missing.
"""

from __future__ import annotations

import re
from decimal import Decimal
from fractions import Fraction
from functools import cache
from typing import NamedTuple

from gateway.errors import MappingError
from gateway.mapping.model import Absent, Mapping, Method, Numbers, Site, VitalSource
from gateway.model import SPACES, Noticed, Outcome, Reading, spaced
from gateway.patterns import Pattern, PatternError
from gateway.vocabulary import Unit, Vital, convert, unit_for, units, vitals

LONGEST = 64
"""A cell with more characters than this is not the text of a value."""

DIGITS = 18
"""A decimal of FHIR R4 keeps at least 18 digits (http://hl7.org/fhir/R4/datatypes.html#decimal); more are held."""

_QUOTABLE = re.compile(r"[0-9A-Za-z .,:<>=%/*?_-]{1,12}")
_LONG_NUMBER = re.compile(r"[0-9]{6}")
_COMPARATOR = re.compile(r"(<=|>=|<|>|≤|≥)\s*")
_COMPARATORS = {"≤": "<=", "≥": ">="}
_NUMBER_GOES_ON = re.compile(r"[0-9.,]|[eE][+-]?[0-9]")
_LOOKS_LIKE_A_NUMBER = re.compile(r"[<>=≤≥\s]*[+\-−]?[.,]?\d")


def shown(text: str) -> str:
    """A value's text as a message may show it: quoted when short and plain, else only its length.

    A run of six or more digits may be somebody's number, and no value of a vital has one.
    """
    plain = _QUOTABLE.fullmatch(text) and not _LONG_NUMBER.search(text)
    return f'"{text}"' if plain else f"a text of {len(text)} characters"


class _Held(Exception):  # noqa: N818 - not an error: it carries what to say about a text that is held
    def __init__(self, rule: str, message: str) -> None:
        super().__init__(message)
        self.noticed = Noticed(rule, message)


class _Amount(NamedTuple):
    """A number as exported: `unit` is its UCUM code, `decimals` the digits behind its decimal sign."""

    number: Decimal
    decimals: int
    unit: str


class ValueReader:
    """Reads the texts of one vital as a mapping says.

    Args:
        key: key of the vital in the vocabulary.
        source: how the mapping says the vital is read.
        mapping: the whole mapping: how numbers are written, and the tokens that mean absent.

    Raises:
        MappingError: the mapping names a vital, unit, record unit or pattern that cannot be used.
    """

    def __init__(self, key: str, source: VitalSource, mapping: Mapping) -> None:
        self._where = f"vitals.{key}"
        known = vitals().get(key)
        if known is None:
            raise MappingError(f"there is no vital {key!r}", where=self._where, todo="`gateway vitals` lists them")
        self._vital: Vital = known
        self._source = source
        self._comparators = mapping.numbers.comparators if source.comparators is None else source.comparators
        self._absent = {
            token.strip(): Absent(reason=meant, meaning="") if isinstance(meant, str) else meant
            for token, meant in (*mapping.absent.items(), *source.absent.items())
        }
        self._pattern = self._compiled(source.pattern) if source.pattern else None
        self._answers = {text.strip(): answer for text, answer in source.codes.items()}
        self._sites = (
            {text.strip(): site for text, site in source.site.values.items()} if isinstance(source.site, Site) else {}
        )
        self._methods = (
            {text.strip(): method for text, method in source.method.values.items()}
            if isinstance(source.method, Method)
            else {}
        )
        self._qualities = (
            {text.strip(): meant for text, meant in source.quality.values.items()} if source.quality else {}
        )
        self._fixed = self._unit(source.unit, "unit") if source.unit is not None else None
        self._units = self._declared_units()
        self._record_unit = self._unit(source.record_unit, "record_unit").ucum if source.record_unit else ""
        if self._record_unit and self._record_unit not in self._vital.units:
            raise MappingError(
                f"a record of {key} cannot be in {self._record_unit}",
                where=f"{self._where}.record_unit",
                todo=f"Choose one of: {', '.join(self._vital.units)}",
            )
        self._decimal = mapping.numbers.decimal
        self._number = _number_pattern(mapping.numbers)
        accepted = {unit.ucum: unit for unit in (*self._units.values(), *([self._fixed] if self._fixed else []))}
        self._compound = tuple(_Compound(unit, self._number) for unit in accepted.values() if unit.parts)

    def read(
        self, text: str, unit_text: str = "", site_text: str = "", method_text: str = "", quality_text: str = ""
    ) -> Reading | None:
        """What a text means.

        Args:
            text: the verbatim cell.
            unit_text: the verbatim cell of the unit column, when there is one.
            site_text: the verbatim cell of the site column, when there is one.
            method_text: the verbatim cell of the method column, when there is one.
            quality_text: the verbatim cell of the signal quality, when there is one.

        Returns:
            A reading that is RECORDED (understood), ABSENT (a declared token, or a value declared invalid by its
            quality) or HELD (with the rule that says why); None for a blank cell and for a group of the pattern that
            took no part: nothing was measured.
        """
        trimmed = text.strip()
        absent = self._absent.get(trimmed)
        if absent is not None:
            return self._missing(text, trimmed, absent)
        if not trimmed:
            return None
        try:
            if len(trimmed) > LONGEST:
                raise _Held("number-malformed", f"The cell holds {shown(trimmed)}; a value has at most {LONGEST}")
            if self._pattern is not None:
                found = self._pattern.cells(trimmed)
                if found is None:
                    raise _Held("pattern-not-matched", f"{shown(trimmed)} does not fit the mapping's pattern")
                text = found[self._vital.key] or ""
                trimmed = text.strip()
                absent = self._absent.get(trimmed)
                if absent is not None and trimmed:
                    return self._missing(text, trimmed, absent)
                if not trimmed:
                    return None
            quality = self._quality(quality_text)
            if quality == "invalid":
                return self._invalid(text, quality_text.strip())
            if self._vital.kind == "coded":
                return self._coded(text, trimmed, site_text, method_text)
            return self._measured(text, trimmed, unit_text, self._site(site_text), self._method(method_text), quality)
        except _Held as held:
            return Reading(self._vital.key, text, Outcome.HELD, noticed=(held.noticed,))

    def _missing(self, text: str, trimmed: str, absent: Absent) -> Reading:
        meaning = f" ({absent.meaning})" if absent.meaning else ""
        token = shown(trimmed) if trimmed else "A blank cell"
        return Reading(
            self._vital.key,
            text,
            Outcome.ABSENT,
            reason=absent.reason,
            meaning=absent.meaning,
            noticed=(Noticed("absent-declared", f"{token} is declared as absent: {absent.reason}{meaning}"),),
        )

    def _invalid(self, text: str, quality: str) -> Reading:
        meaning = "signal quality invalid"
        noticed = Noticed("absent-declared", f"the quality {shown(quality)} is declared as invalid: error ({meaning})")
        return Reading(self._vital.key, text, Outcome.ABSENT, reason="error", meaning=meaning, noticed=(noticed,))

    def _coded(self, text: str, trimmed: str, site_text: str, method_text: str) -> Reading:
        answer = self._answers.get(trimmed)
        if answer is None or answer not in self._vital.answers:
            raise _Held("undeclared-answer", f"The mapping does not say which answer {shown(trimmed)} is")
        return Reading(
            self._vital.key,
            text,
            Outcome.RECORDED,
            code=answer,
            site=self._site(site_text),
            method=self._method(method_text),
        )

    def _measured(self, text: str, trimmed: str, unit_text: str, site: str, method: str, quality: str) -> Reading:
        if not _LOOKS_LIKE_A_NUMBER.match(trimmed):
            raise _Held("undeclared-token", f"{shown(trimmed)} is not a number, and no token of the mapping")
        comparator = ""
        rest = trimmed
        if found := _COMPARATOR.match(trimmed):
            if not self._comparators:
                raise _Held("comparator-not-declared", f"{shown(trimmed)} is a limit, not a value")
            comparator = _COMPARATORS.get(found[1], found[1])
            rest = trimmed[found.end() :]
        amount = self._amount(rest, unit_text)
        unit = self._unit_of_record(amount.unit)
        exact = convert(Fraction(amount.number), amount.unit, unit, vital=self._vital.key)
        return Reading(
            self._vital.key,
            text,
            Outcome.RECORDED,
            value=self._rounded(amount, exact, unit),
            exact=exact,
            unit=unit,
            comparator=comparator,
            site=site,
            source_value=amount.number,
            source_unit=amount.unit,
            method=method,
            quality=quality,
        )

    def _amount(self, text: str, unit_text: str) -> _Amount:
        """The number of a text with the unit the text, the unit column or the mapping states."""
        for compound in self._compound:
            amount = compound.read(text, self._decimal)
            if amount is not None and self._states(compound.unit, unit_text):
                return amount
        found = self._number.match(text)
        behind = text[found.end() :].strip() if found else ""
        if found is None or _NUMBER_GOES_ON.match(text[found.end() :]) or (behind and not self._source.unit_in_text):
            raise _Held("number-malformed", f"{shown(text)} is not {self._how_numbers_look()}")
        number, decimals = _decimal(found[0], self._decimal)
        unit = self._stated_unit(behind, unit_text)
        if unit.parts:
            raise _Held("undeclared-unit", f"{shown(text)} does not say which of {unit.display} it counts")
        return _Amount(number, decimals, unit.ucum)

    def _how_numbers_look(self) -> str:
        look = f"a number with the decimal sign {self._decimal!r}"
        if self._source.unit_in_text:
            look += " and a unit"
        return look

    def _states(self, unit: Unit, unit_text: str) -> bool:
        """Whether a two-part text may be read as `unit`: stated by the column, fixed, or told from the text."""
        stated = spaced(unit_text)
        if stated:
            return self._units.get(stated) == unit
        return self._fixed == unit or self._source.unit_in_text

    def _stated_unit(self, behind: str, unit_text: str) -> Unit:
        stated = [self._named_unit(text) for text in (spaced(behind), spaced(unit_text)) if text]
        if not stated:
            if self._fixed is None:
                raise _Held("undeclared-unit", "The value comes without a unit, and the mapping fixes none")
            return self._fixed
        if len({unit.ucum for unit in stated}) > 1:
            raise _Held("undeclared-unit", "The cell and the unit column state different units")
        return stated[0]

    def _named_unit(self, text: str) -> Unit:
        unit = self._units.get(text)
        if unit is None and self._fixed is not None and unit_for(text) == self._fixed:
            unit = self._fixed
        if unit is None:
            raise _Held("undeclared-unit", f"The mapping does not name the unit {shown(text)}")
        return unit

    def _unit_of_record(self, exported: str) -> str:
        if self._record_unit:
            return self._record_unit
        if self._vital.keep_unit and exported in self._vital.units:
            return exported
        return self._vital.units[0]

    def _rounded(self, amount: _Amount, exact: Fraction, unit: str) -> Decimal:
        if amount.unit == unit:
            return amount.number
        decimals = self._source.decimals
        if decimals is None:
            shift = _shift(amount.unit, unit)
            # A power of ten only moves the point: every digit of the text stays.
            decimals = self._vital.decimals_in(unit) if shift is None else max(0, amount.decimals - shift)
        return _written(round(exact * 10**decimals), decimals)

    def _site(self, site_text: str) -> str:
        if not isinstance(self._source.site, Site):
            return self._source.site or ""
        stated = site_text.strip()
        if not stated or stated in self._source.site.not_stated:
            return ""
        site = self._sites.get(stated)
        if site is None:
            raise _Held("undeclared-site", f"The mapping does not say which body site {shown(stated)} is")
        return site

    def _method(self, method_text: str) -> str:
        if not isinstance(self._source.method, Method):
            return self._source.method or ""
        stated = method_text.strip()
        if not stated or stated in self._source.method.not_stated:
            return ""
        method = self._methods.get(stated)
        if method is None:
            raise _Held("undeclared-method", f"The mapping does not say which method {shown(stated)} is")
        return method

    def _quality(self, quality_text: str) -> str:
        """The declared quality: "questionable", "invalid", or "" for a good quality and for one that is not stated."""
        stated = quality_text.strip()
        if self._source.quality is None or not stated:
            return ""
        quality = self._qualities.get(stated)
        if quality is None:
            raise _Held("undeclared-quality", f"The mapping does not say which signal quality {shown(stated)} is")
        return "" if quality == "good" else quality

    def _declared_units(self) -> dict[str, Unit]:
        declared = self._source.units
        pairs = declared.items() if isinstance(declared, dict) else [(text, text) for text in declared]
        return {spaced(text): self._unit(name, "units") for text, name in pairs}

    def _unit(self, text: str, key: str) -> Unit:
        unit = unit_for(text)
        if unit is None or unit.dimension != self._vital.dimension:
            raise MappingError(
                f"{text!r} is not a unit of {self._vital.title.lower()}",
                where=f"{self._where}.{key}",
                todo="`gateway vitals` lists the units",
            )
        return unit

    def _compiled(self, pattern: str) -> Pattern:
        where = f"{self._where}.pattern"
        try:
            compiled = Pattern(pattern)
        except PatternError as error:
            raise MappingError(f"the pattern is not a regular expression: {error}", where=where) from None
        if self._vital.key not in compiled.names:
            raise MappingError(f"the pattern has no group named {self._vital.key}", where=where)
        return compiled


class _Compound:
    """Reads texts in a two-part unit: "5 ft 10 in", 5'10", "7 lb 8 oz", "11st 4lb", "5 ft".

    The first part is whole: "5.11 ft" beside "5 ft 11 in" may be meant as either, so it is left to be held.
    """

    def __init__(self, unit: Unit, number: re.Pattern[str]) -> None:
        self.unit = unit
        first, second = (units()[ucum] for ucum in unit.parts)
        ratio = first.factor / second.factor
        self._ratio = int(ratio)
        names = [_alternatives(part) for part in (first, second)]
        self._both = re.compile(
            rf"(?P<first>[0-9]{{1,3}})\s*(?:{names[0]})\s*(?P<second>{number.pattern})\s*(?:{names[1]})?", re.IGNORECASE
        )
        self._first = re.compile(rf"(?P<number>[0-9]{{1,3}})\s*(?:{names[0]})", re.IGNORECASE)
        self._second = re.compile(rf"(?P<number>{number.pattern})\s*(?:{names[1]})", re.IGNORECASE)

    def read(self, text: str, decimal: str) -> _Amount | None:
        """The amount counted in the second part, or None when the text is not of this form."""
        if text.startswith("-"):
            return None
        second = self.unit.parts[1]
        if found := self._both.fullmatch(text):
            number, decimals = _decimal(found["second"], decimal)
            if number.is_signed() or number >= self._ratio:
                raise _Held("number-malformed", f"{shown(text)}: the second part must be below {self._ratio}")
            total = Fraction(int(found["first"]) * self._ratio) + Fraction(number)
            return _Amount(_written(int(total * 10**decimals), decimals), decimals, second)
        if found := self._first.fullmatch(text):
            return _Amount(Decimal(int(found["number"]) * self._ratio), 0, second)
        if found := self._second.fullmatch(text):
            return _Amount(*_decimal(found["number"], decimal), second)
        return None


def _alternatives(unit: Unit) -> str:
    """The spellings of a unit as one regular expression, the longest first."""
    texts = sorted((unit.ucum, *unit.spellings), key=len, reverse=True)
    return "|".join(re.escape(text) for text in texts)


def _number_pattern(numbers: Numbers) -> re.Pattern[str]:
    """A number in the declared notation. ASCII digits only; thousands in whole groups of three or not at all."""
    whole = "[0-9]+"
    if numbers.thousands:
        mark = f"[{SPACES}]" if numbers.thousands == " " else re.escape(numbers.thousands)
        whole = rf"(?:[0-9]{{1,3}}(?:{mark}[0-9]{{3}})+(?![0-9])|[0-9]+)"
    return re.compile(rf"-?{whole}(?:{re.escape(numbers.decimal)}[0-9]+)?")


def _decimal(text: str, decimal: str) -> tuple[Decimal, int]:
    """The number a text in the declared notation states, and its digits behind the decimal sign."""
    whole, _, part = text.partition(decimal)
    sign = "-" if whole.startswith("-") else ""
    digits = "".join(character for character in whole if "0" <= character <= "9")
    if len(digits) + len(part) > DIGITS:
        raise _Held("number-malformed", f"{shown(text)} has more than {DIGITS} digits")
    number = Decimal(f"{sign}{digits}.{part}" if part else f"{sign}{digits}")
    if sign and not number:
        raise _Held("number-malformed", f"{shown(text)} is a zero with a minus sign")
    return number, len(part)


def _written(whole: int, decimals: int) -> Decimal:
    """`whole` / 10 ** `decimals` with exactly that many decimals, whatever the arithmetic context."""
    digits = tuple(int(character) for character in str(abs(whole)))
    return Decimal((1 if whole < 0 else 0, digits, -decimals))


@cache
def _shift(from_ucum: str, to_ucum: str) -> int | None:
    """By how many places a conversion moves the decimal point, or None when it does more than that."""
    source, target = units()[from_ucum], units()[to_ucum]
    if source.base != target.base or source.offset or target.offset:
        return None
    ratio = source.factor / target.factor
    for places in range(-6, 7):
        if ratio == Fraction(10) ** places:
            return places
    return None
