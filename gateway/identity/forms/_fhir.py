"""Associations from FHIR R4 DeviceUseStatement resources: a Bundle, one resource, or NDJSON.

Source of the elements: https://hl7.org/fhir/R4/deviceusestatement-definitions.html (status, subject, device,
timing[x]) and https://hl7.org/fhir/R4/datatypes.html#Period: the end of a Period is part of it, so an end of 07:04:59
lasts until 07:05:00.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable
from typing import Any

from gateway.errors import InputError
from gateway.identity.associations import Association
from gateway.identity.reading import NOT_AFTER, Issuer, Issuers, Offer, Unusable, by_system, chosen, epoch, refuse

_STATEMENT = "DeviceUseStatement"
_IN_USE = ("active", "completed", "stopped")
_NOT_USED = ("entered-in-error", "intended")
# R4, data type dateTime: a time of day has its seconds. A date alone is no edge of an association.
_DATE_TIME = re.compile(r"\d{4}-\d{2}-\d{2}T\d{2}:\d{2}:\d{2}(?:\.(\d{1,6}))?(?:Z|[+-]\d{2}:\d{2})?", re.ASCII)
_Json = dict[str, Any]

BEGINS = ("{", "[")
EXAMPLE = json.dumps(
    {
        "resourceType": "DeviceUseStatement",
        "status": "completed",
        "subject": {"identifier": {"value": "INVENTED-7"}},
        "device": {"identifier": {"value": "W2-A"}},
        "timingPeriod": {"start": "2026-03-14T09:30:00-05:00", "end": "2026-03-14T09:59:59-05:00"},
    }
)


class _File:
    """The resources of a file by what a reference can call them."""

    def __init__(self) -> None:
        self._by_reference: dict[str, list[_Json]] = {}

    def add(self, resource: _Json, url: str = "") -> None:
        kind, number = resource.get("resourceType"), resource.get("id")
        names = {url} if url else set()
        if isinstance(kind, str) and isinstance(number, str):
            names.add(f"{kind}/{number}")
        for name in names:
            self._by_reference.setdefault(name, []).append(resource)

    def find(self, reference: str, inside: _Json, kind: str) -> _Json:
        """The resource a reference leads to."""
        if reference.startswith("#"):
            contained = inside.get("contained")
            offered = contained if isinstance(contained, list) else []
            there = [each for each in offered if isinstance(each, dict) and each.get("id") == reference[1:]]
        else:
            there = self._by_reference.get(reference, [])
        if not there:
            raise Unusable(f"its {kind.casefold()} is a reference to something that is not in the file")
        if len(there) > 1:
            raise Unusable(f"its {kind.casefold()} is a reference to {len(there)} resources of the file")
        if there[0].get("resourceType") != kind:
            raise Unusable(f"its {kind.casefold()} is a reference to something that is no {kind}")
        return there[0]


def read_bundle(text: str, where: str, issuers: Issuers) -> list[Association]:
    """Read a Bundle, or one DeviceUseStatement, in JSON.

    Args:
        text: the file's content.
        where: its name, for errors.
        issuers: the identifier systems of the mapping.

    Raises:
        InputError: it is no such JSON, or entries are wrong; names their numbers and elements, never contents.
    """
    whole = _parsed(text, where)
    entries: list[tuple[str, _Json]] = []
    file = _File()
    if whole.get("resourceType") != "Bundle":
        entries.append(("entry 1", whole))
    else:
        given = whole.get("entry", [])
        if not isinstance(given, list):
            raise _wrong("entry of the Bundle is not a list", where)
        for number, entry in enumerate(given, 1):
            resource = entry.get("resource") if isinstance(entry, dict) else None
            if isinstance(resource, dict):
                url = entry.get("fullUrl")
                file.add(resource, url if isinstance(url, str) else "")
                entries.append((f"entry {number}", resource))
    return _read(entries, file, where, issuers)


def read_lines(text: str, where: str, issuers: Issuers) -> list[Association]:
    """Read NDJSON, one resource on each line; arguments and errors as in `read_bundle`."""
    file = _File()
    entries = []
    for number, line in enumerate(text.split("\n"), 1):
        if line.strip():
            resource = _parsed(line, f"{where}, line {number}")
            file.add(resource)
            entries.append((f"line {number}", resource))
    return _read(entries, file, where, issuers)


def _parsed(text: str, where: str) -> _Json:
    def once(pairs: list[tuple[str, Any]]) -> _Json:
        if len({name for name, _ in pairs}) < len(pairs):
            raise ValueError("twice")
        return dict(pairs)

    try:
        found = json.loads(text, object_pairs_hook=once)
    except json.JSONDecodeError as error:
        place = where if ", line " in where else f"{where}, line {error.lineno}"
        raise _wrong("JSON cannot be read here", place) from None
    except (ValueError, RecursionError):
        raise _wrong("an element stands there twice, or elements stand too deep inside each other", where) from None
    if not isinstance(found, dict):
        raise _wrong("this is no FHIR resource", where)
    return found


def _wrong(what: str, where: str) -> InputError:
    return InputError(
        what,
        where=where,
        todo=f"Give a FHIR R4 Bundle with {_STATEMENT} resources (.json), or NDJSON of them (.ndjson)",
    )


def _read(entries: Iterable[tuple[str, _Json]], file: _File, where: str, issuers: Issuers) -> list[Association]:
    faults: list[str] = []
    found: list[Association] = []
    statements = 0
    for place, resource in entries:
        if resource.get("resourceType") != _STATEMENT:
            continue
        statements += 1
        try:
            association = _statement(resource, file, issuers)
        except Unusable as fault:
            faults.append(f"{place}: {fault}")
        else:
            found += [association] if association is not None else []
    if not statements:
        raise _wrong(f"the file holds no {_STATEMENT}", where)
    refuse(faults, where, "entries")
    return found


def _statement(resource: _Json, file: _File, issuers: Issuers) -> Association | None:
    """The association a statement makes; None for one that says there was none."""
    if resource.get("modifierExtension") or resource.get("implicitRules"):
        raise Unusable("modifierExtension or implicitRules change its meaning in a way that is not known here")
    status = resource.get("status")
    if status in _NOT_USED:
        return None
    if status not in _IN_USE:
        raise Unusable("status is not active, completed or stopped, so it does not tell when the device was used")
    patient, system = _patient(_member(resource, "subject"), resource, file, issuers)
    device = _device(_member(resource, "device"), resource, file, issuers)
    start, end = _times(resource)
    if end is None and status != "active":
        raise Unusable(f"status is {status}, and timingPeriod.end is missing")
    return Association(device, patient, start, end, issuers.system(system))


def _member(resource: _Json, name: str) -> _Json:
    found = resource.get(name)
    if not isinstance(found, dict):
        raise Unusable(f"{name} is missing")
    return found


def _patient(subject: _Json, resource: _Json, file: _File, issuers: Issuers) -> tuple[str, str]:
    known = issuers.patients
    reference = subject.get("reference")
    if issuers.by_id:
        kind, _, number = reference.rpartition("/") if isinstance(reference, str) else ("", "", "")
        if kind.rpartition("/")[2] != "Patient" or not number:
            raise Unusable("its subject is no reference to Patient/id, as the mapping's subject says")
        return number, ""
    if "identifier" in subject:
        return chosen(_offers([subject["identifier"]], known), known, "patient")
    if not isinstance(reference, str):
        raise Unusable("its subject has neither identifier nor reference")
    found = file.find(reference, resource, "Patient")
    return chosen(_offers(found.get("identifier"), known), known, "patient")


def _device(device: _Json, resource: _Json, file: _File, issuers: Issuers) -> str:
    known = issuers.devices
    if "identifier" in device:
        return chosen(_offers([device["identifier"]], known), known, "device")[0]
    reference = device.get("reference")
    if not isinstance(reference, str):
        raise Unusable("its device has neither identifier nor reference")
    return chosen(_offers(file.find(reference, resource, "Device").get("identifier"), known), known, "device")[0]


def _offers(identifiers: object, known: tuple[Issuer, ...]) -> list[Offer]:
    offers = []
    for each in identifiers if isinstance(identifiers, list) else []:
        # `old`: R4, Identifier.use, an identifier that is no longer in use.
        if not isinstance(each, dict) or each.get("use") == "old":
            continue
        value, system = each.get("value"), each.get("system", "")
        if isinstance(value, str) and isinstance(system, str):
            offers.append(by_system(value.strip(), system, known))
    return offers


def _times(resource: _Json) -> tuple[int, int | None]:
    moment = resource.get("timingDateTime")
    if moment is not None:
        return _instant(moment, "timingDateTime")
    period = resource.get("timingPeriod")
    if not isinstance(period, dict):
        raise Unusable("timingPeriod is missing")
    if "start" not in period:
        raise Unusable("timingPeriod.start is missing")
    start, _ = _instant(period["start"], "timingPeriod.start")
    if "end" not in period:
        return start, None
    _, end = _instant(period["end"], "timingPeriod.end")
    if end <= start:
        raise Unusable(f"timingPeriod.end {NOT_AFTER.format('timingPeriod.start')}")
    return start, end


def _instant(value: object, name: str) -> tuple[int, int]:
    """First microsecond of a dateTime, and the first after it: all that matches the text belongs to it."""
    text = value if isinstance(value, str) else ""
    found = _DATE_TIME.fullmatch(text)
    if found is None:
        raise Unusable(f"{name} is not a time such as 2026-03-14T09:30:00-05:00")
    first = epoch(text, name)
    return first, first + 10 ** (6 - len(found[1] or ""))
