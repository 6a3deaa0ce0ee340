"""The tables of the vocabulary: their types, their loader and the checks made on loading."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from fractions import Fraction
from functools import cache, lru_cache
from importlib import resources
from typing import Any, TypeVar

from gateway.errors import VocabularyError
from gateway.model import spaced

LOINC = "http://loinc.org"
UCUM = "http://unitsofmeasure.org"
MDC = "urn:iso:std:iso:11073:10101"
SNOMED = "http://snomed.info/sct"
CATEGORY_SYSTEM = "http://terminology.hl7.org/CodeSystem/observation-category"

_T = TypeVar("_T")

BINS = 40
CATEGORIES = ("neonate", "infant", "child", "adult")

NEONATE_DAYS = 28
"""Below so many days of age somebody is a neonate."""

AGES = {
    "infant:0-3": (0, 3),
    "infant:3-12": (3, 12),
    "child:1-4": (12, 48),
    "child:4-13": (48, 156),
}
"""Parts of a category by age in whole months, from and below, where the age is known: limits may be finer there."""

_R4 = "http://hl7.org/fhir/StructureDefinition/"
_US_CORE = "http://hl7.org/fhir/us/core/StructureDefinition/"
# A shorter spelling is only taken as written: "g" and "G", "m" and "M" are different units.
_SHORTEST_FOLDED = 3


def whole_of(category: str) -> str:
    """The category that a part of one (`AGES`) is of; a category itself is."""
    return category.partition(":")[0]


@dataclass(frozen=True, slots=True)
class Coding:
    """A code of a code system.

    Attributes:
        system: FHIR URI of the code system.
        code: the code.
        display: the code system's words for it.
        confidence: how sure the code is: seen, derived, secondary, memory or common practice.
    """

    system: str
    code: str
    display: str
    confidence: str = field(default="seen", compare=False)


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit of measure.

    Attributes:
        ucum: UCUM code; a two-part unit has a key such as "[ft_i]+[in_i]" that never goes into a record.
        display: text for people, plain ASCII.
        spellings: texts that mean this unit in exports and mappings.
        dimension: "pressure", "temperature", ...; only units of one dimension convert.
        factor: exact factor to the base unit: base = value * factor + offset.
        offset: exact offset to the base unit; 0 but for temperatures.
        mdc: IEEE 11073-10101 code, or None.
        source: where the factor comes from.
        base: the base unit ("Pa", "K", "kg", "m", "/min", "1", "g/L", "mol/L", ...).
        parts: UCUM codes of the two parts of a two-part unit, else empty; its values count the second part.
    """

    ucum: str
    display: str
    spellings: tuple[str, ...]
    dimension: str
    factor: Fraction
    offset: Fraction
    mdc: Coding | None
    source: str
    base: str
    parts: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Answer:
    """An answer of a coded vital; `score` is what it counts in a total, None where it counts in none."""

    key: str
    coding: Coding
    title: str
    score: int | None = None


@dataclass(frozen=True, slots=True)
class Choice:
    """An answer of a qualifier.

    Attributes:
        key: name in mappings.
        coding: its code; None where no code is published: it is then sent as text.
        title: text for people.
        against: patient categories it is not made for (a neonate cuff and an adult).
    """

    key: str
    coding: Coding | None
    title: str
    against: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Qualifier:
    """What else there is to know of the measurement of a panel: how it was started, which cuff, which position.

    Attributes:
        key: name of its table in mappings.
        title: text for people.
        coding: its LOINC code; None where none is published.
        local: its code in HL7 v2 where none is published, "" elsewhere.
        sub_id: OBX-4, permanent and unique.
        answers: its answers, by key.
        of_patient: it says something of the patient, and not of the measurement alone.
    """

    key: str
    title: str
    coding: Coding | None
    sub_id: str
    answers: Mapping[str, Choice]
    of_patient: bool
    local: str = ""


@dataclass(frozen=True, slots=True)
class Site:
    """A body site.

    Attributes:
        key: name in mappings.
        title: text for people.
        loinc: code added beside the vital's own, or None.
        mdc: code that takes the place of the vital's MDC code, or None.
        snomed: FHIR bodySite, or None.
        v2: code of HL7 v2 table 0163, or "".
    """

    key: str
    title: str
    loinc: Coding | None
    mdc: Coding | None
    snomed: Coding | None
    v2: str


@dataclass(frozen=True, slots=True)
class Method:
    """A method of measuring: `snomed` for FHIR, `v2` for OBX-17; either may be None."""

    key: str
    title: str
    snomed: Coding | None
    v2: Coding | None


@dataclass(frozen=True, slots=True)
class Vital:
    """A quantity the gateway knows.

    Attributes:
        key: name in mappings, findings and record identifiers.
        title: text for people.
        number: permanent small number, never used again; shares its count with the panels.
        kind: "quantity" or "coded".
        dimension: dimension of its units; "" for coded vitals.
        codings: LOINC codes, the required one first; in the first unit where the code follows the unit.
        codings_by_unit: UCUM code -> LOINC codes, where the code follows the unit (glucose).
        mdc: IEEE 11073-10101 code, or None.
        profile: URL of the FHIR R4 profile, "" when there is none (or when it is its panel's).
        us_core: URL of the US Core profile, or "".
        category: observation category.
        units: UCUM codes allowed in a record, the default first; empty for coded vitals.
        mdc_unit: the MDC code of its unit where UCUM's stands for several (beats, breaths); None: the unit's own.
        decimals: decimals of a converted value in the first unit (`decimals_in` for the others).
        decimals_by_unit: UCUM code -> decimals, where they differ.
        keep_unit: the exported unit stays the record's unless the mapping asks for another one (glucose).
        molar_mass: g/mol, where mass and substance concentrations may be exchanged; else None.
        panel: key of the panel it is a component of, or "".
        panel_required: the component stands in every panel, with its value or the reason for its absence.
        sub_id: OBX-4, permanent and unique.
        answers: answers of a coded vital, by key.
        sites: body sites it may carry, by key.
        methods: methods it may carry, by key.
        chart: low and high end of the report's picture, in the first unit; both 0 for coded vitals.
        labels: what monitors usually print, for suggestions in error texts only.
    """

    key: str
    title: str
    number: int
    kind: str
    dimension: str
    codings: tuple[Coding, ...]
    codings_by_unit: Mapping[str, tuple[Coding, ...]]
    mdc: Coding | None
    profile: str
    us_core: str
    category: Coding
    units: tuple[str, ...]
    mdc_unit: Coding | None
    decimals: int
    decimals_by_unit: Mapping[str, int]
    keep_unit: bool
    molar_mass: Fraction | None
    panel: str
    panel_required: bool
    sub_id: str
    answers: Mapping[str, Answer]
    sites: Mapping[str, Site]
    methods: Mapping[str, Method]
    chart: tuple[Decimal, Decimal]
    labels: tuple[str, ...]

    def codings_in(self, unit: str) -> tuple[Coding, ...]:
        """The LOINC codes of a record in `unit` (UCUM), the required one first."""
        return self.codings_by_unit.get(unit, self.codings)

    def decimals_in(self, unit: str) -> int:
        """The decimals of a value converted to `unit` (UCUM)."""
        return self.decimals_by_unit.get(unit, self.decimals)

    def bin(self, exact: Fraction, unit: str) -> int:
        """The bin of the report's picture a value falls in.

        Args:
            exact: the value in `unit`.
            unit: UCUM code, of the vital's dimension.

        Returns:
            0 to 39 inside the chart range (its high end belongs to bin 39), -1 below it, 40 above it.
        """
        if unit != self.units[0]:
            exact = convert(exact, unit, self.units[0], vital=self.key)
        low, high = Fraction(self.chart[0]), Fraction(self.chart[1])
        if exact < low:
            return -1
        if exact > high:
            return BINS
        return min(BINS - 1, int((exact - low) * BINS / (high - low)))


@dataclass(frozen=True, slots=True)
class Panel:
    """A panel: vitals that make up one Observation (blood pressure) or that one points to (vital signs).

    `qualifiers` of the measurement, by key, become further components, behind those of the members.
    """

    key: str
    title: str
    number: int
    codings: tuple[Coding, ...]
    mdc: Coding | None
    profile: str
    us_core: str
    category: Coding
    members: tuple[str, ...]
    qualifiers: Mapping[str, Qualifier]


@dataclass(frozen=True, slots=True)
class Limits:
    """Plausibility limits, inclusive, in `unit` (UCUM): outside `hold` is held, outside `flag` is unusual."""

    hold: tuple[Fraction, Fraction] | None
    flag: tuple[Fraction, Fraction] | None
    unit: str
    source: str


def loinc_check_digit_ok(code: str) -> bool:
    """Whether a LOINC code ("8480-6", or "LA6556-0" of an answer) ends in the right check digit.

    Mod 10 as in the LOINC Users' Guide, appendix C
    (https://loinc.org/kb/users-guide/calculating-mod-10-check-digits/): every second digit from the right is doubled. A
    letter counts as its ASCII code less 48, as a digit does: derived from published answer and part codes.
    """
    number, dash, digit = code.partition("-")
    figures = number.removeprefix("LA")
    if not (dash and 1 <= len(figures) <= 7 and len(digit) == 1 and (figures + digit).isascii()):
        return False
    if not (figures + digit).isdigit():
        return False
    total = 0
    for place, character in enumerate(reversed(number)):
        value = ord(character) - ord("0")
        total += value if place % 2 else sum(divmod(2 * value, 10))
    return (10 - total % 10) % 10 == int(digit)


def vitals() -> Mapping[str, Vital]:
    """The vitals by key, in the order of the table.

    Raises:
        VocabularyError: the shipped tables contradict themselves.
    """
    return _clinical()[0]


def panels() -> Mapping[str, Panel]:
    """The panels by key, in the order of the table."""
    return _clinical()[1]


def qualifiers() -> Mapping[str, Qualifier]:
    """The qualifiers of panels by key, in the order of the table."""
    return _qualifiers()[3]


def editions() -> Mapping[str, str]:
    """The sources of the tables with their version or date."""
    return _clinical()[2]


@cache
def units() -> Mapping[str, Unit]:
    """The units by UCUM code (two-part units by their key).

    Raises:
        VocabularyError: the shipped table contradicts itself.
    """
    table: dict[str, Unit] = {}
    for row in _read("units.toml")["unit"]:
        row = _Row("units.toml", row.get("ucum", "?"), row)
        unit = Unit(
            ucum=row.text("ucum"),
            display=row.text("display"),
            spellings=row.texts("spellings"),
            dimension=row.text("dimension"),
            factor=row.fraction("factor"),
            offset=row.fraction("offset", "0"),
            mdc=row.coding("mdc", MDC),
            source=row.text("source"),
            base=row.text("base"),
            parts=row.texts("parts"),
        )
        row.done()
        if unit.ucum in table:
            raise row.fault("the unit is listed twice")
        if unit.factor <= 0:
            raise row.fault("the factor must be above 0")
        table[unit.ucum] = unit
    return table


@lru_cache(maxsize=4096)
def unit_for(text: str) -> Unit | None:
    """The unit a text means: its UCUM code or a usual spelling; None when the gateway does not know it.

    Spaces around the text do not count, nor does case in spellings of three characters and more.
    """
    text = spaced(text)
    exact, folded = _spellings()
    key = exact.get(text)
    if key is None and len(text) >= _SHORTEST_FOLDED:
        key = folded.get(text.casefold())
    return None if key is None else units()[key]


def convert(value: Fraction, from_ucum: str, to_ucum: str, *, vital: str = "") -> Fraction:
    """Convert a value exactly; nothing is rounded.

    Args:
        value: the value in `from_ucum`; for a two-part unit, counted in its second part.
        from_ucum: UCUM code of the unit it is in.
        to_ucum: UCUM code of the unit asked for.
        vital: key of the vital; needed between mass and substance concentration, which takes its molar mass.

    Returns:
        The value in `to_ucum`.

    Raises:
        VocabularyError: a unit is not known, or the two do not convert.
    """
    if from_ucum == to_ucum:
        return value
    table = units()
    for ucum in (from_ucum, to_ucum):
        if ucum not in table:
            raise VocabularyError(f"there is no unit {ucum!r}", todo="`gateway vitals` lists the units")
    source, target = table[from_ucum], table[to_ucum]
    base = value * source.factor + source.offset
    if source.base != target.base:
        molar_mass = vitals()[vital].molar_mass if vital in vitals() else None
        if source.dimension != target.dimension or molar_mass is None:
            raise VocabularyError(
                f"{from_ucum} does not convert to {to_ucum}" + (f" for {vital}" if vital else ""),
                todo="Name a unit of the same kind",
            )
        base = base / molar_mass if target.base == "mol/L" else base * molar_mass
    return (base - target.offset) / target.factor


@lru_cache(maxsize=1024)
def limits(profile: str, category: str, vital: str) -> Limits | None:
    """The plausibility limits of a vital; None when the profile has none.

    Args:
        profile: name of a limit profile (`profiles`).
        category: "neonate", "infant", "child", "adult", a part of one (`AGES`), or "unknown" for the widest of all.
        vital: key of the vital.

    Raises:
        VocabularyError: there is no such profile or category.
    """
    table = _limits()
    if profile not in table:
        raise VocabularyError(f"there is no limit profile {profile!r}", todo=f"Known: {', '.join(table)}")
    if category not in (*CATEGORIES, *AGES, "unknown"):
        raise VocabularyError(f"there is no patient category {category!r}", todo=f"Known: {', '.join(CATEGORIES)}")
    rows = table[profile].get(vital)
    if rows is None:
        return None
    if category != "unknown":
        return rows.get(category) or rows.get(whole_of(category))
    # A category without limits is wider than any limit.
    found = [rows.get(each) for each in CATEGORIES]
    first = next(row for row in found if row is not None)
    return Limits(
        _widest([row.hold if row else None for row in found]),
        _widest([row.flag if row else None for row in found]),
        first.unit,
        first.source,
    )


def profiles() -> tuple[str, ...]:
    """The names of the limit profiles, the default first."""
    return tuple(_limits())


def _widest(bands: list[tuple[Fraction, Fraction] | None]) -> tuple[Fraction, Fraction] | None:
    known = [band for band in bands if band is not None]
    if len(known) < len(bands):
        return None
    return min(low for low, _ in known), max(high for _, high in known)


class _Row:
    """One table of a TOML file: typed access, and a fault for every key that nobody asked for."""

    def __init__(self, file: str, name: str, values: Mapping[str, Any]) -> None:
        self.file, self.name, self.values = file, name, dict(values)

    def fault(self, what: str) -> VocabularyError:
        return VocabularyError(what, where=f"{self.file}, {self.name}", todo="Mend the table")

    def take(self, key: str, kind: type, default: object = ...) -> Any:
        value = self.values.pop(key, default)
        if value is ...:
            raise self.fault(f"{key} is missing")
        if value is not default and not isinstance(value, kind):
            raise self.fault(f"{key} must be of type {kind.__name__}")
        return value

    def text(self, key: str, default: object = ...) -> str:
        return str(self.take(key, str, default))

    def texts(self, key: str) -> tuple[str, ...]:
        return tuple(str(each) for each in self.take(key, list, ()))

    def fraction(self, key: str, default: object = ...) -> Fraction:
        text = self.text(key, default)
        try:
            return Fraction(text)
        except (ValueError, ZeroDivisionError):
            raise self.fault(f"{key} must be an exact rational such as 5/9") from None

    def coding(self, key: str, system: str) -> Coding | None:
        value = self.take(key, dict, None)
        return None if value is None else self._coding(key, system, value)

    def loinc(self, key: str) -> tuple[Coding, ...]:
        found = tuple(self._coding(key, LOINC, each) for each in self.take(key, list))
        if not found:
            raise self.fault(f"{key} needs at least one code")
        return found

    def _coding(self, key: str, system: str, value: Mapping[str, Any]) -> Coding:
        row = _Row(self.file, f"{self.name}, {key}", value)
        coding = Coding(system, row.text("code"), row.text("display"), row.text("confidence", "seen"))
        row.done()
        if system == LOINC and not loinc_check_digit_ok(coding.code):
            raise self.fault(f"{coding.code} is not a LOINC code: its check digit is wrong")
        if coding.confidence not in ("seen", "derived", "secondary", "memory", "common practice"):
            raise self.fault(f"{coding.code} has an unknown confidence {coding.confidence!r}")
        return coding

    def done(self) -> None:
        if self.values:
            raise self.fault(f"{next(iter(self.values))} is not a known key")


def _read(name: str) -> dict[str, Any]:
    return tomllib.loads(resources.files(__package__).joinpath(name).read_text("utf-8"))


@cache
def _spellings() -> tuple[dict[str, str], dict[str, str]]:
    """Text -> UCUM code, as written and with case folded; a text that means two units is a fault."""
    exact: dict[str, str] = {}
    folded: dict[str, str] = {}
    for ucum, unit in units().items():
        for text in (ucum, *unit.spellings):
            if exact.setdefault(text, ucum) != ucum:
                raise VocabularyError(f"{text!r} means both {exact[text]} and {ucum}", where="units.toml")
            if len(text) >= _SHORTEST_FOLDED and folded.setdefault(text.casefold(), ucum) != ucum:
                raise VocabularyError(f"{text!r} means two units when case is ignored", where="units.toml")
    return exact, folded


@cache
def _qualifiers() -> tuple[dict[str, Site], dict[str, Method], dict[str, Answer], dict[str, Qualifier]]:
    file = "qualifiers.toml"
    tables = _read(file)
    sites: dict[str, Site] = {}
    for key, values in tables["site"].items():
        row = _Row(file, f"site.{key}", values)
        loinc = row.coding("loinc", LOINC)
        sites[key] = Site(
            key, row.text("title"), loinc, row.coding("mdc", MDC), row.coding("snomed", SNOMED), row.text("v2", "")
        )
        row.done()
    methods: dict[str, Method] = {}
    for key, values in tables["method"].items():
        row = _Row(file, f"method.{key}", values)
        methods[key] = Method(key, row.text("title"), row.coding("snomed", SNOMED), row.coding("v2", MDC))
        row.done()
    answers: dict[str, Answer] = {}
    for key, values in tables["answer"].items():
        row = _Row(file, f"answer.{key}", values)
        title, coding = row.text("title"), row.coding("snomed", SNOMED) or row.coding("loinc", LOINC)
        if coding is None:
            raise row.fault("an answer needs a code")
        answers[key] = Answer(key, coding, title, row.take("score", int, None))
        row.done()
    return sites, methods, answers, {key: _qualifier(file, key, values) for key, values in tables["qualifier"].items()}


def _qualifier(file: str, key: str, values: Mapping[str, Any]) -> Qualifier:
    row = _Row(file, f"qualifier.{key}", values)
    answers: dict[str, Choice] = {}
    for name, answer in row.take("answers", dict).items():
        part = _Row(file, f"qualifier.{key}, answer {name}", answer)
        answers[name] = Choice(name, part.coding("snomed", SNOMED), part.text("title"), part.texts("against"))
        part.done()
        if not set(answers[name].against) <= set(CATEGORIES):
            raise part.fault("against names a patient category that is not known")
    coding = row.coding("loinc", LOINC)
    local = row.take("local", str, "")
    if (coding is None) == (not local):
        raise row.fault("a qualifier needs a LOINC code, or a local one where none is published")
    of_patient = bool(row.take("of_patient", bool, False))
    qualifier = Qualifier(key, row.text("title"), coding, row.text("sub_id"), answers, of_patient, local)
    row.done()
    return qualifier


@cache
def _clinical() -> tuple[dict[str, Vital], dict[str, Panel], dict[str, str]]:
    file = "vitals.toml"
    tables = _read(file)
    categories = {key: Coding(CATEGORY_SYSTEM, key, text) for key, text in tables["categories"].items()}
    panels = {
        key: _panel(_Row(file, f"panel.{key}", values), key, categories) for key, values in tables["panel"].items()
    }
    vitals = {
        key: _vital(_Row(file, f"vital.{key}", values), key, categories) for key, values in tables["vital"].items()
    }
    _check(file, vitals, panels)
    return vitals, panels, {str(name): str(edition) for name, edition in tables["editions"].items()}


def _panel(row: _Row, key: str, categories: Mapping[str, Coding]) -> Panel:
    profile, us_core, category = row.text("profile"), row.text("us_core"), row.text("category")
    panel = Panel(
        key=key,
        title=row.text("title"),
        number=row.take("number", int),
        codings=row.loinc("loinc"),
        mdc=row.coding("mdc", MDC),
        profile=_R4 + profile if profile else "",
        us_core=_US_CORE + us_core if us_core else "",
        category=categories[category],
        members=row.texts("members"),
        qualifiers=_chosen(row, "qualifiers", _qualifiers()[3]),
    )
    row.done()
    return panel


def _vital(row: _Row, key: str, categories: Mapping[str, Coding]) -> Vital:
    sites, methods, answers, _ = _qualifiers()
    profile, us_core, category = row.text("profile", ""), row.text("us_core", ""), row.text("category")
    codings_by_unit: dict[str, tuple[Coding, ...]] = {}
    decimals_by_unit: dict[str, int] = {}
    for unit, values in row.take("by_unit", dict, {}).items():
        part = _Row(row.file, f"{row.name}, by_unit {unit}", values)
        codings_by_unit[unit] = part.loinc("loinc")
        decimals_by_unit[unit] = part.take("decimals", int)
        part.done()
    loinc = row.loinc("loinc")
    record_units = row.texts("units")
    if codings_by_unit:
        codings_by_unit = {record_units[0]: loinc, **codings_by_unit}
    mass = row.take("molar_mass", dict, None)
    molar_mass = None if mass is None else _Row(row.file, f"{row.name}, molar_mass", mass).fraction("value")
    chart = row.texts("chart") or ("0", "0")
    vital = Vital(
        key=key,
        title=row.text("title"),
        number=row.take("number", int),
        kind=row.text("kind", "quantity"),
        dimension=row.text("dimension", ""),
        codings=loinc,
        codings_by_unit=codings_by_unit,
        mdc=row.coding("mdc", MDC),
        profile=_R4 + profile if profile else "",
        us_core=_US_CORE + us_core if us_core else "",
        category=categories[category],
        units=record_units,
        decimals=row.take("decimals", int, 0),
        decimals_by_unit=decimals_by_unit,
        mdc_unit=row.coding("mdc_unit", MDC),
        keep_unit=row.take("keep_unit", bool, False),
        molar_mass=molar_mass,
        panel=row.text("panel", ""),
        panel_required=row.take("panel_required", bool, False),
        sub_id=row.text("sub_id"),
        answers=_chosen(row, "answers", answers),
        sites=_chosen(row, "sites", sites),
        methods=_chosen(row, "methods", methods),
        chart=(Decimal(chart[0]), Decimal(chart[1])),
        labels=row.texts("labels"),
    )
    row.done()
    return vital


def _chosen(row: _Row, key: str, table: Mapping[str, _T]) -> dict[str, _T]:
    names = row.texts(key)
    for name in names:
        if name not in table:
            raise row.fault(f"{key} names {name!r}, which qualifiers.toml does not know")
    return {name: table[name] for name in names}


def _check(file: str, vitals: Mapping[str, Vital], panels: Mapping[str, Panel]) -> None:
    """Check the tables against each other."""
    numbers = [(key, panel.number) for key, panel in panels.items()]
    _unique(file, "number", numbers + [(key, vital.number) for key, vital in vitals.items()])
    sub_ids = [(key, vital.sub_id) for key, vital in vitals.items()]
    _unique(file, "sub_id", sub_ids + [(key, each.sub_id) for key, each in _qualifiers()[3].items()])
    for key, vital in vitals.items():
        where = f"{file}, vital.{key}"
        if vital.kind not in ("quantity", "coded"):
            raise VocabularyError(f"kind {vital.kind!r} is not known", where=where)
        if (vital.kind == "coded") != bool(vital.answers) or (vital.kind == "quantity") != bool(vital.units):
            raise VocabularyError("a coded vital has answers, a quantity has units", where=where)
        for ucum in (*vital.units, *vital.codings_by_unit):
            if ucum not in units() or units()[ucum].dimension != vital.dimension or units()[ucum].parts:
                raise VocabularyError(f"unit {ucum!r} is not a {vital.dimension} unit for records", where=where)
        if vital.kind == "quantity" and not vital.chart[0] < vital.chart[1]:
            raise VocabularyError("chart needs a low and a higher end", where=where)
        if vital.panel and (vital.panel not in panels or key not in panels[vital.panel].members):
            raise VocabularyError(f"panel {vital.panel!r} does not list it as a member", where=where)
    for key, panel in panels.items():
        for member in panel.members:
            if member not in vitals or vitals[member].panel != key:
                raise VocabularyError(f"member {member!r} does not name this panel", where=f"{file}, panel.{key}")


def _unique(file: str, what: str, pairs: Iterable[tuple[str, int | str]]) -> None:
    seen: dict[int | str, str] = {}
    for key, value in pairs:
        if value in seen:
            raise VocabularyError(f"{what} {value} is used by both {seen[value]} and {key}", where=file)
        seen[value] = key


@cache
def _limits() -> dict[str, dict[str, dict[str, Limits]]]:
    """Profile -> vital -> category -> limits."""
    file = "plausibility.toml"
    table: dict[str, dict[str, dict[str, Limits]]] = {}
    for name, rows in _read(file)["profile"].items():
        profile = table[name] = {}
        for key, values in rows.items():
            if key == "title":
                continue
            row = _Row(file, f"profile.{name}.{key}", values)
            unit, source = row.text("unit"), row.text("source")
            names = (key, *row.texts("same_for"))
            bands = {category: row.take(category, dict, None) for category in (*CATEGORIES, "all")}
            finer = row.take("ages", dict, {})
            row.done()
            found = {
                category: _band(row, band, unit, source)
                for category in CATEGORIES
                if (band := bands[category] or bands["all"]) is not None
            }
            if not found:
                raise row.fault("the row has no limits")
            for part, band in finer.items():
                if part not in AGES or (whole := bands[whole_of(part)]) is None:
                    raise row.fault(f'"{part}" is no part of a category that has limits here')
                found[part] = _band(row, {**whole, **band}, unit, source)
            for vital in names:
                if vital not in vitals() or units()[unit].dimension != vitals()[vital].dimension:
                    raise row.fault(f"{unit} is not a unit of {vital}")
                if vital in profile:
                    raise row.fault(f"{vital} has limits already")
                profile[vital] = found
    return table


def _band(row: _Row, values: Mapping[str, Any], unit: str, source: str) -> Limits:
    pairs: dict[str, tuple[Fraction, Fraction]] = {}
    for name, ends in values.items():
        if name not in ("hold", "flag") or len(ends) != 2 or Fraction(ends[0]) > Fraction(ends[1]):
            raise row.fault("limits are hold = [low, high] and flag = [low, high]")
        pairs[name] = (Fraction(ends[0]), Fraction(ends[1]))
    return Limits(pairs.get("hold"), pairs.get("flag"), unit, source)
