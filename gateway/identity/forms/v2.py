"""Associations from HL7 v2: device-patient association messages, one after the other or in a batch.

Source of segments, codes and statuses: IHE Devices, Point-of-Care Identity Management (PCIM), appendix A.1.2 and
examples in A.3, https://profiles.ihe.net/DEV/PCIM/ (read in github IHE/DEV.PCIM@1044326, asciidoc/
IHE_DEV_Suppl_PCIM.adoc). A message says that a device was associated with a patient (OBX-5 198332) or disassociated
from one (198334); OBX-11 says whether that is asserted (R), validated (F), corrected (C) or wrong (W); PRT-10 of the
participant EQUIP is the device, PRT-11 and PRT-12 begin and end. OBR-3 names the association, and OBR-29.2 of later
messages refers to it. A time without an offset takes that of MSH-7 (HL7 v2.5.1, 2.16.9.7; from memory).
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from datetime import datetime
from typing import NamedTuple

from gateway.errors import InputError
from gateway.identity.associations import Association
from gateway.identity.reading import (
    NOT_AFTER,
    Issuer,
    Issuers,
    Offer,
    Unusable,
    by_authority,
    chosen,
    microseconds,
    refuse,
)

_AROUND = ("FHS", "BHS", "BTS", "FTS")
_OBSERVED = ("69136", "MDC_OBS_ASSOCIATION_PATIENT_DEVICE")
_BEGINS = ("198332", "MDC_EVT_ASSOCIATION_PATIENT_DEVICE")
_ENDS = ("198334", "MDC_EVT_DISASSOCIATION_PATIENT_DEVICE")
_STATUS = "RFCWD"
_DTM = re.compile(r"(\d{12})(\d{2})?(?:\.(\d{1,4}))?([+-]\d{4})?", re.ASCII)
_OFFSET = re.compile(r"[+-]\d{4}$", re.ASCII)
_ESCAPE = "FSTRE"
_EXAMPLE = r"""MSH|^~\&|WARD|CLINIC|REC|HOSP|20260314101500-0500||ORU^R01^ORU_R01|1|T|2.6
PID|||INVENTED-7
OBR|||A-1|69136^MDC_OBS_ASSOCIATION_PATIENT_DEVICE^MDC
OBX|1|CWE|68487^MDC_ATTR_EVT_COND^MDC|0.0.0.0|198332^MDC_EVT_ASSOCIATION_PATIENT_DEVICE^MDC||||||F
PRT|1|UC||EQUIP^EQUIP^HL70912||||||W2-A|20260314093000|20260314100000
"""


class _Event(NamedTuple):
    """What one message says; `begin` and `end` in microseconds, None where it says nothing."""

    name: str
    parent: str
    begins: bool
    status: str
    device: str
    patient: str
    system: str
    begin: int | None
    end: int | None


@dataclass(frozen=True)
class _Stay:
    """An association as the messages so far leave it; `said` is the first of them."""

    device: str
    patient: str
    system: str
    begin: int
    end: int | None
    validated: bool
    said: _Event


class Message:
    """Segments of a message, cut by the delimiters that it declares."""

    def __init__(self, segments: list[str]) -> None:
        header = segments[0]
        marks = header[3:8]
        if len(marks) < 5 or len(set(marks)) < 5 or any(mark.isalnum() for mark in marks):
            raise Unusable("MSH-1 and MSH-2 do not declare the five delimiters, such as |^~\\&")
        self._field, self._component, self._repetition, self._escape, self._sub = list(marks)
        self._segments = [segment.split(self._field) for segment in segments]
        # MSH-1 is the delimiter itself.
        self._segments[0].insert(1, self._field)

    def one(self, name: str) -> list[str]:
        """The one segment of a name."""
        found = self.of(name)
        if len(found) != 1:
            raise Unusable(f"there {'is no' if not found else f'are {len(found)}'} {name}; one is needed")
        return found[0]

    def of(self, *names: str) -> list[list[str]]:
        """The segments of some names, in the order in which they stand."""
        return [segment for segment in self._segments if segment[0] in names]

    def parts(self, segment: list[str], position: int) -> list[list[str]]:
        """Repetitions of a field as lists of components."""
        field = segment[position] if position < len(segment) else ""
        return [repetition.split(self._component) for repetition in field.split(self._repetition)]

    def text(self, segment: list[str], position: int, component: int = 1) -> str:
        """A component of the first repetition of a field, "" where there is none."""
        return self.at(self.parts(segment, position)[0], component)

    def at(self, components: list[str], component: int) -> str:
        """A component without its escapes; `""` means that there is none."""
        raw = components[component - 1] if component <= len(components) else ""
        marks = dict(
            zip(_ESCAPE, (self._field, self._component, self._sub, self._repetition, self._escape), strict=True)
        )
        sign = re.escape(self._escape)
        plain = re.sub(f"{sign}([{_ESCAPE}]){sign}", lambda found: marks[found[1]], raw)
        return "" if plain == '""' else plain.strip()

    def instance(self, segment: list[str], position: int, component: int) -> str:
        """A name of an association: its components, whichever delimiter stands between them."""
        parts = self.parts(segment, position)[0]
        if component:
            parts = (parts[component - 1] if component <= len(parts) else "").split(self._sub)
        return "\x1f".join(self.at(parts, place) for place in range(1, len(parts) + 1)).rstrip("\x1f")


class FORM:
    """HL7 v2."""

    name = "HL7 v2"
    endings = (".hl7",)
    begins = ("MSH", "FHS", "BHS")
    holds = "HL7 v2: device-patient association messages (ORU^R01) of IHE's Point-of-Care Identity Management (PCIM)"

    @staticmethod
    def read(text: str, where: str, issuers: Issuers) -> list[Association]:
        """Read association messages in their order."""
        messages = messages_of(text, where)
        faults: list[str] = []
        stays: dict[str, _Stay] = {}
        for number, (line, segments) in enumerate(messages, 1):
            try:
                _take(_event(Message(segments), issuers), stays)
            except Unusable as fault:
                faults.append(f"message {number} (line {line}): {fault}")
        refuse(faults, where, "messages")
        return [
            Association(stay.device, stay.patient, stay.begin, stay.end, issuers.system(stay.system), stay.validated)
            for stay in stays.values()
            if stay.begin != stay.end
        ]

    @staticmethod
    def example() -> str:
        """One message, which begins a validated association and ends it."""
        return _EXAMPLE


def messages_of(text: str, where: str) -> list[tuple[int, list[str]]]:
    """The segments of each message, and the line on which it begins.

    Raises:
        InputError: there are none, or a segment stands before the first.
    """
    found: list[tuple[int, list[str]]] = []
    todo = "Give HL7 v2 messages, each beginning with MSH, one segment on a line"
    for number, line in enumerate(re.split("\r\n|\r|\n", text), 1):
        # 0B and 1C: the block characters of MLLP, where a file was cut out of a connection.
        segment = line.strip("\x0b\x1c \t\ufeff")
        if not segment or segment[:3] in _AROUND:
            continue
        if segment[:3] == "MSH":
            found.append((number, [segment]))
        elif not found:
            raise InputError("a segment stands before the first MSH", where=f"{where}, line {number}", todo=todo)
        else:
            found[-1][1].append(segment)
    if not found:
        raise InputError("the file holds no HL7 v2 message", where=where, todo=todo)
    return found


def in_utf8(message: Message, header: list[str]) -> None:
    """Refuse a message that says it is in other characters.

    Raises:
        Unusable: MSH-18 names others.
    """
    if message.text(header, 18) not in ("", "ASCII", "UNICODE UTF-8"):
        raise Unusable("MSH-18 names other characters than UNICODE UTF-8; such files are read in UTF-8")


def _event(message: Message, issuers: Issuers) -> _Event:
    header, request, observation = message.one("MSH"), message.one("OBR"), message.one("OBX")
    in_utf8(message, header)
    if message.text(header, 9) != "ORU" or not _is(message, request, 4, _OBSERVED):
        raise Unusable("this is no device-patient association: ORU with OBR-4 69136^MDC_OBS_ASSOCIATION_PATIENT_DEVICE")
    begins = _is(message, observation, 5, _BEGINS)
    if not begins and not _is(message, observation, 5, _ENDS):
        raise Unusable("OBX-5 is neither 198332 (associated) nor 198334 (disassociated)")
    status = message.text(observation, 11)
    if len(status) != 1 or status not in _STATUS:
        raise Unusable("OBX-11 is not R, F, C or W")
    name, parent = message.instance(request, 3, 0), message.instance(request, 29, 2)
    if not name:
        raise Unusable("OBR-3 is empty, and nothing else names the association")
    devices = [each for each in message.of("PRT") if message.text(each, 4) == "EQUIP"]
    if len(devices) != 1:
        raise Unusable(f"{len(devices) or 'no'} participants are EQUIP (PRT-4); one is needed, the device")
    offset = _OFFSET.search(message.text(header, 7))
    zone = offset.group() if offset else ""
    patient, system = patient_of(message, message.one("PID"), 3, issuers)
    return _Event(
        name, parent, begins, status, _device(message, devices[0], issuers.devices), patient, system,
        _time(message.text(devices[0], 11), zone, "PRT-11"), _time(message.text(devices[0], 12), zone, "PRT-12"),
    )  # fmt: skip


def _is(message: Message, segment: list[str], position: int, code: tuple[str, str]) -> bool:
    return message.text(segment, position) == code[0] or message.text(segment, position, 2) == code[1]


def patient_of(message: Message, segment: list[str], field: int, issuers: Issuers) -> tuple[str, str]:
    """A repeating CX such as PID-3: identifier, (check digit and its scheme,) assigning authority, type.

    Raises:
        Unusable: none or several of its identifiers can be meant.
    """
    known = issuers.patients
    offers = (offer(message, each, 4, message.at(each, 5), known) for each in message.parts(segment, field))
    return chosen(offers, known, "patient")


def _device(message: Message, segment: list[str], known: tuple[Issuer, ...]) -> str:
    """PRT-10, a repeating EI: identifier, namespace, universal id and its type."""
    offers = [
        by_authority(message.at(each, 1), message.at(each, 2), message.at(each, 3), "", known)
        for each in message.parts(segment, 10)
    ]
    return chosen(offers, known, "device")[0]


def offer(message: Message, parts: list[str], at: int, kind: str, known: tuple[Issuer, ...]) -> Offer:
    """An identifier with its assigning authority in component `at`, such as those of PID-3 and MRG-1."""
    authority = parts[at - 1].split(message._sub) if at <= len(parts) else []
    return by_authority(message.at(parts, 1), message.at(authority, 1), message.at(authority, 2), kind, known)


def _time(text: str, zone: str, name: str) -> int | None:
    if not text:
        return None
    found = _DTM.fullmatch(text)
    if found is None:
        raise Unusable(f"{name} is not a time to the minute or second such as 20260314093000-0500")
    digits, seconds, fraction, offset = found.groups()
    if fraction and not seconds:
        raise Unusable(f"{name} is not a time to the minute or second such as 20260314093000-0500")
    offset = offset or zone
    if not offset:
        raise Unusable(f"{name} has no offset from UTC, such as -0500, and MSH-7 has none for it")
    try:
        moment = datetime.strptime(f"{digits}{seconds or '00'}{offset}", "%Y%m%d%H%M%S%z")
    except ValueError:
        raise Unusable(f"{name} is a time that does not exist") from None
    return microseconds(moment) + int((fraction or "").ljust(6, "0"))


def _take(event: _Event, stays: dict[str, _Stay]) -> None:
    """Let a message begin, change, end or take back an association."""
    if event.begins and not event.parent and event.status in "RF":
        known = stays.get(event.name)
        if known is None:
            _begin(event, stays)
        elif known.said != event:
            raise Unusable("OBR-3 is that of an earlier message; a change of it refers to it in OBR-29.2")
        return
    # A system that did not begin the association may leave OBR-29.2 empty when it ends it.
    name = event.parent or (event.name if event.begins else next(iter(_open(event, stays)), ""))
    stay = stays.get(name)
    if stay is None:
        raise Unusable("it changes an association that no earlier message of the file begins")
    if not event.begins:
        _end(event, name, stay, stays)
    elif event.status in "WD":
        # It stays known, so that what still refers to it is understood; it lasts for no time.
        stays[name] = replace(stay, end=stay.begin)
    elif event.status in "FC":
        begin = event.begin if event.begin is not None else stay.begin
        end = event.end if event.end is not None else stay.end
        if stay.end == stay.begin:
            raise Unusable("it changes an association that an earlier message calls wrong")
        _check(begin, end)
        stays[name] = replace(
            stay, device=event.device, patient=event.patient, system=event.system, begin=begin, end=end, validated=True
        )
    else:
        raise Unusable("OBX-11 is R (asserted), which cannot change an association")


def _begin(event: _Event, stays: dict[str, _Stay]) -> None:
    if event.begin is None:
        raise Unusable("PRT-11 of the device is empty, so it does not say when the association began")
    _check(event.begin, event.end)
    stays[event.name] = _Stay(
        event.device, event.patient, event.system, event.begin, event.end, event.status == "F", event
    )


def _end(event: _Event, name: str, stay: _Stay, stays: dict[str, _Stay]) -> None:
    """An end that is only asserted ends it as well: from then on nobody is sure who it is."""
    if event.status in "WD":
        raise Unusable("a disassociation cannot be wrong (OBX-11 W); correct its time (C), or begin a new association")
    if (event.device, event.patient) != (stay.device, stay.patient):
        raise Unusable("it ends an association of another device or patient")
    end = event.end if event.end is not None else stay.end if event.status == "F" else None
    if end is None:
        raise Unusable("PRT-12 of the device is empty, so it does not say when the association ended")
    if stay.end == stay.begin:
        return
    _check(stay.begin, end)
    stays[name] = replace(stay, end=end)
    # Another system may have told the same association under a name of its own; it must not go on for ever.
    for other in _open(event, stays):
        if stays[other].begin < end:
            stays[other] = replace(stays[other], end=end)


def _open(event: _Event, stays: dict[str, _Stay]) -> list[str]:
    """The associations of the same device and patient that have no end yet."""
    mine = (event.device, event.patient, event.system)
    return [
        name for name, stay in stays.items() if (stay.device, stay.patient, stay.system) == mine and stay.end is None
    ]


def _check(begin: int, end: int | None) -> None:
    if end is not None and end <= begin:
        raise Unusable(f"PRT-12 {NOT_AFTER.format('PRT-11')}")
