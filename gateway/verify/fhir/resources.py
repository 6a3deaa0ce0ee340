"""The plain reading of resources: Observations, times of a device, Devices, Provenance."""

from __future__ import annotations

import re
from typing import Any, Final, NamedTuple

from gateway.verify.fhir.datatypes import (
    HEX,
    read_concept,
    read_date_time,
    read_identifier,
    read_instant,
    read_list,
    read_object,
    read_reference,
    read_text,
)
from gateway.verify.fhir.elements import facts_of, read_id, read_identifiers, read_meta, read_notes, read_tags
from gateway.verify.fhir.observation import check_observation
from gateway.verify.fhir.problems import Say
from gateway.verify.fhir.text import no_blanks, parse
from gateway.verify.published import BASE, DEVICE_TIME, DEVICE_TIME_REFERENCE, MDC, words

DATA_OPERATION = "http://terminology.hl7.org/CodeSystem/v3-DataOperation"
ACTIVITIES = words("CREATE UPDATE NULLIFY")
"""What the gateway says was done to records: codes of v3-DataOperation in the value set provenance-activity-type."""
_UNRECORDED = {"extension": [{"url": BASE + "data-absent-reason", "valueCode": "unknown"}]}


class Resource(NamedTuple):
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


def references_in(members: dict[str, Any]) -> tuple[tuple[str, str], ...]:
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


def read_resource(members: dict[str, Any], say: Say, *, us_core: bool, bundled: bool) -> Resource:
    """Check one resource whole."""
    kind = members.get("resourceType")
    if kind == "Observation" and _is_device_time(members):
        return _device_time(members, say, bundled)
    if kind == "Observation":
        facts = facts_of(members, say)
        check_observation(facts, say, us_core=us_core, bundled=bundled)
        name, status = facts.get("identifier") or ("", ""), facts.get("status") or ""
        return Resource(kind, name, facts.get("id", ""), references_in(members), status=status)
    if kind == "Device":
        return _device(members, say, bundled)
    if kind == "Provenance":
        return _provenance(members, say, bundled)
    say("resourceType is not Observation, Device or Provenance")
    return Resource(kind if isinstance(kind, str) else "")


def _is_device_time(members: dict[str, Any]) -> bool:
    """Whether an Observation says by its identifier that it is of a device's own time."""
    match members.get("identifier"):
        case [{"value": str(value)}]:
            return value.endswith(_OF_DEVICE_TIME)
    return False


_OF_DEVICE_TIME: Final = ".device_time"


def _device_time(members: dict[str, Any], say: Say, bundled: bool) -> Resource:
    """Check the Observation of a device's own time beside the true time: the guide named in `published`.

    It is about the device and not about a patient; the time is the true one and the value the device's.
    """
    allowed = "resourceType id identifier status code subject effectiveDateTime valueDateTime note device"
    read_object(members, say, "device time", allowed)
    for key, value in members.items():
        no_blanks(value, say, key)
    identifier = read_identifiers(members.get("identifier"), say)
    system, value = identifier if isinstance(identifier, tuple) else ("", "")
    identity = value.removesuffix(_OF_DEVICE_TIME)
    if not HEX.fullmatch(identity.encode("ascii", "replace")):
        say("identifier.value is not <32 hex digits>.device_time")
    name = ""
    if "id" in members:
        name = str(read_id(members["id"], say))
        if name != f"{identity}-device-time":
            say("id and identifier are not those of the same record")
    elif not bundled:
        say("id is missing")
    if members.get("status") != "final":
        say("status of a device's time is always final")
    if read_concept(members.get("code"), say, "code") != ((MDC, DEVICE_TIME),):
        say(f"code of a device's time is MDC {DEVICE_TIME}")
    subject = read_reference(members.get("subject"), say, "subject", "Device")
    if not subject:
        say("subject of a device's time is the device")
    elif not bundled and subject.startswith("urn:"):
        say("a urn:uuid reference cannot be resolved outside a bundle")
    for key in ("effectiveDateTime", "valueDateTime"):
        text = read_date_time(members.get(key), say, key)
        if text and len(text) < 20:
            say(f"{key} of a device's time needs a time of day")
    if "note" in members:
        read_notes(members["note"], say)
    device = read_object(members.get("device"), say, "device", "display")
    read_text(device.get("display"), say, "device.display")
    return Resource("Observation", (system, value), name, ((subject, "Device"),) if subject else ())


def _head(members: dict[str, Any], say: Say, bundled: bool) -> str:
    for key, value in members.items():
        no_blanks(value, say, key)
    if "meta" in members:
        read_meta(members["meta"], say)
    if "id" in members:
        return str(read_id(members["id"], say))
    if not bundled:
        say("id is missing")
    return ""


def _device(members: dict[str, Any], say: Say, bundled: bool) -> Resource:
    allowed = (
        "resourceType id meta extension identifier status statusReason distinctIdentifier manufacturer manufactureDate "
        "lotNumber serialNumber deviceName modelNumber partNumber type specialization version property owner location "
        "url note safety"
    )
    read_object(members, say, "Device", allowed)
    name = _head(members, say, bundled)
    items = read_list(members.get("identifier"), say, "Device.identifier")
    identifiers = [read_identifier(item, say, "Device.identifier", system=False) for item in items]
    if "status" in members and members["status"] not in ("active", "inactive", "entered-in-error", "unknown"):
        say("Device.status is not a code of device-status")
    if "type" in members:
        read_concept(members["type"], say, "Device.type", coded=False)
    for item in members.get("deviceName", ()):
        entry = read_object(item, say, "Device.deviceName", "name type")
        read_text(entry.get("name"), say, "Device.deviceName.name")
        if entry.get("type") not in (
            "udi-label-name", "user-friendly-name", "patient-reported-name", "manufacturer-name", "model-name", "other",
        ):  # fmt: skip
            say("Device.deviceName.type is not a code of device-nametype")
    return Resource("Device", identifiers[0] if identifiers else ("", ""), name)


def _provenance(members: dict[str, Any], say: Say, bundled: bool) -> Resource:
    allowed = (
        "resourceType id meta extension target occurredPeriod occurredDateTime recorded _recorded policy location "
        "reason activity agent entity"
    )
    read_object(members, say, "Provenance", allowed)
    name = _head(members, say, bundled)
    anything = "Observation Device Bundle DocumentReference Organization Practitioner PractitionerRole Patient"
    targets = [
        read_reference(item, say, "Provenance.target", anything)
        for item in read_list(members.get("target"), say, "Provenance.target")
    ]
    found = [(target, "") for target in targets if target]
    if len(set(found)) != len(found):
        say("Provenance.target names one record twice")
    if "recorded" in members or members.get("_recorded") != _UNRECORDED:
        read_instant(members.get("recorded"), say, "Provenance.recorded")
    if "recorded" in members and "_recorded" in members:
        say("Provenance.recorded is there and said to be absent")
    for item in read_list(members.get("agent"), say, "Provenance.agent"):
        agent = read_object(item, say, "Provenance.agent", "type role who onBehalfOf")
        if "type" in agent:
            read_concept(agent["type"], say, "Provenance.agent.type", coded=False)
        found.append((_provenance_reference(agent.get("who"), say, "Provenance.agent.who", anything), ""))
    for item in members.get("entity", ()):
        entity = read_object(item, say, "Provenance.entity", "role what agent extension")
        if entity.get("role") not in ("derivation", "revision", "quotation", "source", "removal"):
            say("Provenance.entity.role is not a code of provenance-entity-role")
        found.append((_provenance_reference(entity.get("what"), say, "Provenance.entity.what", anything), ""))
    activity, explained = "", False
    if "activity" in members:
        for system, code in read_concept(members["activity"], say, "Provenance.activity"):
            activity = code
            if system != DATA_OPERATION or code not in ACTIVITIES:
                say("Provenance.activity is not one the gateway names (CREATE, UPDATE, NULLIFY of v3-DataOperation)")
        explained = isinstance(members["activity"], dict) and "text" in members["activity"]
    if activity == "UPDATE" and "recorded" not in members:
        say("Provenance.recorded: an update says when it was made")
    if not bundled and any(reference.startswith("urn:") for reference, _ in found):
        say("a urn:uuid reference cannot be resolved outside a bundle")
    meta = members.get("meta")
    tags = read_tags(meta, lambda _: None) if isinstance(meta, dict) and "tag" in meta else ()
    references = tuple(item for item in found if item[0])
    return Resource(
        "Provenance", tags[0] if tags else ("", ""), name, references, "_tag", targets=tuple(filter(None, targets)),
        activity=activity, explained=explained,
    )  # fmt: skip


def _provenance_reference(value: Any, say: Say, where: str, types: str) -> str:
    """Agents and sources may be named by a display alone, which R4 allows for any Reference."""
    if isinstance(value, dict) and value.keys() == {"display"}:
        read_text(value["display"], say, f"{where}.display")
        return ""
    return read_reference(value, say, where, types)


_TARGETS, _BETWEEN_TARGETS, _END_OF_TARGETS = b'"target":[{"reference":"', b'"},{"reference":"', b'"}]'
_TARGET: Final = re.compile(rb"Observation/[A-Za-z0-9.-]{1,64}|urn:uuid:[0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12}")


def read_any(body: bytes, say: Say, *, us_core: bool, bundled: bool) -> Resource:
    """Judge any resource whole, with a short cut through a long list of plain Provenance targets.

    A Provenance names every record of its batch: the list is read as text, and all but its first item are left out of
    what is parsed. Each item left out is a complete reference, so nothing about the rest changes.
    """
    start = body.find(_TARGETS) + len(_TARGETS)
    end = body.find(_END_OF_TARGETS, start)
    if start < len(_TARGETS) or end < 0:
        return read_resource(parse(body), say, us_core=us_core, bundled=bundled)
    targets = body[start:end].split(_BETWEEN_TARGETS)
    if not all(map(_TARGET.fullmatch, targets)):
        return read_resource(parse(body), say, us_core=us_core, bundled=bundled)
    resource = read_resource(parse(body[:start] + targets[0] + body[end:]), say, us_core=us_core, bundled=bundled)
    if len(set(targets)) != len(targets):
        say("Provenance.target names one record twice")
    if bundled:
        named = tuple(target.decode() for target in targets)
        return resource._replace(references=(*resource.references, *((each, "") for each in named)), targets=named)
    if any(target.startswith(b"urn:") for target in targets[1:]):
        say("a urn:uuid reference cannot be resolved outside a bundle")
    return resource
