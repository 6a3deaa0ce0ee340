"""The plain reading of an Observation whole: rules across its elements, and the row published for what it measures."""

from __future__ import annotations

import re
from collections.abc import Iterable

from gateway.verify.fhir.elements import Component, Outside, check_off_scale
from gateway.verify.fhir.problems import Codings, Facts, Say
from gateway.verify.published import (
    BASE,
    BY_KEY,
    CATEGORY,
    COMPONENT_UNITS,
    LOINC,
    MDC,
    METHODS,
    PANEL_OF,
    QUALIFIERS,
    ROWS,
    SITES,
    SNOMED,
    STARTED,
    US_CORE,
    Published,
    quotable,
    units_for,
)

OXYGEN_COMPONENTS = {"3151-8": ("L/min",), "3150-0": ("%",)}
_RECORD = re.compile(r"([0-9a-f]{32})\.([a-z][a-z0-9_]*)", re.ASCII)


def check_observation(facts: Facts, say: Say, *, us_core: bool, bundled: bool) -> None:
    """Check what the elements of an Observation say together, and against the row published for it."""
    for key in ("identifier", "status", "category", "code", "subject", "effectiveDateTime"):
        if key not in facts:
            say(f"{key} is missing")
    values = [key for key in facts if key.startswith("value")]
    components: tuple[Component, ...] = facts.get("component", ())
    absent = "dataAbsentReason" in facts
    if not components and "hasMember" not in facts and not values and not absent:
        say("vs-2: without component or hasMember there must be a value or a dataAbsentReason")
    if values and absent:
        say("obs-6: a dataAbsentReason must not stand beside a value")
    codings: Codings = facts.get("code", ())
    if values and any(coding in codings for component in components for coding in component.codings):
        say("obs-7: a component has the code of the Observation, which has a value itself")
    if len(values) > 1:
        say("there is more than one value")
    if not bundled and not facts.get("id"):
        say("id is missing")
    _, comparator = facts.get("valueQuantity", ("", ""))
    check_off_scale(comparator, facts.get("interpretation", ()), say)
    row = _row_of(facts, say)
    if row is not None:
        _against(row, facts, say, us_core)
    if not bundled and any(isinstance(member, Outside) for member in facts.get("hasMember", ())):
        say("hasMember names an Observation by its identifier, which only bundles need")
    if not bundled and any(facts.get(key) == "urn" for key in ("subject", "encounter", "performer", "device")):
        say("a urn:uuid reference cannot be resolved outside a bundle")


def _row_of(facts: Facts, say: Say) -> Published | None:
    """The published row a record claims by its identifier, after checking identifier against id and hasMember."""
    _, value = facts.get("identifier") or ("", "")
    match = _RECORD.fullmatch(value)
    if match is None:
        if value:
            say("identifier.value is not <32 hex digits>.<key>")
        return None
    identity, key = match[1], match[2]
    if facts.get("id") and facts["id"] != f"{identity}-{key.replace('_', '-')}":
        say("id and identifier are not those of the same record")
    for member in facts.get("hasMember", ()):
        if member == "urn":
            continue
        if isinstance(member, Outside):
            _outside_fits(member, facts, identity, say)
            continue
        if not member.startswith(f"Observation/{identity}-"):
            say("hasMember names an Observation of another set")
        row = BY_KEY.get(member.partition("-")[2].replace("-", "_"))
        if row is not None and row.category != "vital-signs":
            say("hasMember names an Observation that is not a vital sign")
    if key not in BY_KEY:
        say(f"no published rule is known for records of {quotable(key)}")
        return None
    return BY_KEY[key]


def _outside_fits(member: Outside, facts: Facts, identity: str, say: Say) -> None:
    match = _RECORD.fullmatch(member.name)
    if member.system != facts["identifier"][0] or match is None or match[1] != identity:
        say("hasMember names an Observation of another set")
    elif match[2] not in BY_KEY or BY_KEY[match[2]].category != "vital-signs":
        say("hasMember names an Observation that is not a vital sign")


def _against(row: Published, facts: Facts, say: Say, us_core: bool) -> None:
    """Check a record against its row: codes, category, profile, value and unit, components."""
    required = _codes(row, facts.get("code", ()), say, "code")
    loinc = [code for system, code in facts.get("code", ()) if system == LOINC]
    if us_core and any(code not in loinc for code in row.us_core_codes):
        say(f"code: US Core also wants {' and '.join(row.us_core_codes)}")
    categories: tuple[Codings, ...] = facts.get("category", ())
    if sum((CATEGORY, row.category) in codings for codings in categories) != 1:
        say(f"category: exactly one must be {row.category}")
    if row.category != "vital-signs" and any((CATEGORY, "vital-signs") in codings for codings in categories):
        say("category must not be vital-signs for this quantity")
    _profiles(row, facts.get("meta", ()), say, us_core)

    unit, _ = facts.get("valueQuantity", ("", ""))
    values = [key for key in facts if key.startswith("value")]
    if row.kind == "quantity":
        if "valueCodeableConcept" in facts:
            say("the result must be a quantity")
        if "valueQuantity" in facts and unit not in units_for(row, required):
            say(f"valueQuantity.code {quotable(unit)} is not one of: {' '.join(units_for(row, required))}")
        if row.value_required and "valueQuantity" not in facts:
            say("the profile requires a valueQuantity")
    elif row.kind == "coded":
        if "valueQuantity" in facts:
            say("the result must be a coded answer")
        for system, answer in facts.get("valueCodeableConcept", ()):
            if not row.is_answer(system, answer):
                say(f"valueCodeableConcept: {quotable(answer)} is not a published answer")
    elif values:
        say("a panel has no value of its own")
    if row.kind == "members" and not facts.get("hasMember"):
        say("a panel of Observations needs hasMember")
    if row.kind != "members" and "hasMember" in facts:
        say("hasMember does not belong on this record")
    for name, known in (("bodySite", SITES.get(row.key, frozenset())), ("method", METHODS)):
        for _, code in facts.get(name) or ():
            if code not in known:
                say(f"{name}: {quotable(code)} is not published for this quantity")
    _components(row, facts.get("component", ()), say, us_core)


def _codes(row: Published, codings: Codings, say: Say, where: str) -> str:
    """Check the codings of a row; returns its required LOINC code as found, or ""."""
    loinc = [code for system, code in codings if system == LOINC]
    required = [code for code in loinc if code in row.codes]
    if len(required) != 1:
        say(f"{where}: exactly one coding must be LOINC {' or '.join(row.codes)}")
    for code in loinc:
        if code not in row.codes and code not in row.beside:
            say(f"{where}: LOINC {quotable(code)} is not known to stand beside {' or '.join(row.codes)}")
    if codings and codings[0] not in {(LOINC, code) for code in (*row.codes, *row.us_core_codes)}:
        say(f"{where}: the required LOINC coding must come first")
    for system, code in codings:
        if system == MDC and code not in row.mdc:
            say(f"{where}: MDC {quotable(code)} is not known to mean this quantity")
    return required[0] if len(required) == 1 else ""


def _profiles(row: Published, declared: Iterable[str], say: Say, us_core: bool) -> None:
    allowed = {row.profile} if row.profile else set()
    if row.category == "vital-signs":
        allowed.add(BASE + "vitalsigns")
    if us_core:
        allowed |= {row.us_core, US_CORE + "vital-signs"} if row.category == "vital-signs" else {row.us_core}
    found = [profile.partition("|")[0] for profile in declared]
    for profile in found:
        if profile not in allowed:
            say("meta.profile names a profile that is not this quantity's")
    if us_core and row.us_core and row.us_core not in found:
        say("meta.profile does not name the US Core profile of this quantity")


def _components(row: Published, components: tuple[Component, ...], say: Say, us_core: bool) -> None:
    if row.kind == "components" and len(components) < 2:
        say("the profile requires at least two components")
    seen: list[str] = []
    for component in components:
        asked = [each for system, each in component.codings if system in (LOINC, "") and each in row.qualifiers]
        code = asked[0] if asked else ""
        if code:
            seen.append(code)
            _qualifier(code, component, say)
            continue
        code = next((code for system, code in component.codings if system == LOINC and code in _COMPONENT_ROWS), "")
        part = _COMPONENT_ROWS.get(code)
        if part is None or code not in (*row.members, *row.optional):
            say("component.code is not one that belongs to this record")
            continue
        seen.append(code)
        _codes(part, component.codings, say, "component.code")
        units = OXYGEN_COMPONENTS.get(code, part.units)
        if component.valued and component.unit not in units:
            say(f"component.valueQuantity.code {quotable(component.unit)} is not one of: {' '.join(units)}")
        elif component.valued and component.unit not in COMPONENT_UNITS and not us_core:
            say(f"component unit {quotable(component.unit)} is outside R4's required list for components")
    for code in row.members:
        if seen.count(code) != 1:
            say(f"exactly one component must be LOINC {code}")
    for code in (*row.optional, *row.qualifiers):
        if seen.count(code) > 1:
            say(f"at most one component may be LOINC {code}")


def _qualifier(code: str, component: Component, say: Say) -> None:
    """Check what is said beside a blood pressure: its code alone, and an answer that is published for it or a text."""
    name = code if code == STARTED else f"LOINC {code}"
    if component.codings != (("" if code == STARTED else LOINC, code),):
        say(f"component.code: {name} stands alone")
    if component.answer is None:
        say(f"component: {name} has an answer or a text, nothing else")
    for system, answer in component.answer or ():
        if system != SNOMED or answer not in QUALIFIERS[code]:
            say(f"component.valueCodeableConcept: {quotable(answer)} is not a published answer of {name}")


_COMPONENT_ROWS = {row.codes[0]: row for row in ROWS if row.codes[0] in PANEL_OF or row.codes[0] in OXYGEN_COMPONENTS}
