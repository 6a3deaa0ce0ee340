"""Says again what was recorded: as it is now, or taken back (entered in error; the same messages as W or D).

It is read from the stored files and given out again as it was written there, number for number; only its status
changes, and with it what must be new (the request of a bundle entry, MSH-10, and the times that say when).

Sources: FHIR R4 4.0.1 code system observation-status ("entered-in-error": the record should never have existed),
http://hl7.org/fhir/R4/codesystem-observation-status.html; conditional update,
http://hl7.org/fhir/R4/http.html#cond-update; activities UPDATE and NULLIFY of v3-DataOperation, which the value set
provenance-activity-type names, http://hl7.org/fhir/R4/valueset-provenance-activity-type.html. HL7 v2 table 0085 (W:
post original as wrong, such as for a wrong patient; D: deletes the OBX record),
http://hl7.org/fhir/R4/v2/0085/index.html.

Table 0123 (http://hl7.org/fhir/R4/v2/0123/index.html) has no code for a report that is withdrawn as a whole: it is the
gateway's choice that one that was final becomes C (corrected, final), while a preliminary one stays P.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Iterator, Sequence
from functools import cache
from hashlib import blake2b
from typing import Any, Literal

from gateway.errors import InputError, UsageError
from gateway.records.fhir import (
    CLOCK_EXTENSION,
    Activity,
    Container,
    activity,
    conditional_url,
    device_digest,
    outside_reference,
    uuid_root,
)
from gateway.records.oru import DEVICE_TIME, batch_like, restated
from gateway.vocabulary import panels, vitals

__all__ = [
    "devices_in",
    "last_sent",
    "messages_in",
    "observations_in",
    "record_of",
    "retracted_batch",
    "retracted_bundle",
    "retracted_message",
    "set_of",
    "whole_bundle",
    "whole_message",
    "whole_records",
]

_DECODER = json.JSONDecoder()
_BLANK = re.compile(r"[ \t\r\n]*")
_NAME = re.compile(r"([0-9a-f]{32})\.([a-z][a-z0-9_]*)", re.ASCII)
_SERIAL = re.compile(r"urn:uuid:[0-9a-f-]{32}([0-9a-f]{4})", re.ASCII)
_NAMED = re.compile(r"\.([a-z][a-z0-9_]*)", re.ASCII)
_INSTANT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?(Z|[+-]\d\d:\d\d)", re.ASCII)
_DTM = re.compile(r"\d{8,14}(\.\d{1,4})?([+-]\d{4})?", re.ASCII)
_IDENTITY = re.compile(r"[0-9a-f]{32}", re.ASCII)
_WITHDRAWN = '"entered-in-error"'
_WITHDRAWN_RESULTS = ("W", "D")
_CLOCK_ROW = f"{DEVICE_TIME.code}^"
_ABSENT_EXTENSION = "http://hl7.org/fhir/StructureDefinition/data-absent-reason"
_PARTICIPANT = "http://terminology.hl7.org/CodeSystem/provenance-participant-type"
_DEVICE_TIME = "device_time"


# --- FHIR ------------------------------------------------------------------------------------------------------------


def observations_in(data: bytes) -> list[bytes]:
    """The Observations of patients in a stored bundle or NDJSON file, each as it is written there.

    Raises:
        InputError: the file cannot be read.
    """
    return [text.encode() for text in _resources(data) if _kind_of(text) == "Observation" and not _is_device_time(text)]


def devices_in(data: bytes) -> list[bytes]:
    """What Observations of patients refer to in a stored bundle or NDJSON file, each as it is written there.

    That is Devices, and Observations of a device's own time. They stay when a record is withdrawn.

    Raises:
        InputError: the file cannot be read.
    """
    return [text.encode() for text in _resources(data) if _kind_of(text) == "Device" or _is_device_time(text)]


def record_of(resource: bytes) -> tuple[str, str]:
    """The set identity (32 hex digits) and the record key of a stored Observation, from its identifier.

    Raises:
        InputError: it is not an Observation of the gateway.
    """
    _, name = _identified(_members(_json(resource)))
    match = _NAME.fullmatch(name)
    if match is None:
        raise _unreadable("The identifier of a stored Observation is not one of the gateway's")
    return match[1], match[2]


def whole_records(resources: Sequence[bytes]) -> list[bytes]:
    """The newest version of each record, in the order in which the records first came.

    Args:
        resources: all versions of Observations as `observations_in` gives them, in the order in which they were given
            out.

    Raises:
        InputError: one is not an Observation of the gateway.
    """
    newest: dict[tuple[str, str], bytes] = {}
    for resource in resources:
        newest[record_of(resource)] = resource
    return list(newest.values())


def whole_bundle(
    resources: Sequence[bytes],
    *,
    devices: Sequence[bytes] = (),
    recorded: str = "",
    gateway_version: str = "",
    provenance: bool = True,
    sent_before: bool = True,
) -> bytes:
    """A transaction that brings a server to the state that Observations have now, whatever it has of them.

    Entries are conditional updates by identifier, so sending them twice changes nothing.

    Args:
        resources: as for `whole_records`, from bundles.
        devices: as `devices_in` gives them; those that the Observations refer to are needed.
        recorded: FHIR instant of the newest change, for Provenance.recorded; "" says that it is unknown.
        gateway_version: for Provenance.
        provenance: add a Provenance that names every record; records that are withdrawn get one of their own.
        sent_before: the server may have them; else those that are withdrawn are left out.

    Raises:
        UsageError: there is nothing, it comes from lines, or `recorded` is no instant.
        InputError: a resource cannot be read, or something that is referred to is missing.
    """
    stated = _Stated(resources, "transaction", recorded, gateway_version, provenance)
    if not sent_before:
        stated.forget_withdrawn()
    return stated.bundle(devices)


def retracted_bundle(
    resources: Sequence[bytes],
    *,
    container: Container,
    devices: Sequence[bytes] = (),
    recorded: str = "",
    gateway_version: str = "",
    provenance: bool = True,
) -> bytes:
    """Withdraw Observations: their content as it was, with the status entered-in-error, and a Provenance.

    Entries of a transaction are conditional updates by identifier, so sending them twice changes nothing. Of several
    versions of a record the last one given counts. A member of a set panel that is not withdrawn with it is named by
    its identifier.

    Args:
        resources: Observations as `observations_in` gives them, in the order in which they were recorded.
        container: the kind of file; lines (`ndjson`) come from lines, bundles from bundles.
        devices: as `devices_in` gives them; bundles need those that the Observations refer to.
        recorded: FHIR instant of the retraction for Provenance.recorded; "" says that it is unknown.
        gateway_version: for Provenance.
        provenance: add a Provenance that names every withdrawn record.

    Returns:
        A bundle, or lines, as UTF-8 JSON with a line end.

    Raises:
        UsageError: nothing to withdraw, or `recorded` or `container` does not fit.
        InputError: a resource cannot be read, or something that is referred to is missing.
    """
    stated = _Stated(resources, container, recorded, gateway_version, provenance, withdrawn=True)
    return stated.lines() if container == "ndjson" else stated.bundle(devices)


class _Stated:
    """The newest versions of some records, to be said again in one file.

    Args:
        withdrawn: say that all of them are entered in error.

    The others are those of `retracted_bundle`.
    """

    def __init__(
        self,
        resources: Sequence[bytes],
        container: Container,
        recorded: str,
        version: str,
        provenance: bool,
        *,
        withdrawn: bool = False,
    ) -> None:
        if not resources:
            raise UsageError("There is nothing to say again", todo="Name records that were given out")
        if recorded and not _INSTANT.fullmatch(recorded):
            raise UsageError(
                "The time of the change is not a FHIR instant", todo="Give it as YYYY-MM-DDTHH:MM:SS and an offset"
            )
        self._container = container
        self._recorded = recorded
        self._version = version
        self._provenance = provenance
        self._records: dict[tuple[str, str], dict[str, str]] = {}
        for resource in whole_records(resources):
            members = _members(_json(resource))
            if ("id" in members) != (container == "ndjson"):
                raise UsageError(
                    "Records from lines are said again as lines, and those from bundles in bundles",
                    todo="Choose the form in which they were recorded",
                )
            if withdrawn:
                members["status"] = _WITHDRAWN
            self._records[_identified(members)] = members
        self._system = next(iter(self._records))[0]

    def forget_withdrawn(self) -> None:
        """Leave out what is withdrawn, unless all of it is."""
        standing = {name: each for name, each in self._records.items() if each["status"] != _WITHDRAWN}
        self._records = standing or self._records

    def lines(self) -> bytes:
        """As lines of NDJSON; what they refer to by its id has been given out with them and stays."""
        texts = {f"Observation/{json.loads(members['id'])}": _written(members) for members in self._records.values()}
        lines = [*texts.values(), *(text for _, text in self._provenances(texts))]
        return ("\n".join(lines) + "\n").encode()

    def bundle(self, devices: Sequence[bytes]) -> bytes:
        """As a bundle, with what they refer to."""
        container = self._container
        urls = {name: _full_url(*name) for name in self._records}
        entries = _referred_entries(devices, self._records.values(), container)
        texts: dict[str, str] = {}
        for name, members in self._records.items():
            if "hasMember" in members:
                members["hasMember"] = _panel_members(name, members["hasMember"], urls, container)
            text = texts[urls[name]] = _written(members)
            request = {"method": "PUT", "url": conditional_url("Observation", *name)}
            entries.append(_entry(urls[name], text, request, container))
        for digest, text in self._provenances(texts):
            search = conditional_url("Provenance", self._system, digest).partition("=")[2]
            request = {"method": "POST", "url": "Provenance", "ifNoneExist": f"_tag={search}"}
            entries.append(_entry(f"urn:uuid:{uuid_root(digest)}0001", text, request, container))
        return f'{{"resourceType":"Bundle","type":"{container}","entry":[{",".join(entries)}]}}\n'.encode()

    def _provenances(self, texts: dict[str, str]) -> Iterator[tuple[str, str]]:
        """A Provenance of what is withdrawn and one of what stands: its digest and its text.

        Args:
            texts: the records as they are written, by how a Provenance refers to them.
        """
        if not self._provenance:
            return
        by_activity: dict[Activity, dict[str, str]] = {}
        for (target, text), members in zip(texts.items(), self._records.values(), strict=True):
            by_activity.setdefault("NULLIFY" if members["status"] == _WITHDRAWN else "UPDATE", {})[target] = text
        for code, named in by_activity.items():
            yield self._one_provenance(code, named)

    def _one_provenance(self, code: Activity, texts: dict[str, str]) -> tuple[str, str]:
        """A Provenance, known again by a tag made of what it speaks of."""
        parts = ["retraction" if code == "NULLIFY" else "state", self._system, *texts, *texts.values()]
        digest = blake2b("|".join(parts).encode(), digest_size=16).hexdigest()
        content: dict[str, Any] = {"resourceType": "Provenance"}
        if self._container == "ndjson":
            content["id"] = digest
        content |= {
            "meta": {"tag": [{"system": self._system, "code": digest}]},
            "target": [{"reference": target} for target in texts],
        }
        if self._recorded:
            content["recorded"] = self._recorded
        else:
            content["_recorded"] = {"extension": [{"url": _ABSENT_EXTENSION, "valueCode": "unknown"}]}
        agent = {"system": _PARTICIPANT, "code": "assembler", "display": "Assembler"}
        content |= {
            "activity": activity(code),
            "agent": [{"type": {"coding": [agent]}, "who": {"display": f"spot-check gateway {self._version}".strip()}}],
        }
        return digest, _compact(content)


def _panel_members(name: tuple[str, str], text: str, urls: dict[tuple[str, str], str], container: Container) -> str:
    """The members of a set panel: those in the bundle by their address in it, others by their identifier."""
    system, value = name
    identity = value.partition(".")[0]
    found = []
    for member in json.loads(text):
        where = str(member.get("reference") or member.get("identifier", {}).get("value", ""))
        serial = _SERIAL.fullmatch(where)
        named = _NAMED.findall(where)
        key = _keys().get(int(serial[1], 16), "") if serial else (named[-1] if named else "")
        if not key:
            raise _unreadable("A stored set panel has a member that is not one of the gateway's")
        other = (system, f"{identity}.{key}")
        found.append({"reference": urls[other]} if other in urls else outside_reference(container, *other))
    return _compact(found)


def _referred_entries(devices: Sequence[bytes], records: Iterable[dict[str, str]], container: Container) -> list[str]:
    """Entries of the devices and device times that the records refer to, each once and as it was first created."""
    known: dict[str, tuple[str, dict[str, str]]] = {}
    for device in devices:
        text = _json(device)
        members = _members(text)
        system, value = _identified(members)
        # A device's time is named by a digest of what it says, and a device by one of its identifier.
        digest = value.partition(".")[0] if _is_device_time(text) else device_digest(system, value)
        known[f"urn:uuid:{uuid_root(digest)}0000"] = text, members
    wanted = dict.fromkeys(url for members in records for url in _referred(members))
    wanted |= dict.fromkeys(url for time in list(wanted) if time in known for url in _referred(known[time][1]))
    if wanted.keys() - known.keys():
        raise _unreadable("A stored Observation refers to a Device or a device's time that was not given with it")
    entries: list[str] = []
    # Devices first, for their times refer to them.
    for url in sorted(wanted, key=lambda url: _is_device_time(known[url][0])):
        text, members = known[url]
        kind = _kind_of(text)
        search = conditional_url(kind, *_identified(members)).partition("?")[2]
        entries.append(_entry(url, text, {"method": "POST", "url": kind, "ifNoneExist": search}, container))
    return entries


def _referred(members: dict[str, str]) -> Iterator[str]:
    """Addresses, in a bundle, of the device and of the device's time that an Observation refers to."""
    found = [json.loads(members[key]) for key in ("device", "subject") if key in members]
    extensions = json.loads(members.get("extension", "[]"))
    found += [each.get("valueReference", {}) for each in extensions if each.get("url") == CLOCK_EXTENSION]
    for each in found:
        url = str(each.get("reference", ""))
        if url.startswith("urn:"):
            yield url


def _entry(url: str, resource: str, request: dict[str, str], container: Container) -> str:
    asked = f',"request":{_compact(request)}' if container == "transaction" else ""
    return f'{{"fullUrl":"{url}","resource":{resource}{asked}}}'


def _full_url(system: str, value: str) -> str:
    """The address of a record in a bundle, the same that it had when it was recorded."""
    identity, _, key = value.partition(".")
    serials = {name: number for number, name in _keys().items()}
    if key in serials:
        return f"urn:uuid:{uuid_root(identity)}{serials[key]:04x}"
    digest = blake2b(f"{system}|{value}".encode(), digest_size=16).hexdigest()
    return f"urn:uuid:{uuid_root(digest)}0000"


@cache
def _keys() -> dict[int, str]:
    """Number of a vital or panel, which is never used again for another -> its key."""
    numbers = {vital.number: key for key, vital in vitals().items()}
    return numbers | {panel.number: key for key, panel in panels().items()}


# --- stored JSON, text for text --------------------------------------------------------------------------------------


def _unreadable(what: str) -> InputError:
    return InputError(what, todo="Give the file as the gateway wrote it")


def _json(data: bytes) -> str:
    return _text(data).strip(" \t\r\n")


def _text(data: bytes) -> str:
    try:
        return data.decode()
    except UnicodeDecodeError:
        raise _unreadable("A stored file is not UTF-8") from None


def _resources(data: bytes) -> Iterator[str]:
    """The resources of a file: those of the entries of its bundles, and its lines."""
    text = _json(data)
    at = 0
    while at < len(text):
        end = _end(text, at)
        members = _members(text[at:end])
        if members.get("resourceType") == '"Bundle"':
            for entry in _parts(members.get("entry", "[]"), "["):
                yield _members(entry).get("resource", "{}")
        else:
            yield text[at:end]
        at = _after_blanks(text, end)


def _kind_of(text: str) -> str:
    return _members(text).get("resourceType", "").strip('"')


def _is_device_time(text: str) -> bool:
    """Whether a resource is an Observation of a device's own time."""
    members = _members(text)
    return "identifier" in members and _identified(members)[1].endswith(f".{_DEVICE_TIME}")


def _members(text: str) -> dict[str, str]:
    """The members of a JSON object: name -> text of the value, as it is written."""
    parts = list(_parts(text, "{"))
    return dict(zip((json.loads(name) for name in parts[::2]), parts[1::2], strict=True))


def _written(members: dict[str, str]) -> str:
    return "{" + ",".join(f"{json.dumps(name)}:{value}" for name, value in members.items()) + "}"


def _parts(text: str, opening: str) -> Iterator[str]:
    """The texts of the items of a JSON list, or of the names and values of an object in turn."""
    if text[:1] != opening or _end(text, 0) != len(text):
        raise _unreadable("A stored file is not FHIR JSON of the gateway")
    at = _after_blanks(text, 1)
    while text[at] not in "]}":
        end = _end(text, at)
        yield text[at:end]
        at = _after_blanks(text, end)
        if text[at] in ",:":
            at = _after_blanks(text, at + 1)


def _end(text: str, at: int) -> int:
    try:
        return _DECODER.raw_decode(text, at)[1]
    except (json.JSONDecodeError, RecursionError):
        raise _unreadable("A stored file is not JSON") from None


def _after_blanks(text: str, at: int) -> int:
    match = _BLANK.match(text, at)
    return match.end() if match else at


def _identified(members: dict[str, str]) -> tuple[str, str]:
    """System and value of the first identifier."""
    items = json.loads(members.get("identifier", "[]"))
    first = items[0] if isinstance(items, list) and items and isinstance(items[0], dict) else {}
    value, system = first.get("value"), first.get("system", "")
    if not isinstance(value, str) or not isinstance(system, str):
        raise _unreadable("A stored resource has no identifier")
    return system, value


def _compact(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, separators=(",", ":"))


# --- HL7 v2 ----------------------------------------------------------------------------------------------------------


def messages_in(data: bytes) -> list[str]:
    """The messages of a stored batch file, or of a file of messages, each with its segments ended by CR.

    Raises:
        InputError: the file cannot be read, or holds no message.
    """
    messages: list[list[str]] = []
    for segment in _text(data).removesuffix("\r").split("\r"):
        name = segment[:3]
        if name == "MSH":
            messages.append([segment])
        elif name not in ("FHS", "BHS", "BTS", "FTS"):
            if not messages:
                raise _unreadable("A stored file is not HL7 v2 of the gateway")
            messages[-1].append(segment)
    if not messages:
        raise _unreadable("A stored file holds no HL7 v2 message")
    return ["\r".join([*message, ""]) for message in messages]


def set_of(message: str) -> str:
    """The set identity (32 hex digits) of a stored message, from OBR-3.

    Raises:
        InputError: it is not a message of the gateway.
    """
    for segment in message.split("\r"):
        fields = segment.split("|")
        if fields[0] == "OBR" and len(fields) > 25:
            identity = fields[3].partition("^")[0]
            if _IDENTITY.fullmatch(identity):
                return identity
    raise _unreadable("A stored message is not one of the gateway's")


def last_sent(messages: Sequence[str]) -> str:
    """One message that says what several messages of one set have said: of each result the last word.

    Args:
        messages: messages of one set in the order in which they were given out (the first, then its corrections).

    Returns:
        The segments of the last message, with the results (OBX and what belongs to it) of all, by OBX-4.

    Raises:
        UsageError: there are no messages, or they belong to different sets.
        InputError: one is not a message of the gateway.
    """
    if len({set_of(message) for message in messages}) != 1:
        raise UsageError("Only messages of one set can be joined", todo="Give the messages of each set by themselves")
    results: dict[str, list[str]] = {}
    head: list[str] = []
    for message in messages:
        head, at = [], ""
        for segment in message.removesuffix("\r").split("\r"):
            fields = segment.split("|")
            if fields[0] == "OBX":
                at = fields[4]
                results[at] = []
            (results[at] if at else head).append(segment)
    joined = [*head]
    for number, segments in enumerate(results.values(), 1):
        fields = segments[0].split("|")
        fields[1] = str(number)
        joined += ["|".join(fields), *segments[1:]]
    reports = {
        segment.split("|")[25] for message in messages for segment in message.split("\r") if segment[:3] == "OBR"
    }
    said = {segments[0].split("|")[11] for segments in results.values()}
    report = "C" if "C" in reports and said & {"C", "X"} else ""
    if said & {"P", "R"}:
        report = "P"
    text = "\r".join([*joined, ""])
    return restated(text if text.isascii() else _with_character_set(text), lambda status: status, report)


def whole_message(messages: Sequence[str], *, sent_before: bool, at_dtm: str = "", revision: int = 0) -> str:
    """One message that says a set as it is now, made from all that was said of it.

    Args:
        messages: all messages of the set in the order in which they were made: the first, its corrections, and
            retractions among them. What was withdrawn and not said again is left out.
        sent_before: the receiver has a final result of an earlier version, so that what was corrected is C. False: it
            has none, and for it what was corrected is F.
        at_dtm: HL7 DTM of the change for MSH-7 and OBR-22; "" keeps those of the last message.
        revision: version of the set that is said, part of MSH-10.

    Raises:
        UsageError: there are no messages, they belong to different sets, nothing is left of the set, or `at_dtm` is
            not a DTM.
        InputError: one is not a message of the gateway.
    """
    _check_time(at_dtm)
    joined = last_sent(messages)
    segments: list[str] = []
    left, withdrawn = 0, False
    for segment in joined.removesuffix("\r").split("\r"):
        fields = segment.split("|")
        if fields[0] == "OBX":
            withdrawn = fields[11] in _WITHDRAWN_RESULTS
            if not withdrawn and not fields[3].startswith(_CLOCK_ROW):
                left += 1
            fields[1] = str(sum(each.startswith("OBX|") for each in segments) + 1)
        if not withdrawn:
            segments.append("|".join(fields))
    if not left:
        raise UsageError("Nothing is left of the set", todo="Send its retraction instead")
    (report,) = {segment.split("|")[25] for segment in segments if segment[:3] == "OBR"}
    if not sent_before and report == "C":
        report = "F"
    text = "\r".join([*segments, ""])
    return restated(
        text, lambda status: "F" if status == "C" and not sent_before else status, report, at_dtm, revision=revision
    )


def _check_time(dtm: str) -> None:
    if dtm and not _DTM.fullmatch(dtm):
        raise UsageError(
            "The time of the change is not an HL7 DTM", todo="Give it as YYYYMMDDHHMMSS and an offset such as +0100"
        )


def _with_character_set(message: str) -> str:
    """MSH-18 for a message that is not ASCII."""
    header, _, rest = message.partition("\r")
    fields = header.split("|")
    fields += [""] * (18 - len(fields))
    fields[17] = "UNICODE UTF-8"
    return f"{'|'.join(fields)}\r{rest}"


def retracted_message(message: str, code: Literal["W", "D"], at_dtm: str, *, revision: int = 0) -> str:
    """Withdraw a message: the same message, with every result marked as wrong or as deleted.

    Values, sub-ids and filler numbers stay, so that a receiver can match them; MSH-10 is made anew from the content.

    Args:
        message: a stored message, its segments ended by CR.
        code: OBX-11: "W" posts the results as wrong (such as for a wrong patient), "D" deletes them.
        at_dtm: HL7 DTM of the retraction, for MSH-7 and OBR-22.
        revision: version of the set that is withdrawn, part of MSH-10.

    Raises:
        UsageError: `code` or `at_dtm` is not one of these.
        InputError: it is not a message of the gateway.
    """
    if code not in _WITHDRAWN_RESULTS:
        raise UsageError("A result is withdrawn with W or D", todo="Choose W (wrong) or D (delete)")
    _check_time(at_dtm or "none")
    set_of(message)
    (report,) = {segment.split("|")[25] for segment in message.split("\r") if segment[:3] == "OBR"}
    return restated(message, lambda _: code, "P" if report == "P" else "C", at_dtm, revision=revision)


def retracted_batch(messages: Sequence[str], number: str, received_dtm: str = "") -> str:
    """Put withdrawn messages into a batch file, in the shape in which messages were given out.

    Args:
        messages: messages of `retracted_message`, all of the same names (MSH-3 to MSH-6) and version.
        number: name of the batch for FHS-9 and BHS-9.
        received_dtm: HL7 DTM for FHS-7 and BHS-7, or "".

    Raises:
        UsageError: there are none, or they are not alike.
    """
    heads = {(*message.split("|", 6)[2:6], message.split("|", 12)[11]) for message in messages}
    if len(heads) != 1:
        raise UsageError(
            "A batch file holds messages of the same names and version, and at least one",
            todo="Make one batch file for each mapping",
        )
    return batch_like(messages, number, received_dtm)
