"""Re-reads rendered FHIR R4 before anything leaves the gateway, by another road than the renderer.

Two readings of the same rules. The plain one parses a record whole and says everything that is wrong with it. The quick
one cuts the bytes of a record at a few member names and looks each piece up: a piece that was once parsed on its own as
a complete run of members and found good is good wherever it stands, so the record is good when all its pieces are and
their facts fit together. Whatever the quick reading does not know as good goes to the plain one, which alone judges.

The rules come from `gateway.verify.published` and from the FHIR R4 4.0.1 invariants named in the problems (vs-1, vs-2,
vs-3, obs-3, obs-6, obs-7, qty-3, ref-1, bdl-1 to bdl-8); the gateway's own promises (identifiers, ifNoneExist, the
pairing of comparator and interpretation) are checked beside them. Problems never quote an identifier or a value.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Hashable, Iterable, Sequence
from datetime import date
from decimal import Decimal
from typing import Any, Final, NamedTuple
from urllib.parse import unquote

from gateway.verify.published import (
    ABSENT,
    ABSENT_REASONS,
    BASE,
    BY_KEY,
    CATEGORY,
    COMPONENT_UNITS,
    DEVICE_TIME,
    DEVICE_TIME_REFERENCE,
    INTERPRETATION,
    LOINC,
    MDC,
    MEASUREMENT_STATUS,
    PANEL_OF,
    QUALIFIERS,
    ROWS,
    SNOMED,
    UCUM,
    US_CORE,
    Published,
    code_fault,
    shown,
    units_for,
    words,
)


class Problem(NamedTuple):
    """One thing wrong with what was rendered.

    Attributes:
        index: position of the record (line, bundle entry or message) in what was given, from 0; -1 for the whole.
        what: what is wrong; never an identifier, a value or a row.
    """

    index: int  # type: ignore[assignment]  # hides tuple.index, which nobody needs here
    what: str


Say = Callable[[str], None]
Facts = dict[str, Any]
Codings = tuple[tuple[str, str], ...]

STATUS = words("registered preliminary final amended corrected cancelled entered-in-error unknown")
"""Value set observation-status, binding required, FHIR R4 4.0.1."""

UPDATED = words("preliminary final corrected entered-in-error")
"""What a record that is put in the place of another may be (code system observation-status, FHIR R4 4.0.1): a
preliminary one may change and may become final, and a state that is sent whole holds what never changed."""
REPLACING = words("corrected entered-in-error")
"""Statuses that only follow a record already given out."""

DATA_OPERATION = "http://terminology.hl7.org/CodeSystem/v3-DataOperation"
ACTIVITIES = words("CREATE UPDATE NULLIFY")
"""What the gateway says was done to records: codes of v3-DataOperation in the value set provenance-activity-type."""

INTERPRETATIONS = {
    INTERPRETATION: words("< > L H LL HH LU HU L< H> N A AA B W U D QCF IND"),
    MEASUREMENT_STATUS: words(
        "validated-data questionable calibration-ongoing early-indication msmt-ongoing in-alarm alarm-inhibited"
    ),
}
COMPARATORS = {"<": "<", "<=": "<", ">": ">", ">=": ">"}
BUNDLE_TYPES = words(
    "document message transaction transaction-response batch batch-response history searchset collection"
)
EVENT_LOCATION = BASE + "event-location"
OXYGEN_COMPONENTS = {"3151-8": ("L/min",), "3150-0": ("%",)}

_DATE_TIME = re.compile(
    r"\d{4}(-(0[1-9]|1[0-2])(-(0[1-9]|[12]\d|3[01])"
    r"(T([01]\d|2[0-3]):[0-5]\d:([0-5]\d|60)(\.\d+)?(Z|[+-]((0\d|1[0-3]):[0-5]\d|14:00)))?)?)?",
    re.ASCII,
)
_ID = re.compile(r"[A-Za-z0-9.-]{1,64}", re.ASCII)
_URI = re.compile(r"[A-Za-z][A-Za-z0-9+.-]*:\S+")
_CODE = re.compile(r"\S+( \S+)*")
_RECORD = re.compile(r"([0-9a-f]{32})\.([a-z][a-z0-9_]*)", re.ASCII)
_DEVICE_TIME_ID = re.compile(r"Observation/[0-9a-f]{32}-device-time", re.ASCII)
_UUID = re.compile(r"urn:uuid:[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}", re.ASCII)
_UUID8 = re.compile(rb"urn:uuid:[0-9a-f]{8}-[0-9a-f]{4}-8[0-9a-f]{3}-[89ab][0-9a-f]{3}-[0-9a-f]{12}")
_LITERAL = re.compile(r"(?:https?://\S+/)?([A-Z][A-Za-z]+)/[A-Za-z0-9.-]{1,64}", re.ASCII)
_QUERY = re.compile(r"(?:[A-Za-z0-9\-._~!$'()*,;:@/?|]|%[0-9A-Fa-f]{2})+", re.ASCII)
_HEX = re.compile(rb"[0-9a-f]{32}")
_HEX4 = re.compile(rb"[0-9a-f]{4}")
_CONTROL = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ud800-\udfff]")
_TOKEN_PART = re.compile(r"(?:[^\\,$|]|\\[\\,$|])*", re.DOTALL)
_UNRECORDED = {"extension": [{"url": BASE + "data-absent-reason", "valueCode": "unknown"}]}


class _UnreadableError(ValueError):
    """Text that is not one JSON object as FHIR wants it."""


# --- plain reading: JSON -----------------------------------------------------------------------------------------


def _object(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    members = dict(pairs)
    if len(members) != len(pairs):
        raise _UnreadableError("an element stands twice in one object")
    return members


def _constant(_text: str) -> Any:
    raise _UnreadableError("NaN and Infinity are not JSON")


_decoder = json.JSONDecoder(
    object_pairs_hook=_object, parse_float=Decimal, parse_int=Decimal, parse_constant=_constant, strict=True
)


def _parse(data: bytes) -> dict[str, Any]:
    """Parse one JSON object; numbers become Decimal with the digits as written.

    Raises:
        _UnreadableError: saying what is wrong, without quoting the text.
    """
    try:
        text = data.decode("utf-8")
        value, end = _decoder.raw_decode(text.lstrip(" \t\r\n"))
    except UnicodeDecodeError as error:
        raise _UnreadableError("not UTF-8") from error
    except json.JSONDecodeError as error:
        raise _UnreadableError(f"not JSON: {error.msg} at character {error.pos}") from error
    except RecursionError as error:
        raise _UnreadableError("nested too deeply") from error
    if text.lstrip(" \t\r\n")[end:].strip(" \t\r\n"):
        raise _UnreadableError("something stands behind the JSON object")
    if not isinstance(value, dict):
        raise _UnreadableError("not a JSON object")
    return value


def _no_blanks(value: Any, say: Say, where: str) -> None:
    """FHIR's JSON has no null, no empty text, list or object, no control characters (ele-1, R4 JSON rules).

    Half a surrogate pair is no Unicode text and cannot be sent as UTF-8.
    """
    if value is None or value == "" or value == [] or value == {}:
        say(f"{where}: empty or null elements are not allowed")
    elif isinstance(value, str):
        if _CONTROL.search(value):
            say(f"{where}: control characters and halves of a surrogate pair are not allowed")
    elif isinstance(value, dict):
        for key, item in value.items():
            _no_blanks(item, say, f"{where}.{key}" if key.isidentifier() and len(key) < 40 else where)
    elif isinstance(value, list):
        for item in value:
            _no_blanks(item, say, where)


# --- plain reading: data types -----------------------------------------------------------------------------------


def _members(value: Any, say: Say, where: str, allowed: str) -> dict[str, Any]:
    if not isinstance(value, dict):
        say(f"{where} is not an object")
        return {}
    for key in value.keys() - set(allowed.split()):
        say(f"{where} has an element that does not belong there: {shown(key)}")
    return value


def _list(value: Any, say: Say, where: str) -> list[Any]:
    if not isinstance(value, list) or not value:
        say(f"{where} is not a list with at least one item")
        return []
    return value


def _text(value: Any, say: Say, where: str) -> str:
    if not isinstance(value, str) or not value.strip():
        say(f"{where} is not text")
        return ""
    return value


def _uri(value: Any, say: Say, where: str) -> str:
    if not isinstance(value, str) or not _URI.fullmatch(value):
        say(f"{where} is not an absolute URI")
        return ""
    return value


def _date_time(value: Any, say: Say, where: str) -> str:
    """Check a FHIR dateTime, with vs-1 (precise to the day at least) and the calendar."""
    if not isinstance(value, str) or not _DATE_TIME.fullmatch(value):
        say(f"{where} is not a FHIR dateTime (with hours it needs seconds and an offset)")
        return ""
    if len(value) < 8:
        say(f"vs-1: {where} must be precise to the day")
        return ""
    try:
        date(int(value[:4]), int(value[5:7]), int(value[8:10]))
    except ValueError:
        say(f"{where} is a day that does not exist")
        return ""
    return value


def _instant(value: Any, say: Say, where: str) -> None:
    if len(_date_time(value, say, where)) < 20:
        say(f"{where} is not a FHIR instant (date, time to the second and offset)")


def _concept(value: Any, say: Say, where: str, *, coded: bool = True) -> Codings:
    concept = _members(value, say, where, "coding text id extension")
    if "text" in concept:
        _text(concept["text"], say, f"{where}.text")
    if "coding" not in concept:
        if coded or "text" not in concept:
            say(f"{where} has no coding")
        return ()
    found: list[tuple[str, str]] = []
    for item in _list(concept["coding"], say, f"{where}.coding"):
        coding = _members(item, say, f"{where}.coding", "system version code display userSelected")
        system = _uri(coding.get("system"), say, f"{where}.coding.system")
        code = coding.get("code")
        if not isinstance(code, str) or not _CODE.fullmatch(code):
            say(f"{where}.coding.code is missing or malformed")
            continue
        if "display" in coding:
            _text(coding["display"], say, f"{where}.coding.display")
        if fault := code_fault(system, code):
            say(f"{where}: code {shown(code)} {fault}")
        if (system, code) in found:
            say(f"{where}: code {shown(code)} stands twice")
        found.append((system, code))
    return tuple(found)


def _quantity(value: Any, say: Say, where: str) -> tuple[str, str]:
    """Check a Quantity; returns its UCUM code and its comparator."""
    quantity = _members(value, say, where, "value comparator unit system code")
    if not isinstance(quantity.get("value"), Decimal):
        say(f"{where}.value is not a number")
    comparator = quantity.get("comparator", "")
    if "comparator" in quantity and (not isinstance(comparator, str) or comparator not in COMPARATORS):
        say(f"{where}.comparator is not one of < <= >= >")
        comparator = ""
    _text(quantity.get("unit"), say, f"{where}.unit")
    if quantity.get("system") != UCUM:
        say(f"{where}.system is not UCUM ({UCUM})" + ("" if "system" in quantity else "; qty-3: a code needs a system"))
    code = quantity.get("code")
    if not isinstance(code, str) or not code:
        say(f"{where}.code is missing")
        code = ""
    return code, comparator


def _identifier(value: Any, say: Say, where: str, *, system: bool = True) -> tuple[str, str]:
    identifier = _members(value, say, where, "use type system value assigner")
    found = ""
    if system or "system" in identifier:
        found = _uri(identifier.get("system"), say, f"{where}.system")
    if "type" in identifier:
        _concept(identifier["type"], say, f"{where}.type", coded=False)
    return found, _text(identifier.get("value"), say, f"{where}.value")


def _reference(value: Any, say: Say, where: str, types: str, *, system: bool = False) -> str:
    """Check a Reference to one of `types`; returns its literal reference, or ""."""
    reference = _members(value, say, where, "reference type identifier display")
    if "reference" not in reference and "identifier" not in reference:
        say(f"{where} has neither a reference nor an identifier")
    if "identifier" in reference:
        _identifier(reference["identifier"], say, f"{where}.identifier", system=system)
    if "type" in reference and reference["type"] not in types.split():
        say(f"{where}.type is not one of: {types}")
    if "reference" not in reference:
        return ""
    literal = reference["reference"]
    if not isinstance(literal, str):
        say(f"{where}.reference is not text")
        return ""
    if literal.startswith("#"):
        say(f"ref-1: {where} points at a contained resource that is not there")
        return ""
    if literal.startswith("urn:"):
        if not _UUID.fullmatch(literal):
            say(f"{where}.reference is not a urn:uuid in lower case")
            return ""
        return literal
    match = _LITERAL.fullmatch(literal)
    if match is None:
        say(f"{where}.reference is neither Type/id nor a urn:uuid")
        return ""
    if match[1] not in types.split():
        say(f"{where} refers to a {shown(match[1])}, not to one of: {types}")
    return literal


# --- plain reading: members of an Observation; each returns what the other rules need to know ----------------------


def _m_id(value: Any, say: Say) -> Hashable:
    if not isinstance(value, str) or not _ID.fullmatch(value):
        say("id is not a FHIR id (1 to 64 letters, digits, hyphens and dots)")
        return ""
    return value


def _m_meta(value: Any, say: Say) -> Hashable:
    meta = _members(value, say, "meta", "profile source tag security")
    profiles = _list(meta["profile"], say, "meta.profile") if "profile" in meta else []
    if "tag" in meta:
        _tags(meta, say)
    return tuple(_uri(profile, say, "meta.profile") for profile in profiles)


def _tags(meta: dict[str, Any], say: Say) -> Codings:
    """Check the tags of a resource; returns their systems and codes."""
    return _concept({"coding": meta["tag"]}, say, "meta.tag")


def _m_extension(value: Any, say: Say) -> Hashable:
    for item in _list(value, say, "extension"):
        values = [key for key in item if key.startswith("value")] if isinstance(item, dict) else []
        extension = _members(item, say, "extension", " ".join(["url", *values]))
        url = _uri(extension.get("url"), say, "extension.url")
        if len(values) != 1:
            say("ext-1: an extension has exactly one value")
        if url == EVENT_LOCATION:
            _reference(extension.get("valueReference"), say, "event-location", "Location")
        elif url == DEVICE_TIME_REFERENCE:
            literal = _reference(extension.get("valueReference"), say, "the device's time", "Observation")
            if not (literal.startswith("urn:") or _DEVICE_TIME_ID.fullmatch(literal)):
                say("the extension of the device's time does not refer to an Observation of it")
    return None


def _m_identifier(value: Any, say: Say) -> Hashable:
    items = _list(value, say, "identifier")
    if len(items) != 1:
        say("identifier: a record has exactly one")
        return None
    return _identifier(items[0], say, "identifier")


def _m_status(value: Any, say: Say) -> Hashable:
    if value not in STATUS:
        say("status is not a code of observation-status")
    return value if isinstance(value, str) else None


def _m_category(value: Any, say: Say) -> Hashable:
    return tuple(_concept(item, say, "category") for item in _list(value, say, "category"))


def _m_code(value: Any, say: Say) -> Hashable:
    return _concept(value, say, "code")


def _m_subject(value: Any, say: Say) -> Hashable:
    return _kind(_reference(value, say, "subject", "Patient", system=True))


def _m_encounter(value: Any, say: Say) -> Hashable:
    return _kind(_reference(value, say, "encounter", "Encounter"))


def _m_effective(value: Any, say: Say) -> Hashable:
    _date_time(value, say, "effectiveDateTime")
    return None


def _m_issued(value: Any, say: Say) -> Hashable:
    _instant(value, say, "issued")
    return None


def _m_performer(value: Any, say: Say) -> Hashable:
    types = "Practitioner PractitionerRole Organization CareTeam Patient RelatedPerson"
    return max(
        (_kind(_reference(item, say, "performer", types)) for item in _list(value, say, "performer")), default=""
    )


def _m_quantity(value: Any, say: Say) -> Hashable:
    return _quantity(value, say, "valueQuantity")


def _m_concept(value: Any, say: Say) -> Hashable:
    return _concept(value, say, "valueCodeableConcept")


def _m_absent(value: Any, say: Say) -> Hashable:
    return _absent(value, say, "dataAbsentReason")


def _absent(value: Any, say: Say, where: str) -> bool:
    codings = _concept(value, say, where)
    if not any(system == ABSENT for system, _ in codings):
        say(f"{where} has no code of data-absent-reason")
    for system, code in codings:
        if system == ABSENT and code not in ABSENT_REASONS:
            say(f"{where}: {shown(code)} is not one of the 15 codes of data-absent-reason")
    return True


def _m_interpretation(value: Any, say: Say) -> Hashable:
    return _interpretation(value, say, "interpretation")


def _interpretation(value: Any, say: Say, where: str) -> frozenset[str]:
    """Check interpretations; returns the off-scale codes ("<", ">") among them."""
    found: set[str] = set()
    for item in _list(value, say, where):
        for system, code in _concept(item, say, where):
            if system in INTERPRETATIONS and code not in INTERPRETATIONS[system]:
                say(f"{where}: {shown(code)} is not a code of its system")
            elif system not in INTERPRETATIONS:
                say(f"{where}: the code system is not one the gateway writes")
            if system == INTERPRETATION and code in ("<", ">"):
                found.add(code)
    return frozenset(found)


def _m_note(value: Any, say: Say) -> Hashable:
    for item in _list(value, say, "note"):
        note = _members(item, say, "note", "text time authorString authorReference")
        _text(note.get("text"), say, "note.text")
        if "time" in note:
            _date_time(note["time"], say, "note.time")
    return None


def _m_site(value: Any, say: Say) -> Hashable:
    return _concept(value, say, "bodySite", coded=False)


def _m_method(value: Any, say: Say) -> Hashable:
    return _concept(value, say, "method", coded=False)


def _m_device(value: Any, say: Say) -> Hashable:
    return _kind(_reference(value, say, "device", "Device DeviceMetric"))


def _m_range(value: Any, say: Say) -> Hashable:
    for item in _list(value, say, "referenceRange"):
        limits = _members(item, say, "referenceRange", "low high type appliesTo age text")
        if not limits.keys() & {"low", "high", "text"}:
            say("obs-3: a referenceRange needs a low, a high or a text")
        for side in ("low", "high"):
            if side in limits:
                _quantity(limits[side], say, f"referenceRange.{side}")
    return None


def _m_members(value: Any, say: Say) -> Hashable:
    found: list[str | _Outside] = []
    for item in _list(value, say, "hasMember"):
        found.append(_outside(item, say) or _reference(item, say, "hasMember", "Observation"))
    if len(set(found)) != len(found):
        say("hasMember names one Observation twice")
    return tuple("urn" if isinstance(item, str) and item.startswith("urn:") else item for item in found)


class _Outside(NamedTuple):
    """A member that is named by its identifier, because it was recorded before."""

    system: str
    name: str


def _outside(item: Any, say: Say) -> _Outside | None:
    """Read a logical reference, or a conditional one (which R4 allows inside transactions); None for any other."""
    if not isinstance(item, dict):
        return None
    if item.keys() == {"type", "identifier"} and item["type"] == "Observation":
        return _Outside(*_identifier(item["identifier"], say, "hasMember.identifier"))
    literal = item.get("reference")
    if item.keys() != {"reference"} or not isinstance(literal, str) or not literal.startswith(_SEARCH):
        return None
    parts = _searched(unquote(literal.removeprefix(_SEARCH))) if _QUERY.fullmatch(literal.partition("=")[2]) else ()
    if len(parts) != 2:
        say("hasMember.reference is not a search for exactly one identifier")
        return _Outside("", "")
    return _Outside(*parts)


_SEARCH: Final = "Observation?identifier="


class Component(NamedTuple):
    """What the rules across members need to know of a component."""

    codings: Codings
    unit: str
    valued: bool
    answer: Codings | None


def _m_components(value: Any, say: Say) -> Hashable:
    return tuple(_component(item, say) for item in _list(value, say, "component"))


def _component(value: Any, say: Say) -> Component:
    allowed = "code valueQuantity valueCodeableConcept dataAbsentReason interpretation referenceRange"
    component = _members(value, say, "component", allowed)
    codings = _concept(component.get("code"), say, "component.code")
    values = [key for key in component if key.startswith("value")]
    unit, comparator = "", ""
    if "valueQuantity" in component:
        unit, comparator = _quantity(component["valueQuantity"], say, "component.valueQuantity")
    answer: Codings | None = None
    if "valueCodeableConcept" in component:
        qualifies = any(system == LOINC and code in QUALIFIERS for system, code in codings)
        answer = _concept(component["valueCodeableConcept"], say, "component.valueCodeableConcept", coded=not qualifies)
    absent = "dataAbsentReason" in component
    if absent:
        _absent(component["dataAbsentReason"], say, "component.dataAbsentReason")
    if not values and not absent:
        say("vs-3: a component needs a value or a dataAbsentReason")
    if len(values) > 1 or (values and absent):
        say("a component has either one value or a dataAbsentReason")
    scale = frozenset[str]()
    if "interpretation" in component:
        scale = _interpretation(component["interpretation"], say, "component.interpretation")
    _off_scale(comparator, scale, say)
    if "referenceRange" in component:
        _m_range(component["referenceRange"], say)
    return Component(codings, unit, bool(values), answer)


def _off_scale(comparator: str, scale: Iterable[str], say: Say) -> None:
    expected = {COMPARATORS[comparator]} if comparator else set()
    if set(scale) != expected:
        say("comparator and off-scale interpretation (< or >) must say the same")


def _kind(literal: str) -> str:
    """How a reference is made: "urn", "literal", or "" for a logical identifier."""
    return ("urn" if literal.startswith("urn:") else "literal") if literal else ""


_MEMBERS: Final[dict[str, Callable[[Any, Say], Hashable]]] = {
    "id": _m_id,
    "meta": _m_meta,
    "extension": _m_extension,
    "identifier": _m_identifier,
    "status": _m_status,
    "category": _m_category,
    "code": _m_code,
    "subject": _m_subject,
    "encounter": _m_encounter,
    "effectiveDateTime": _m_effective,
    "issued": _m_issued,
    "performer": _m_performer,
    "valueQuantity": _m_quantity,
    "valueCodeableConcept": _m_concept,
    "dataAbsentReason": _m_absent,
    "interpretation": _m_interpretation,
    "note": _m_note,
    "bodySite": _m_site,
    "method": _m_method,
    "device": _m_device,
    "referenceRange": _m_range,
    "hasMember": _m_members,
    "component": _m_components,
}


def _facts(members: dict[str, Any], say: Say) -> Facts:
    """Check members one by one; returns what the rules across members need."""
    facts: Facts = {}
    for key, value in members.items():
        if key == "resourceType":
            facts[key] = value
            continue
        rule = _MEMBERS.get(key)
        if rule is None:
            say(f"an element the gateway does not write: {shown(key)}")
            continue
        _no_blanks(value, say, key)
        facts[key] = rule(value, say)
    return facts


# --- plain reading: rules across the members of one Observation ----------------------------------------------------


def _observation(facts: Facts, say: Say, *, us_core: bool, bundled: bool) -> None:
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
    _off_scale(comparator, facts.get("interpretation", ()), say)
    row = _row_of(facts, say)
    if row is not None:
        _against(row, facts, say, us_core)
    if not bundled and any(isinstance(member, _Outside) for member in facts.get("hasMember", ())):
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
        if isinstance(member, _Outside):
            _outside_fits(member, facts, identity, say)
            continue
        if not member.startswith(f"Observation/{identity}-"):
            say("hasMember names an Observation of another set")
        row = BY_KEY.get(member.partition("-")[2].replace("-", "_"))
        if row is not None and row.category != "vital-signs":
            say("hasMember names an Observation that is not a vital sign")
    if key not in BY_KEY:
        say(f"no published rule is known for records of {shown(key)}")
        return None
    return BY_KEY[key]


def _outside_fits(member: _Outside, facts: Facts, identity: str, say: Say) -> None:
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
            say(f"valueQuantity.code {shown(unit)} is not one of: {' '.join(units_for(row, required))}")
        if row.value_required and "valueQuantity" not in facts:
            say("the profile requires a valueQuantity")
    elif row.kind == "coded":
        if "valueQuantity" in facts:
            say("the result must be a coded answer")
    elif values:
        say("a panel has no value of its own")
    if row.kind == "members" and not facts.get("hasMember"):
        say("a panel of Observations needs hasMember")
    if row.kind != "members" and "hasMember" in facts:
        say("hasMember does not belong on this record")
    _components(row, facts.get("component", ()), say, us_core)


def _codes(row: Published, codings: Codings, say: Say, where: str) -> str:
    """Check the codings of a row; returns its required LOINC code as found, or ""."""
    loinc = [code for system, code in codings if system == LOINC]
    required = [code for code in loinc if code in row.codes]
    if len(required) != 1:
        say(f"{where}: exactly one coding must be LOINC {' or '.join(row.codes)}")
    for code in loinc:
        if code not in row.codes and code not in row.beside:
            say(f"{where}: LOINC {shown(code)} is not known to stand beside {' or '.join(row.codes)}")
    if codings and codings[0] not in {(LOINC, code) for code in (*row.codes, *row.us_core_codes)}:
        say(f"{where}: the required LOINC coding must come first")
    for system, code in codings:
        if system == MDC and code not in row.mdc:
            say(f"{where}: MDC {shown(code)} is not known to mean this quantity")
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
        code = next((code for system, code in component.codings if system == LOINC and code in row.qualifiers), "")
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
            say(f"component.valueQuantity.code {shown(component.unit)} is not one of: {' '.join(units)}")
        elif component.valued and component.unit not in COMPONENT_UNITS and not us_core:
            say(f"component unit {shown(component.unit)} is outside R4's required list for components")
    for code in row.members:
        if seen.count(code) != 1:
            say(f"exactly one component must be LOINC {code}")
    for code in (*row.optional, *row.qualifiers):
        if seen.count(code) > 1:
            say(f"at most one component may be LOINC {code}")


def _qualifier(code: str, component: Component, say: Say) -> None:
    """Check what is said beside a blood pressure: its code alone, and an answer that is published for it or a text."""
    if component.codings != ((LOINC, code),):
        say(f"component.code: LOINC {code} stands alone")
    if component.answer is None:
        say(f"component: LOINC {code} has an answer or a text, nothing else")
    for system, answer in component.answer or ():
        if system != SNOMED or answer not in QUALIFIERS[code]:
            say(f"component.valueCodeableConcept: {shown(answer)} is not a published answer of LOINC {code}")


_COMPONENT_ROWS = {row.codes[0]: row for row in ROWS if row.codes[0] in PANEL_OF or row.codes[0] in OXYGEN_COMPONENTS}


# --- plain reading: the other resources ----------------------------------------------------------------------------


class _Resource(NamedTuple):
    """What a bundle needs to know of a resource.

    Attributes:
        type: its resourceType.
        identifier: system and value by which a server knows it again; of a Provenance, system and code of its tag.
        id: its id, or "".
        references: where it refers to, each with the type that must be there ("" for several).
        parameter: the search parameter for `identifier`.
        status: status of an Observation, or "".
        targets: what a Provenance speaks of, if it is literal.
        activity: what it says was done, or "".
        explained: it says so in words too.
    """

    type: str
    identifier: tuple[str, str] = ("", "")
    id: str = ""
    references: tuple[tuple[str, str], ...] = ()
    parameter: str = "identifier"
    status: str = ""
    targets: tuple[str, ...] = ()
    activity: str = ""
    explained: bool = False


_REFERRING = {
    "subject": "Patient",
    "encounter": "Encounter",
    "performer": "",
    "device": "Device",
    "hasMember": "Observation",
}


def _references(members: dict[str, Any]) -> tuple[tuple[str, str], ...]:
    """Literal references in members of an Observation, each with the type it must point at ("" for several)."""
    found: list[tuple[str, str]] = []
    extensions = members.get("extension")
    for item in extensions if isinstance(extensions, list) else ():
        if isinstance(item, dict) and item.get("url") == DEVICE_TIME_REFERENCE:
            reference = item.get("valueReference")
            if isinstance(reference, dict) and isinstance(reference.get("reference"), str):
                found.append((reference["reference"], "Observation"))
    for key, target in _REFERRING.items():
        value = members.get(key)
        for item in value if isinstance(value, list) else [value]:
            if isinstance(item, dict) and isinstance(item.get("reference"), str):
                found.append((item["reference"], target))
    return tuple(found)


def _resource(members: dict[str, Any], say: Say, *, us_core: bool, bundled: bool) -> _Resource:
    """Check one resource whole."""
    kind = members.get("resourceType")
    if kind == "Observation" and _is_device_time(members):
        return _device_time(members, say, bundled)
    if kind == "Observation":
        facts = _facts(members, say)
        _observation(facts, say, us_core=us_core, bundled=bundled)
        name, status = facts.get("identifier") or ("", ""), facts.get("status") or ""
        return _Resource(kind, name, facts.get("id", ""), _references(members), status=status)
    if kind == "Device":
        return _device(members, say, bundled)
    if kind == "Provenance":
        return _provenance(members, say, bundled)
    say("resourceType is not Observation, Device or Provenance")
    return _Resource(kind if isinstance(kind, str) else "")


def _is_device_time(members: dict[str, Any]) -> bool:
    """Whether an Observation says by its identifier that it is of a device's own time."""
    match members.get("identifier"):
        case [{"value": str(value)}]:
            return value.endswith(_OF_DEVICE_TIME)
    return False


_OF_DEVICE_TIME: Final = ".device_time"


def _device_time(members: dict[str, Any], say: Say, bundled: bool) -> _Resource:
    """Check the Observation of a device's own time beside the true time: the guide named in `published`.

    It is about the device and not about a patient; the time is the true one and the value the device's.
    """
    allowed = "resourceType id identifier status code subject effectiveDateTime valueDateTime note device"
    _members(members, say, "device time", allowed)
    for key, value in members.items():
        _no_blanks(value, say, key)
    identifier = _m_identifier(members.get("identifier"), say)
    system, value = identifier if isinstance(identifier, tuple) else ("", "")
    identity = value.removesuffix(_OF_DEVICE_TIME)
    if not _HEX.fullmatch(identity.encode("ascii", "replace")):
        say("identifier.value is not <32 hex digits>.device_time")
    name = ""
    if "id" in members:
        name = str(_m_id(members["id"], say))
        if name != f"{identity}-device-time":
            say("id and identifier are not those of the same record")
    elif not bundled:
        say("id is missing")
    if members.get("status") != "final":
        say("status of a device's time is always final")
    if _concept(members.get("code"), say, "code") != ((MDC, DEVICE_TIME),):
        say(f"code of a device's time is MDC {DEVICE_TIME}")
    subject = _reference(members.get("subject"), say, "subject", "Device")
    if not subject:
        say("subject of a device's time is the device")
    elif not bundled and subject.startswith("urn:"):
        say("a urn:uuid reference cannot be resolved outside a bundle")
    for key in ("effectiveDateTime", "valueDateTime"):
        text = _date_time(members.get(key), say, key)
        if text and len(text) < 20:
            say(f"{key} of a device's time needs a time of day")
    if "note" in members:
        _m_note(members["note"], say)
    device = _members(members.get("device"), say, "device", "display")
    _text(device.get("display"), say, "device.display")
    return _Resource("Observation", (system, value), name, ((subject, "Device"),) if subject else ())


def _head(members: dict[str, Any], say: Say, bundled: bool) -> str:
    for key, value in members.items():
        _no_blanks(value, say, key)
    if "meta" in members:
        _m_meta(members["meta"], say)
    if "id" in members:
        return str(_m_id(members["id"], say))
    if not bundled:
        say("id is missing")
    return ""


def _device(members: dict[str, Any], say: Say, bundled: bool) -> _Resource:
    allowed = (
        "resourceType id meta extension identifier status statusReason distinctIdentifier manufacturer manufactureDate "
        "lotNumber serialNumber deviceName modelNumber partNumber type specialization version property owner location "
        "url note safety"
    )
    _members(members, say, "Device", allowed)
    name = _head(members, say, bundled)
    items = _list(members.get("identifier"), say, "Device.identifier")
    identifiers = [_identifier(item, say, "Device.identifier", system=False) for item in items]
    if "status" in members and members["status"] not in ("active", "inactive", "entered-in-error", "unknown"):
        say("Device.status is not a code of device-status")
    if "type" in members:
        _concept(members["type"], say, "Device.type", coded=False)
    for item in members.get("deviceName", ()):
        entry = _members(item, say, "Device.deviceName", "name type")
        _text(entry.get("name"), say, "Device.deviceName.name")
        if entry.get("type") not in (
            "udi-label-name", "user-friendly-name", "patient-reported-name", "manufacturer-name", "model-name", "other",
        ):  # fmt: skip
            say("Device.deviceName.type is not a code of device-nametype")
    return _Resource("Device", identifiers[0] if identifiers else ("", ""), name)


def _provenance(members: dict[str, Any], say: Say, bundled: bool) -> _Resource:
    allowed = (
        "resourceType id meta extension target occurredPeriod occurredDateTime recorded _recorded policy location "
        "reason activity agent entity"
    )
    _members(members, say, "Provenance", allowed)
    name = _head(members, say, bundled)
    anything = "Observation Device Bundle DocumentReference Organization Practitioner PractitionerRole Patient"
    targets = [
        _reference(item, say, "Provenance.target", anything)
        for item in _list(members.get("target"), say, "Provenance.target")
    ]
    found = [(target, "") for target in targets if target]
    if len(set(found)) != len(found):
        say("Provenance.target names one record twice")
    if "recorded" in members or members.get("_recorded") != _UNRECORDED:
        _instant(members.get("recorded"), say, "Provenance.recorded")
    if "recorded" in members and "_recorded" in members:
        say("Provenance.recorded is there and said to be absent")
    for item in _list(members.get("agent"), say, "Provenance.agent"):
        agent = _members(item, say, "Provenance.agent", "type role who onBehalfOf")
        if "type" in agent:
            _concept(agent["type"], say, "Provenance.agent.type", coded=False)
        found.append((_provenance_reference(agent.get("who"), say, "Provenance.agent.who", anything), ""))
    for item in members.get("entity", ()):
        entity = _members(item, say, "Provenance.entity", "role what agent extension")
        if entity.get("role") not in ("derivation", "revision", "quotation", "source", "removal"):
            say("Provenance.entity.role is not a code of provenance-entity-role")
        found.append((_provenance_reference(entity.get("what"), say, "Provenance.entity.what", anything), ""))
    activity, explained = "", False
    if "activity" in members:
        for system, code in _concept(members["activity"], say, "Provenance.activity"):
            activity = code
            if system != DATA_OPERATION or code not in ACTIVITIES:
                say("Provenance.activity is not one the gateway names (CREATE, UPDATE, NULLIFY of v3-DataOperation)")
        explained = isinstance(members["activity"], dict) and "text" in members["activity"]
    if activity == "UPDATE" and "recorded" not in members:
        say("Provenance.recorded: an update says when it was made")
    if not bundled and any(reference.startswith("urn:") for reference, _ in found):
        say("a urn:uuid reference cannot be resolved outside a bundle")
    meta = members.get("meta")
    tags = _tags(meta, lambda _: None) if isinstance(meta, dict) and "tag" in meta else ()
    references = tuple(item for item in found if item[0])
    return _Resource(
        "Provenance", tags[0] if tags else ("", ""), name, references, "_tag", targets=tuple(filter(None, targets)),
        activity=activity, explained=explained,
    )  # fmt: skip


def _provenance_reference(value: Any, say: Say, where: str, types: str) -> str:
    """Agents and sources may be named by a display alone, which R4 allows for any Reference."""
    if isinstance(value, dict) and value.keys() == {"display"}:
        _text(value["display"], say, f"{where}.display")
        return ""
    return _reference(value, say, where, types)


# --- plain reading: bundles ------------------------------------------------------------------------------------------


def _request(value: Any, say: Say) -> tuple[str, str, str]:
    """Check entry.request; returns method, url and ifNoneExist."""
    request = _members(value, say, "request", "method url ifNoneExist")
    method, url, query = (request.get(key, "") for key in ("method", "url", "ifNoneExist"))
    if method not in ("POST", "PUT"):
        say("request.method is neither POST nor PUT")
    if not isinstance(url, str) or not url:
        say("request.url is missing")
        url = ""
    if "ifNoneExist" in request and (not isinstance(query, str) or not _QUERY.fullmatch(query.partition("=")[2])):
        say("request.ifNoneExist is not a search with its reserved characters percent-encoded")
        query = ""
    if method == "PUT":
        if "ifNoneExist" in request:
            say("request.ifNoneExist does not belong in a PUT")
        if "?" in url and not _QUERY.fullmatch(url.partition("=")[2]):
            say("request.url is not a search with its reserved characters percent-encoded")
    return method, url, query


def _request_fits(request: tuple[str, str, str], resource: _Resource, say: Say) -> None:
    method, url, query = request
    system, value = resource.identifier
    token = (system, value) if system else (value,)
    if method == "PUT":
        kind, _, search = url.partition("?")
        name, _, text = search.partition("=")
        if resource.type != "Observation":
            say("request.method PUT is for Observations only")
        if not value or kind != resource.type or name != "identifier" or _searched(unquote(text)) != token:
            say("request.url of a PUT does not ask for the identifier of the resource")
        if resource.status not in UPDATED:
            say("status of a PUT is not final, corrected, entered-in-error or preliminary")
        return
    if resource.status in REPLACING:
        say("status says that the record replaces another, so request.method must be PUT")
    if url != resource.type:
        say("request.url is not the type of the resource")
    if not value:
        say("the resource has nothing to be known again by, so delivering twice would record twice")
        return
    if not query:
        say("request.ifNoneExist is missing, so delivering twice would record twice")
        return
    name, _, text = query.partition("=")
    if name != resource.parameter or _searched(unquote(text)) != token:
        what = "tag" if resource.parameter == "_tag" else "identifier"
        say(f"request.ifNoneExist does not ask for the {what} of the resource")


def _searched(text: str) -> tuple[str, ...]:
    """The parts of a token search, system and code or code alone; () when it is not a search for exactly one token.

    A backslash stands before each comma, dollar sign, bar and backslash of a part (FHIR R4 search, "escaping").
    """
    parts: list[str] = []
    at = 0
    while (found := _TOKEN_PART.match(text, at)) is not None:
        parts.append(re.sub(r"\\(.)", r"\1", found[0]))
        at = found.end() + 1
        if at > len(text):
            return tuple(parts)
        if text[at - 1] != "|":
            break
    return ()


def _bundle(bundle: dict[str, Any], found: list[Problem], us_core: bool) -> None:
    def whole(what: str) -> None:
        found.append(Problem(-1, what))

    kind = _bundle_head(bundle, whole)
    entries = _list(bundle.get("entry"), whole, "entry")
    places: dict[str, str] = {}
    identifiers: dict[tuple[str, str, str], int] = {}
    resources: list[_Resource] = []
    done: dict[str, tuple[str, str]] = {}
    for index, item in enumerate(entries):

        def say(what: str, index: int = index) -> None:
            found.append(Problem(index, what))

        entry = _members(item, say, "entry", "fullUrl resource request response search link")
        if "response" in entry:
            say(f"bdl-4: entry.response does not belong in a {shown(kind)}")
        if "search" in entry:
            say("bdl-2: entry.search only belongs in a search result")
        if ("request" in entry) != (kind in ("transaction", "batch")):
            say("bdl-3: entry.request is required in a transaction and not allowed in a collection")
        if not entry.keys() & {"resource", "request", "response"}:
            say("bdl-5: an entry needs a resource, a request or a response")
        body = entry.get("resource")
        if not isinstance(body, dict):
            say("an entry without a resource is not one the gateway writes")
            body = {}
        resource = _resource(body, say, us_core=us_core, bundled=True) if body else _Resource("")
        resources.append(resource)
        url = entry.get("fullUrl")
        _full_url(url, resource, places, say)
        method = ""
        if "request" in entry:
            _no_blanks(entry["request"], say, "request")
            request = _request(entry["request"], say)
            method = request[0]
            _request_fits(request, resource, say)
        if isinstance(url, str):
            done[url] = method, resource.status
        if resource.identifier[1]:
            key = (resource.type, *resource.identifier)
            if key in identifiers:
                say("the identifier stands in the bundle twice")
            identifiers[key] = index
    for index, resource in enumerate(resources):
        for reference, target in resource.references:
            if fault := _unresolved(reference, target, places):
                found.append(Problem(index, fault))
            if reference.startswith(_SEARCH) and kind != "transaction":
                found.append(Problem(index, "a conditional reference only belongs in a transaction"))
        if resource.type == "Provenance":
            faults = [_misstated(resource, *done[target]) for target in resource.targets if target in done]
            found += [Problem(index, fault) for fault in dict.fromkeys(filter(None, faults))]


def _misstated(provenance: _Resource, method: str, status: str) -> str:
    """What is wrong with what a Provenance says was done to a record in its bundle, or "".

    Args:
        provenance: the Provenance.
        method: how the record is sent; "" in a collection.
        status: status of the record.
    """
    activity = provenance.activity
    if (status == "entered-in-error") != (activity == "NULLIFY"):
        return "Provenance.activity: NULLIFY is for records entered in error, and nothing else is for them"
    if method == "POST" and not (activity == "CREATE" and provenance.explained):
        return "Provenance.activity: of a conditional create it says CREATE, and that a record there before was left"
    if (method == "PUT" or status == "corrected") and activity not in ("UPDATE", "NULLIFY"):
        return "Provenance.activity: a record that changes is named by an UPDATE"
    return ""


def _bundle_head(bundle: dict[str, Any], say: Say) -> str:
    """Check what a Bundle says of itself; returns its type."""
    if bundle.get("resourceType") != "Bundle":
        say("resourceType is not Bundle")
    allowed = "resourceType id meta identifier type timestamp total link entry signature"
    _members(bundle, say, "Bundle", allowed)
    kind = bundle.get("type")
    if not isinstance(kind, str) or kind not in BUNDLE_TYPES:
        say("type is not a code of bundle-type")
        kind = ""
    elif kind not in ("transaction", "collection"):
        say("type is neither transaction nor collection, the two the gateway writes")
    if "total" in bundle:
        say("bdl-1: total only belongs in a search result or a history")
    if "id" in bundle:
        _m_id(bundle["id"], say)
    if "identifier" in bundle:
        _identifier(bundle["identifier"], say, "Bundle.identifier")
    if "timestamp" in bundle:
        _instant(bundle["timestamp"], say, "timestamp")
    return kind


def _full_url(url: Any, resource: _Resource, places: dict[str, str], say: Say) -> None:
    if not isinstance(url, str):
        say("fullUrl is missing, so nothing can refer to the entry")
        return
    if "/_history/" in url:
        say("bdl-8: fullUrl must not name a version")
    if not _UUID.fullmatch(url):
        say("fullUrl is not a urn:uuid in lower case")
    elif resource.type == "Observation" and not _UUID8.fullmatch(url.encode()):
        say("fullUrl of an Observation is not a UUID of version 8")
    if url in places:
        say("bdl-7: fullUrl stands in the bundle twice")
    places[url] = resource.type


def _unresolved(reference: str, target: str, places: dict[str, str]) -> str:
    """What is wrong with a reference inside a bundle, or ""."""
    if not reference.startswith("urn:"):
        return ""
    kind = places.get(reference)
    if kind is None:
        return "a urn:uuid reference points at nothing in the bundle"
    return "a reference points at an entry of another type" if target and kind != target else ""


# --- quick reading -----------------------------------------------------------------------------------------------

_MASK: Final = b"\x00"
_ANY: Final = b"6c1f09a2be7d4835d0a94e12f7b3c658"
_SUBJECT, _TIME = b',"subject":', b',"effectiveDateTime":"'
_COMPONENT, _IN_COMPONENT = b',"component":[', b'},{"code":'
_PERFORMER, _NOTE, _DEVICE = b',"performer":', b',"note":', b',"device":'
_BEHIND_LIST: Final = b'}],"'
_PLAIN_VALUE: Final = re.compile(rb"[!#-\[\]-~]{1,200}")
_ANY_VALUE: Final = b'"value":"any"'
_LONG: Final = 250
_LONG_TAIL: Final = 600
_DEVICE_TIME_VALUE: Final = b'.device_time"'
_IDENTIFIER, _VALUE = b',"identifier":[{"system":"', b'"value":"'
_ENTRIES, _NEXT, _REQUEST = b'"entry":[{"fullUrl":', b'},{"fullUrl":', b',"request":{'
_PANEL: Final = (b".vital_signs", b"-vital-signs")
_TARGETS, _BETWEEN_TARGETS, _END_OF_TARGETS = b'"target":[{"reference":"', b'"},{"reference":"', b'"}]'
_TARGET: Final = re.compile(rb"Observation/[A-Za-z0-9.-]{1,64}|urn:uuid:[0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12}")
_CHANGING: Final = (b'"method":"PUT"', b'"status":"corrected"', b'"status":"entered-in-error"')
_OBSERVATION, _RESOURCE = b'{"resourceType":"Observation",', b',"resource":{'
_OBSERVATION_ID: Final = b'{"resourceType":"Observation","id":"'
_AT: Final = len(_OBSERVATION_ID)
_ID_ENDS: Final = _AT + 32


class _Piece(NamedTuple):
    """A run of members found good: the number of its facts, and the urn:uuid references in it with their type."""

    facts: int
    references: tuple[tuple[str, str], ...]


def _other(body: bytes, say: Say, *, us_core: bool, bundled: bool) -> _Resource:
    """Judge any resource whole, with a short cut through a long list of plain Provenance targets.

    A Provenance names every record of its batch: the list is read as text, and all but its first item are left out of
    what is parsed. Each item left out is a complete reference, so nothing about the rest changes.
    """
    start = body.find(_TARGETS) + len(_TARGETS)
    end = body.find(_END_OF_TARGETS, start)
    if start < len(_TARGETS) or end < 0:
        return _resource(_parse(body), say, us_core=us_core, bundled=bundled)
    targets = body[start:end].split(_BETWEEN_TARGETS)
    if not all(map(_TARGET.fullmatch, targets)):
        return _resource(_parse(body), say, us_core=us_core, bundled=bundled)
    resource = _resource(_parse(body[:start] + targets[0] + body[end:]), say, us_core=us_core, bundled=bundled)
    if len(set(targets)) != len(targets):
        say("Provenance.target names one record twice")
    if bundled:
        named = tuple(target.decode() for target in targets)
        return resource._replace(references=(*resource.references, *((each, "") for each in named)), targets=named)
    if any(target.startswith(b"urn:") for target in targets[1:]):
        say("a urn:uuid reference cannot be resolved outside a bundle")
    return resource


class _Shape(NamedTuple):
    """The head of a record as last seen for its kind: the text around the identities in it, its worth, its length."""

    around: list[bytes]
    piece: _Piece
    length: int


class _Further(NamedTuple):
    """Records of one kind: how they begin around the identity, and by worth of whose they are, how they end."""

    head: list[bytes]
    tails: dict[int, set[bytes]]


class FhirVerifier:
    """Verifies rendered FHIR; one object for a batch, because it remembers what it has found good.

    Memory is bounded: what is remembered is forgotten when it reaches `REMEMBERED` pieces of each kind.

    Args:
        us_core: the records are meant to follow the US Core profiles as well.
    """

    REMEMBERED: Final = 50_000

    def __init__(self, us_core: bool) -> None:
        self.us_core = us_core
        self._forget()

    def _forget(self) -> None:
        self._pieces: dict[bytes, _Piece | None] = {}
        self._parts: dict[bytes, int | None] = {}
        self._days: set[bytes] = set()
        self._clocks: set[bytes] = set()
        self._numbers: dict[Hashable, int] = {}
        self._by_number: list[tuple[tuple[str, Any], ...]] = []
        self._fits: dict[tuple[int, ...], bool] = {}
        self._devices: dict[bytes, str] = {}
        self._entries: dict[tuple[str, bytes], _Resource] = {}
        self._shapes: dict[bytes, _Shape] = {}
        self._tails: dict[tuple[bytes, int, bytes], dict[bytes, tuple[tuple[tuple[str, str], ...], ...]]] = {}
        self._further: dict[bytes, _Further] = {}
        self._tails_kept = 0
        self._identity = b""
        self._joined: dict[tuple[_Piece, ...], _Piece] = {}
        self._middle: tuple[bytes, _Piece] = (b"\n", _Piece(-1, ()))

    def lines(self, data: bytes) -> list[Problem]:
        """Verify NDJSON of Observation, Device and Provenance resources, one on each line.

        Args:
            data: whole lines, UTF-8. A record is only compared with the others given in the same call.

        Returns:
            Every problem found, in the order of the lines (index from 0); empty when all is well.
        """
        lines = data.split(b"\n")
        if lines[-1] == b"":
            lines.pop()
        return self.resources(lines)

    def resources(self, lines: Sequence[bytes]) -> list[Problem]:
        """Verify resources, each the bytes of one NDJSON line without its end: see `lines`."""
        if len(self._by_number) >= self.REMEMBERED or len(self._fits) >= self.REMEMBERED:
            self._forget()
        found: list[Problem] = []
        seen: dict[bytes | str, int] = {}
        label: bytes | str | None
        for index, line in enumerate(lines):
            label = None
            if line.startswith(_OBSERVATION_ID):
                identity, end = line[_AT:_ID_ENDS], line.find(b'"', _ID_ENDS)
                label, kind = line[_AT:end], line[_ID_ENDS:end]
                if identity != self._identity:
                    if not (self._is_of(identity) and self._by_pieces(line, identity, kind, b"", False, [])):
                        label = None
                elif not self._is_further(line, identity, kind):
                    if self._by_pieces(line, identity, kind, b"", False, []):
                        self._remember_tail(line, identity, kind)
                    else:
                        label = None
            else:
                label = self._devices.get(line)
            if label is None:
                label = self._plain(line, index, found)
            if label and seen.setdefault(label, index) != index:
                found.append(Problem(index, "the same record stands here twice"))
        return found

    def _is_further(self, line: bytes, identity: bytes, kind: bytes) -> bool:
        """Whether a record is one seen before but for the identity and for whose it is, both known from its set."""
        known = self._further.get(kind)
        if known is None:
            return False
        text, whose = self._middle
        start = identity.join(known.head) + text
        return line.startswith(start) and line[len(start) :] in known.tails.get(whose.facts, ())

    def _remember_tail(self, line: bytes, identity: bytes, kind: bytes) -> None:
        """Remember what a good record ends with, by how it begins."""
        shape = self._shapes.get(kind)
        if shape is None or kind in _PANEL:
            return
        head = [*shape.around[:-1], shape.around[-1].removesuffix(_SUBJECT)]
        text, whose = self._middle
        start = identity.join(head) + text
        tail = line[len(start) :]
        if not line.startswith(start) or len(tail) > _LONG_TAIL or identity in tail:
            return
        if self._tails_kept >= self.REMEMBERED:
            self._further.clear()
            self._tails_kept = 0
        known = self._further.get(kind)
        if known is None or known.head != head:
            known = self._further[kind] = _Further(head, {})
        known.tails.setdefault(whose.facts, set()).add(tail)
        self._tails_kept += 1

    def bundle(self, data: bytes) -> list[Problem]:
        """Verify one Bundle of type transaction or collection.

        Args:
            data: the Bundle as JSON, UTF-8.

        Returns:
            Every problem found (index of the entry from 0, -1 for the bundle); empty when all is well.
        """
        if len(self._by_number) >= self.REMEMBERED or len(self._fits) >= self.REMEMBERED:
            self._forget()
        if _MASK not in data and self._quick_bundle(data.rstrip(b"\r\n")):
            return []
        found: list[Problem] = []
        try:
            bundle = _parse(data)
        except _UnreadableError as error:
            return [Problem(-1, str(error))]
        _bundle(bundle, found, self.us_core)
        return sorted(found, key=lambda problem: problem.index)

    def _plain(self, line: bytes, index: int, found: list[Problem]) -> bytes | str:
        """Judge one line whole; returns what must not stand twice: an Observation's id, else type and id."""
        before = len(found)

        def say(what: str) -> None:
            found.append(Problem(index, what))

        try:
            resource = _other(line, say, us_core=self.us_core, bundled=False)
        except _UnreadableError as error:
            say(str(error))
            return b""
        if resource.type == "Observation":
            return resource.id.encode()
        label = f"{resource.type}/{resource.id}" if resource.id else ""
        if resource.type == "Device" and label and len(found) == before:
            if len(self._devices) >= self.REMEMBERED:
                self._devices.clear()
            self._devices[line] = label
        return label

    def _quick(
        self, line: bytes, name: bytes, request: bytes, bundled: bool, references: list[tuple[tuple[str, str], ...]]
    ) -> bool:
        """Look an Observation up piece by piece; whether it is known to be good.

        Args:
            line: the bytes of the Observation.
            name: its id or the value of its identifier: the identity of the set and what kind of record it is. Only a
                hint where to look, so nothing is taken on trust from it.
            request: the bytes behind it in a bundle entry, from the comma on; empty when there are none.
            bundled: the record is an entry of a bundle.
            references: the urn:uuid references found are added here.
        """
        identity, kind = name[:32], name[32:]
        if identity != self._identity:
            return self._is_of(identity) and self._by_pieces(line, identity, kind, request, bundled, references)
        if kind in _PANEL:
            return self._by_pieces(line, identity, kind, request, bundled, references)
        # A further record of the set at hand: the same but for the identity and for whose it is was mostly seen before.
        text, whose = self._middle
        head, between, tail = line.replace(identity, _MASK).partition(text)
        tails = self._tails.get((head, whose.facts, request.replace(identity, _MASK)))
        if tails is not None and between and tail in tails:
            references.extend(tails[tail])
            if whose.references:
                references.append(whose.references)
            return True
        before = len(references)
        good = self._by_pieces(line, identity, kind, request, bundled, references)
        if good and between and len(tail) <= _LONG_TAIL and self._middle[0] is text:
            if self._tails_kept >= self.REMEMBERED:
                self._tails.clear()
                self._tails_kept = 0
            if tails is None:
                tails = self._tails.setdefault((head, whose.facts, request.replace(identity, _MASK)), {})
            tails[tail] = tuple(found for found in references[before:] if found is not whose.references)
            self._tails_kept += 1
        return good

    def _is_of(self, identity: bytes) -> bool:
        """Take up a set by its identity; whether it is one."""
        if identity != self._identity:
            if not _HEX.fullmatch(identity):
                return False
            self._identity = identity
        return True

    def _by_pieces(
        self,
        line: bytes,
        identity: bytes,
        kind: bytes,
        request: bytes,
        bundled: bool,
        references: list[tuple[tuple[str, str], ...]],
    ) -> bool:
        """Look an Observation up piece by piece: as `_quick`, with the name cut into identity and kind."""
        if _MASK in line:
            return False
        if kind in _PANEL:
            line = line.replace(identity, _MASK)
        shape = self._shapes.get(kind)
        if shape is not None and line.startswith(identity.join(shape.around)):
            subject, piece = shape.length, shape.piece
        else:
            subject = line.find(_SUBJECT, 30)
            if subject < 0:
                return False
            head = line[:subject].replace(identity, _MASK)
            found = self._pieces[head] if head in self._pieces else self._piece(head)
            if found is None:
                return False
            piece = found
            self._shapes[kind] = _Shape((head + _SUBJECT).split(_MASK), piece, subject)
        # Records of one set stand together and say the same of patient, time, operator and device.
        if line.startswith(self._middle[0], subject):
            text, whose = self._middle
            at = subject + len(text)
        else:
            judged, at = self._whose(line, subject)
            if judged is None:
                return False
            whose = judged
        facts = [bundled, piece.facts, whose.facts]
        cuts: list[bytes] = []
        if line.endswith(b"}]}") and (end := line.find(_COMPONENT, at)) >= 0:
            if not self._components(line[end + len(_COMPONENT) : -3], facts):
                return False
        else:
            end = len(line) - 1
            if line[end:] != b"}":
                return False
        device = line.rfind(_DEVICE, at, end)
        if device >= 0:
            cuts.append(line[device:end])
            end = device
        # A note is cut off as well, so that free text does not make every value a new piece.
        if end - at > _LONG and (note := line.find(_NOTE, at, end)) >= 0:
            cuts.append(line[note:end])
            end = note
        if end > at:
            cuts.append(line[at:end])
        if request:
            cuts.append(request.replace(identity, _MASK))
        if whose.references:
            references.append(whose.references)
        if piece.references:
            references.append(piece.references)
        pieces = self._pieces
        for cut in cuts:
            known = pieces[cut] if cut in pieces else self._piece(cut)
            if known is None:
                return False
            facts.append(known.facts)
            if known.references:
                references.append(known.references)
        key = tuple(facts)
        fits = self._fits.get(key)
        if fits is None:
            fits = self._fits[key] = self._fit(key)
        return fits

    def _whose(self, line: bytes, subject: int) -> tuple[_Piece | None, int]:
        """Judge subject, encounter, time and performer; returns what they are worth and where they end."""
        time = line.find(_TIME, subject)
        at = line.find(b'"', time + len(_TIME)) + 1
        if time < 0 or at == 0:
            return None, 0
        text = line[time + len(_TIME) : at - 1]
        cuts = [line[subject:time]]
        if not self._time(text):
            return None, 0
        if line.startswith(_PERFORMER, at):
            place = line.find(_BEHIND_LIST, at) + 2
            if place > 1:
                cuts.append(line[at:place])
                at = place
        found: list[_Piece] = []
        for cut in cuts:
            # Patients are many: what only differs in a plain identifier value is judged once.
            start, between, value = cut.rpartition(_VALUE)
            value, quote, rest = value.partition(b'"')
            if between and quote and _PLAIN_VALUE.fullmatch(value):
                cut = start + _ANY_VALUE + rest
            piece = self._pieces[cut] if cut in self._pieces else self._piece(cut)
            if piece is None:
                return None, 0
            found.append(piece)
        key = tuple(found)
        whose = self._joined.get(key)
        if whose is None:
            if len(self._joined) >= self.REMEMBERED:
                self._joined.clear()
            facts = [fact for piece in found for fact in self._by_number[piece.facts]]
            references = [reference for piece in found for reference in piece.references]
            number = self._number((("effectiveDateTime", None), *facts))
            whose = self._joined[key] = _Piece(number, tuple(references))
        self._middle = line[subject:at], whose
        return whose, at

    def _components(self, inside: bytes, facts: list[int]) -> bool:
        """Look components up one by one; whether all are good."""
        start = b'{"code":'
        if not inside.startswith(start):
            return False
        parts = self._parts
        for part in inside[len(start) :].split(_IN_COMPONENT):
            number = parts[part] if part in parts else self._part(part)
            if number is None:
                return False
            facts.append(number)
        return True

    def _number(self, facts: tuple[tuple[str, Any], ...]) -> int:
        number = self._numbers.get(facts)
        if number is None:
            number = self._numbers[facts] = len(self._by_number)
            self._by_number.append(facts)
        return number

    def _time(self, text: bytes) -> bool:
        # Day and time of day are good or bad on their own, and there are few of each.
        day, clock = text[:10], text[10:]
        if day in self._days and clock in self._clocks:
            return True
        said: list[str] = []
        _date_time(text.decode("ascii", "replace"), said.append, "effectiveDateTime")
        if not said and len(day) == 10:
            for remembered, part in ((self._days, day), (self._clocks, clock)):
                if len(remembered) >= self.REMEMBERED:
                    remembered.clear()
                remembered.add(part)
        return not said

    def _piece(self, cut: bytes) -> _Piece | None:
        """Judge a run of members on its own, with a stand-in for the identity of the set."""
        said: list[str] = []
        piece: _Piece | None = None
        try:
            members = _parse(b"{" + cut[1:].replace(_MASK, _ANY) + b"}")
            request = members.pop("request", None)
            facts = _facts(members, said.append)
            if request is not None:
                _no_blanks(request, said.append, "request")
                facts["request"] = _request(request, said.append)
            literal = _references(members)
            # What may stand in one kind of bundle only is left to the plain reading.
            if not said and not any(item[0].startswith(_SEARCH) for item in literal):
                inside = tuple(item for item in literal if item[0].startswith("urn:"))
                piece = _Piece(self._number(tuple(facts.items())), inside)
        except _UnreadableError:
            piece = None
        if len(self._pieces) >= self.REMEMBERED:
            self._pieces.clear()
        self._pieces[cut] = piece
        return piece

    def _part(self, part: bytes) -> int | None:
        """Judge one component on its own."""
        said: list[str] = []
        number: int | None = None
        try:
            members = _parse(b'{"code":' + part.replace(_MASK, _ANY) + b"}")
            _no_blanks(members, said.append, "component")
            component = _component(members, said.append)
            if not said:
                number = self._number((("component", (component,)),))
        except _UnreadableError:
            number = None
        if len(self._parts) >= self.REMEMBERED:
            self._parts.clear()
        self._parts[part] = number
        return number

    def _fit(self, key: tuple[int, ...]) -> bool:
        """Whether pieces found good one by one also fit together."""
        facts: Facts = {}
        for number in key[1:]:
            for name, fact in self._by_number[number]:
                if name == "component":
                    fact = (*facts.get(name, ()), *fact)
                elif name in facts:
                    return False
                facts[name] = fact
        if facts.get("resourceType") != "Observation":
            return False
        said: list[str] = []
        request = facts.pop("request", None)
        _observation(facts, said.append, us_core=self.us_core, bundled=bool(key[0]))
        if request is not None:
            known, status = facts.get("identifier") or ("", ""), facts.get("status") or ""
            resource = _Resource("Observation", known, facts.get("id", ""), status=status)
            _request_fits(request, resource, said.append)
        return not said

    def _quick_bundle(self, data: bytes) -> bool:
        """Whether a bundle is known to be good; what it does not know goes to the plain reading."""
        at = data.find(_ENTRIES)
        if at < 1 or data[at - 1 : at] != b"," or data[-3:] != b"}]}":
            return False
        # What a Provenance says of changes is compared with each of them: the plain reading does that.
        if any(mark in data for mark in _CHANGING):
            return False
        said: list[str] = []
        try:
            kind = _bundle_head(_parse(data[: at - 1] + b"}"), said.append)
            places: dict[str, str] = {}
            observations: set[bytes] = set()
            prefix = b"\n"
            names: set[tuple[str, ...] | bytes] = set()
            references: list[tuple[tuple[str, str], ...]] = []
            entries = data[at + len(_ENTRIES) : -3].split(_NEXT)
            named = len(entries)
            for entry in entries:
                end = entry.find(b'"', 1)
                start = end + len(_RESOURCE)
                cut = entry.rfind(_REQUEST) if kind == "transaction" else len(entry)
                if said or cut < 0 or entry[:1] != b'"' or entry[end + 1 : start + 1] != _RESOURCE:
                    return False
                url, body, request = entry[1:end], entry[start:cut], entry[cut:]
                if body.startswith(_OBSERVATION) and _DEVICE_TIME_VALUE not in body:
                    bar = request.rfind(b"|")
                    if bar >= 0:
                        name = request[bar + 1 : -2]
                    else:
                        start = body.find(_VALUE, body.find(_IDENTIFIER)) + len(_VALUE)
                        name = body[start : body.find(b'"', start)]
                    # The addresses of one set differ in their last four digits only.
                    if url[:-4] != prefix or not _HEX4.fullmatch(url[-4:]):
                        if not _UUID8.fullmatch(url):
                            return False
                        prefix = url[:-4]
                    if not self._quick(body, name, request, True, references):
                        return False
                    names.add(name)
                    observations.add(url)
                    continue
                known = self._entries.get((kind, entry))
                if known is not None and url.decode() not in places:
                    places[url.decode()] = known.type
                    references.append(known.references)
                    names.add((known.type, *known.identifier))
                    continue
                resource = _other(body, said.append, us_core=self.us_core, bundled=True)
                if resource.activity in ("UPDATE", "NULLIFY") or (
                    resource.targets and kind == "transaction" and not (resource.activity and resource.explained)
                ):
                    return False
                _full_url(url.decode("ascii", "replace"), resource, places, said.append)
                references.append(resource.references)
                if request:
                    wanted = _parse(b"{" + request[1:] + b"}")
                    _no_blanks(wanted, said.append, "request")
                    _request_fits(_request(wanted.pop("request"), said.append), resource, said.append)
                    if wanted:
                        return False
                if resource.identifier[1]:
                    names.add((resource.type, *resource.identifier))
                else:
                    named -= 1
                if resource.type in ("Device", "Observation") and resource.identifier[1] and not said:
                    if len(self._entries) >= self.REMEMBERED:
                        self._entries.clear()
                    self._entries[kind, entry] = resource
        except _UnreadableError:
            return False
        places.update({url.decode(): "Observation" for url in observations})
        if said or len(places) != len(entries) or len(names) != named:
            return False
        return not any(_unresolved(*item, places) for item in set().union(*references))


def deep_fhir(data: bytes) -> str:
    """Read one resource with fhir.resources (R4B classes, the nearest it has to R4); slow, for samples.

    Returns:
        "" when it reads, else the places and kinds of error, without any value.
    """
    from fhir.resources.R4B import get_fhir_model_class
    from pydantic import ValidationError

    try:
        kind = _parse(data).get("resourceType")
    except _UnreadableError as error:
        return str(error)
    if kind not in ("Observation", "Device", "Provenance", "Bundle"):
        return "resourceType is not Observation, Device, Provenance or Bundle"
    try:
        get_fhir_model_class(kind).model_validate_json(data)
    except ValidationError as error:
        faults = error.errors(include_url=False, include_context=False, include_input=False)
        return "; ".join(f"{_place(fault['loc'])}: {fault['type']}" for fault in faults[:5])
    return ""


def _place(steps: Iterable[int | str]) -> str:
    """A place inside a resource; what does not look like an element name is not repeated."""
    return ".".join(str(step) if isinstance(step, int) or step.isidentifier() else "?" for step in steps)
