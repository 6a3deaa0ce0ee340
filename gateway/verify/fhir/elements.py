"""The plain reading of the elements of an Observation; each returns what the rules across elements need to know."""

from __future__ import annotations

import re
from collections.abc import Callable, Hashable, Iterable
from typing import Any, Final, NamedTuple
from urllib.parse import unquote

from gateway.verify.fhir.datatypes import (
    COMPARATORS,
    QUERY,
    read_concept,
    read_date_time,
    read_identifier,
    read_instant,
    read_list,
    read_object,
    read_quantity,
    read_reference,
    read_text,
    read_uri,
    search_token,
)
from gateway.verify.fhir.problems import Codings, Facts, Say
from gateway.verify.fhir.text import no_blanks
from gateway.verify.published import (
    ABSENT,
    ABSENT_REASONS,
    BASE,
    DEVICE_TIME_REFERENCE,
    INTERPRETATION,
    LOINC,
    MEASUREMENT_STATUS,
    QUALIFIERS,
    STARTED,
    quotable,
    words,
)

STATUS = words("registered preliminary final amended corrected cancelled entered-in-error unknown")
"""Value set observation-status, binding required, FHIR R4 4.0.1."""
INTERPRETATIONS = {
    INTERPRETATION: words("< > L H LL HH LU HU L< H> N A AA B W U D QCF IND"),
    MEASUREMENT_STATUS: words(
        "validated-data questionable calibration-ongoing early-indication msmt-ongoing in-alarm alarm-inhibited"
    ),
}
EVENT_LOCATION = BASE + "event-location"
_ID = re.compile(r"[A-Za-z0-9.-]{1,64}", re.ASCII)
_DEVICE_TIME_ID = re.compile(r"Observation/[0-9a-f]{32}-device-time", re.ASCII)


def read_id(value: Any, say: Say) -> Hashable:
    """Check an id."""
    if not isinstance(value, str) or not _ID.fullmatch(value):
        say("id is not a FHIR id (1 to 64 letters, digits, hyphens and dots)")
        return ""
    return value


def read_meta(value: Any, say: Say) -> Hashable:
    """Check meta; returns the profiles."""
    meta = read_object(value, say, "meta", "profile source tag security")
    profiles = read_list(meta["profile"], say, "meta.profile") if "profile" in meta else []
    if "tag" in meta:
        read_tags(meta, say)
    return tuple(read_uri(profile, say, "meta.profile") for profile in profiles)


def read_tags(meta: dict[str, Any], say: Say) -> Codings:
    """Check the tags of a resource; returns their systems and codes."""
    return read_concept({"coding": meta["tag"]}, say, "meta.tag")


def _m_extension(value: Any, say: Say) -> Hashable:
    for item in read_list(value, say, "extension"):
        values = [key for key in item if key.startswith("value")] if isinstance(item, dict) else []
        extension = read_object(item, say, "extension", " ".join(["url", *values]))
        url = read_uri(extension.get("url"), say, "extension.url")
        if len(values) != 1:
            say("ext-1: an extension has exactly one value")
        if url == EVENT_LOCATION:
            read_reference(extension.get("valueReference"), say, "event-location", "Location")
        elif url == DEVICE_TIME_REFERENCE:
            literal = read_reference(extension.get("valueReference"), say, "the device's time", "Observation")
            if not (literal.startswith("urn:") or _DEVICE_TIME_ID.fullmatch(literal)):
                say("the extension of the device's time does not refer to an Observation of it")
    return None


def read_identifiers(value: Any, say: Say) -> Hashable:
    """Check the one identifier of a record; returns its system and its value."""
    items = read_list(value, say, "identifier")
    if len(items) != 1:
        say("identifier: a record has exactly one")
        return None
    return read_identifier(items[0], say, "identifier")


def _m_status(value: Any, say: Say) -> Hashable:
    if not isinstance(value, str) or value not in STATUS:
        say("status is not a code of observation-status")
    return value if isinstance(value, str) else None


def _m_category(value: Any, say: Say) -> Hashable:
    return tuple(read_concept(item, say, "category") for item in read_list(value, say, "category"))


def _m_code(value: Any, say: Say) -> Hashable:
    return read_concept(value, say, "code")


def _m_subject(value: Any, say: Say) -> Hashable:
    return _kind(read_reference(value, say, "subject", "Patient", system=True))


def _m_encounter(value: Any, say: Say) -> Hashable:
    return _kind(read_reference(value, say, "encounter", "Encounter"))


def _m_effective(value: Any, say: Say) -> Hashable:
    read_date_time(value, say, "effectiveDateTime")
    return None


def _m_issued(value: Any, say: Say) -> Hashable:
    read_instant(value, say, "issued")
    return None


def _m_performer(value: Any, say: Say) -> Hashable:
    types = "Practitioner PractitionerRole Organization CareTeam Patient RelatedPerson"
    return max(
        (_kind(read_reference(item, say, "performer", types)) for item in read_list(value, say, "performer")),
        default="",
    )


def _m_quantity(value: Any, say: Say) -> Hashable:
    return read_quantity(value, say, "valueQuantity")


def _m_concept(value: Any, say: Say) -> Hashable:
    return read_concept(value, say, "valueCodeableConcept")


def _m_absent(value: Any, say: Say) -> Hashable:
    return _absent(value, say, "dataAbsentReason")


def _absent(value: Any, say: Say, where: str) -> bool:
    codings = read_concept(value, say, where)
    if not any(system == ABSENT for system, _ in codings):
        say(f"{where} has no code of data-absent-reason")
    for system, code in codings:
        if system == ABSENT and code not in ABSENT_REASONS:
            say(f"{where}: {quotable(code)} is not one of the 15 codes of data-absent-reason")
    return True


def _m_interpretation(value: Any, say: Say) -> Hashable:
    return _interpretation(value, say, "interpretation")


def _interpretation(value: Any, say: Say, where: str) -> frozenset[str]:
    """Check interpretations; returns the off-scale codes ("<", ">") among them."""
    found: set[str] = set()
    for item in read_list(value, say, where):
        for system, code in read_concept(item, say, where):
            if system in INTERPRETATIONS and code not in INTERPRETATIONS[system]:
                say(f"{where}: {quotable(code)} is not a code of its system")
            elif system not in INTERPRETATIONS:
                say(f"{where}: the code system is not one the gateway writes")
            if system == INTERPRETATION and code in ("<", ">"):
                found.add(code)
    return frozenset(found)


def read_notes(value: Any, say: Say) -> Hashable:
    """Check notes."""
    for item in read_list(value, say, "note"):
        note = read_object(item, say, "note", "text time authorString authorReference")
        read_text(note.get("text"), say, "note.text")
        if "time" in note:
            read_date_time(note["time"], say, "note.time")
    return None


def _m_site(value: Any, say: Say) -> Hashable:
    return read_concept(value, say, "bodySite", coded=False)


def _m_method(value: Any, say: Say) -> Hashable:
    return read_concept(value, say, "method", coded=False)


def _m_device(value: Any, say: Say) -> Hashable:
    return _kind(read_reference(value, say, "device", "Device DeviceMetric"))


def _m_range(value: Any, say: Say) -> Hashable:
    for item in read_list(value, say, "referenceRange"):
        limits = read_object(item, say, "referenceRange", "low high type appliesTo age text")
        if not limits.keys() & {"low", "high", "text"}:
            say("obs-3: a referenceRange needs a low, a high or a text")
        for side in ("low", "high"):
            if side in limits:
                read_quantity(limits[side], say, f"referenceRange.{side}")
    return None


def _m_members(value: Any, say: Say) -> Hashable:
    found: list[str | Outside] = []
    for item in read_list(value, say, "hasMember"):
        found.append(_outside(item, say) or read_reference(item, say, "hasMember", "Observation"))
    if len(set(found)) != len(found):
        say("hasMember names one Observation twice")
    return tuple("urn" if isinstance(item, str) and item.startswith("urn:") else item for item in found)


class Outside(NamedTuple):
    """A member that is named by its identifier, because it was recorded before."""

    system: str
    name: str


def _outside(item: Any, say: Say) -> Outside | None:
    """Read a logical reference, or a conditional one (which R4 allows inside transactions); None for any other."""
    if not isinstance(item, dict):
        return None
    if item.keys() == {"type", "identifier"} and item["type"] == "Observation":
        return Outside(*read_identifier(item["identifier"], say, "hasMember.identifier"))
    literal = item.get("reference")
    if item.keys() != {"reference"} or not isinstance(literal, str) or not literal.startswith(SEARCH):
        return None
    parts = search_token(unquote(literal.removeprefix(SEARCH))) if QUERY.fullmatch(literal.partition("=")[2]) else ()
    if len(parts) != 2:
        say("hasMember.reference is not a search for exactly one identifier")
        return Outside("", "")
    return Outside(*parts)


SEARCH: Final = "Observation?identifier="


class Component(NamedTuple):
    """What the rules across members need to know of a component."""

    codings: Codings
    unit: str
    valued: bool
    answer: Codings | None


def _m_components(value: Any, say: Say) -> Hashable:
    return tuple(read_component(item, say) for item in read_list(value, say, "component"))


def read_component(value: Any, say: Say) -> Component:
    """Check one component."""
    allowed = "code valueQuantity valueCodeableConcept dataAbsentReason interpretation referenceRange"
    component = read_object(value, say, "component", allowed)
    code = component.get("code")
    started = code == {"text": STARTED}
    codings = (("", STARTED),) if started else read_concept(code, say, "component.code")
    values = [key for key in component if key.startswith("value")]
    unit, comparator = "", ""
    if "valueQuantity" in component:
        unit, comparator = read_quantity(component["valueQuantity"], say, "component.valueQuantity")
    answer: Codings | None = None
    if "valueCodeableConcept" in component:
        qualifies = started or any(system == LOINC and each in QUALIFIERS for system, each in codings)
        answer = read_concept(
            component["valueCodeableConcept"], say, "component.valueCodeableConcept", coded=not qualifies
        )
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
    check_off_scale(comparator, scale, say)
    if "referenceRange" in component:
        _m_range(component["referenceRange"], say)
    return Component(codings, unit, bool(values), answer)


def check_off_scale(comparator: str, scale: Iterable[str], say: Say) -> None:
    """Compare a comparator with the interpretations beside it."""
    expected = {COMPARATORS[comparator]} if comparator else set()
    if set(scale) != expected:
        say("comparator and off-scale interpretation (< or >) must say the same")


def _kind(literal: str) -> str:
    """How a reference is made: "urn", "literal", or "" for a logical identifier."""
    return ("urn" if literal.startswith("urn:") else "literal") if literal else ""


_MEMBERS: Final[dict[str, Callable[[Any, Say], Hashable]]] = {
    "id": read_id,
    "meta": read_meta,
    "extension": _m_extension,
    "identifier": read_identifiers,
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
    "note": read_notes,
    "bodySite": _m_site,
    "method": _m_method,
    "device": _m_device,
    "referenceRange": _m_range,
    "hasMember": _m_members,
    "component": _m_components,
}


def facts_of(members: dict[str, Any], say: Say) -> Facts:
    """Check members one by one; returns what the rules across members need."""
    facts: Facts = {}
    for key, value in members.items():
        if key == "resourceType":
            facts[key] = value
            continue
        rule = _MEMBERS.get(key)
        if rule is None:
            say(f"an element the gateway does not write: {quotable(key)}")
            continue
        no_blanks(value, say, key)
        facts[key] = rule(value, say)
    return facts
