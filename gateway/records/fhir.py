"""FHIR R4 records: Observations, Devices and Provenance as NDJSON lines or bundle entries.

Each shape of record (which vital, which optional parts) is built once with `fhir.resources`, validated by it,
serialised once and split at marked slots; thousands of records are then rendered by joining the pieces with the
texts of the slots, escaped for JSON. Shapes and slots never depend on the values, so the library vouches for the
structure and `gateway.verify.fhir` re-reads every record on its own.

Source of the element order, cardinalities and codes: HL7 FHIR R4 4.0.1, http://hl7.org/fhir/R4/observation.html.

Mode, cuff size and body position are further components of the blood pressure, with the LOINC codes that the R4 vital
signs page lists as supplementary observations. The vitalsigns profile says that such may have a CodeableConcept, though
its binding of component.value[x] names units only, with strength required (US Core: extensible); a validator that
takes the binding for coded values as well will say so.

R4 has no element for the resolution of a time that looks more precise than it is: a note says it in words.
"""

from __future__ import annotations

import hashlib
import json
import re
import secrets
from base64 import urlsafe_b64encode
from collections.abc import Callable, Hashable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import cache
from operator import itemgetter
from typing import Any, Literal, NamedTuple
from urllib.parse import quote

from gateway.mapping.model import Mapping
from gateway.model import ClockPair, Moment, Outcome, Party, Reading, Revised, SetItem
from gateway.records.pieces import Pieces
from gateway.vocabulary import MDC, UCUM, Answer, Choice, Coding, Panel, Vital, panels, units, vitals

Container = Literal["transaction", "collection", "ndjson"]
Activity = Literal["CREATE", "UPDATE", "NULLIFY"]
"""What a Provenance says was done to records: codes of v3-DataOperation that the value set provenance-activity-type of
FHIR R4 4.0.1 names, http://hl7.org/fhir/R4/valueset-provenance-activity-type.html."""

_STATUS_SYSTEM = "http://hl7.org/fhir/uv/pocd/CodeSystem/measurement-status"
_INTERPRETATION = "http://terminology.hl7.org/CodeSystem/v3-ObservationInterpretation"
_ABSENT = "http://terminology.hl7.org/CodeSystem/data-absent-reason"
_ABSENT_EXTENSION = "http://hl7.org/fhir/StructureDefinition/data-absent-reason"
_LOCATION_EXTENSION = "http://hl7.org/fhir/StructureDefinition/event-location"
CLOCK_EXTENSION = "http://hl7.org/fhir/uv/phd/StructureDefinition/CoincidentTimeStampReference"
_OPERATION = "http://terminology.hl7.org/CodeSystem/v3-DataOperation"
_PARTICIPANT = "http://terminology.hl7.org/CodeSystem/provenance-participant-type"
DEVICE_TIME = Coding(MDC, "67975", "MDC_ATTR_TIME_ABS")
"""Source: HL7 Personal Health Device guide, PhdCoincidentTimeStampObservation, code of a wall clock."""

_OFF_SCALE = {"<": ("<", "Off scale low"), "<=": ("<", "Off scale low"), ">": (">", "Off scale high"),
              ">=": (">", "Off scale high")}  # fmt: skip

# Slots of a template. "whose" stands for a run of slots that is the same text in every Observation of a set.
_SLOTS = (
    "uuid", "identity", "patient", "encounter", "effective", "performer", "device", "location", "clock", "notes",
    "original", "number0", "number1", "number2", "number3", "whose",
)  # fmt: skip
_POSITION = {name: index for index, name in enumerate(_SLOTS)}
_NUMBERS = (_POSITION["number0"], _POSITION["number1"], _POSITION["number2"], _POSITION["number3"])
_ORIGINAL = _POSITION["original"]
_WHOSE = _POSITION["whose"]
_IN_WHOSE = frozenset({"patient", "encounter", "effective", "performer"})
_MARKED_TIME = "1901-02-03T04:05:06+07:00"
# A mark holds a word that is new in every process, so that no text of a mapping or an export can pass for one.
_WORD = secrets.token_hex(8)
_MARK = re.compile(
    rf"slot-(uuid|identity|patient|encounter|performer|device|location|clock|original)-{_WORD}"
    rf'|\{{"text":"slot-(notes)-{_WORD}"\}}'
    rf'|(?<="effectiveDateTime":")({re.escape(_MARKED_TIME)})|(?<="value":)98765432(\d)\.5'
)
_LONE = re.compile("[\ud800-\udfff]")
_SEPARATOR = re.compile(r"[\\,$|]")
_SHAPES_KEPT = 4096
_TEXTS_KEPT = 20_000


class _Template(NamedTuple):
    """A serialised record split at its slots.

    Attributes:
        pieces: the texts between the slots at even places, and room for the values of the slots at odd ones.
        pick: takes the values of the slots, in order, from a context.
    """

    pieces: list[bytes]
    pick: Callable[[list[bytes]], tuple[bytes, ...]]

    def fill(self, context: list[bytes]) -> bytes:
        """The record with the slots filled from `context`, which has a text for each of `_SLOTS`."""
        pieces = self.pieces.copy()
        pieces[1::2] = self.pick(context)
        return b"".join(pieces)


@dataclass(slots=True)
class _Shapes:
    """Templates of sets with the same optional parts.

    Attributes:
        templates: by the number of a reading's shape, by those of a panel's members, or by the keys of a set panel.
        whose: patient, encounter, time and performer, which every one of the templates has in the same words.
    """

    templates: dict[Hashable, _Template] = field(default_factory=dict)
    whose: _Template | None = None


class _Group(NamedTuple):
    """What one Provenance speaks of; the dictionaries are ordered sets.

    Attributes:
        references: of the records.
        names: of each set its identity, its revision where it was recorded before, and the keys of the records.
        moments: times of the records; the newest stands in for a time of receipt that was not given.
        clocks: references of the device times by which the times of the records were judged.
    """

    references: list[str]
    names: list[str]
    moments: dict[Moment, None]
    clocks: dict[str, None]


class _Plan(NamedTuple):
    """Observations of a set.

    Attributes:
        keys: keys of all of them, a set panel last.
        groups: for each but the set panel, its key and the places of its readings in the set (-1: not there).
        members: keys of the members of the set panel; empty when there is none.
        ends: what the references to the Observations end with, in the order of `keys`.
    """

    keys: tuple[str, ...]
    groups: tuple[tuple[str, tuple[int, ...]], ...]
    members: tuple[str, ...]
    ends: tuple[str, ...]


def _inner(text: str) -> str:
    """Text as the inside of a JSON string; half a surrogate pair is escaped, for verification to refuse it."""
    return _LONE.sub(lambda half: f"\\u{ord(half[0]):04x}", json.dumps(text, ensure_ascii=False)[1:-1])


def _mark(name: str) -> str:
    return f"slot-{name}-{_WORD}"


def uuid_root(identity: str) -> str:
    """All but the last four hex digits of a UUID version 8 (RFC 9562) made from 32 hex digits."""
    variant = "89ab"[int(identity[16], 16) & 3]
    return f"{identity[:8]}-{identity[8:12]}-8{identity[13:16]}-{variant}{identity[17:20]}-{identity[20:28]}"


def _if_none_exist(system: str, value: str, *, by: str = "identifier") -> str:
    """A search for exactly this token: first the escapes of a search value, then those of a URL.

    Source: FHIR R4 4.0.1, http://hl7.org/fhir/R4/search.html#escaping.
    """
    system, value = (_SEPARATOR.sub(r"\\\g<0>", text) for text in (system, value))
    return f"{by}={quote(system, safe=':/.-_~')}|{quote(value, safe='.-_~', errors='surrogatepass')}"


def conditional_url(kind: str, system: str, value: str) -> str:
    """Where the resource with this identifier is, for a server that gave it an id of its own.

    Source: FHIR R4 4.0.1, conditional update, http://hl7.org/fhir/R4/http.html#cond-update.
    """
    return f"{kind}?{_if_none_exist(system, value)}"


def device_digest(system: str, value: str) -> str:
    """32 hex digits made from the identifier of a device."""
    return hashlib.blake2b(f"{system}|{value}".encode("utf-8", "surrogatepass"), digest_size=16).hexdigest()


CREATED_WHERE_MISSING = "Created where the server had no record of the identifier; one that it had was left as it was."
"""What a Provenance says of conditional creates: it does not claim a record that was there before."""


def activity(code: Activity, text: str = "") -> dict[str, Any]:
    """A Provenance.activity."""
    return _concept([Coding(_OPERATION, code, code.lower())], text)


def _coding(coding: Coding) -> dict[str, str]:
    return {"system": coding.system, "code": coding.code, "display": coding.display}


def _concept(codings: Sequence[Coding], text: str = "") -> dict[str, Any]:
    concept: dict[str, Any] = {"coding": [_coding(coding) for coding in codings]}
    if text:
        concept["text"] = text
    return concept


def _answered(answer: Answer | Choice) -> dict[str, Any]:
    """An answer with its code; text alone where no code is published, for none is ever made up."""
    return _concept([answer.coding], answer.title) if answer.coding else {"text": answer.title}


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:]


class FhirRenderer:
    """Renders sets as FHIR R4 records for one export.

    Args:
        mapping: the mapping; its `output` chooses profile, status, panel and notes.
        container: `ndjson` gives lines with an id; `transaction` and `collection` give bundle entries.
        export_sha256: hash of the export, for Provenance.
        mapping_sha256: hash of the mapping file, for Provenance.
        gateway_version: for Provenance.
        received: FHIR instant for Provenance.recorded; "" takes the newest time of the records themselves, so
            that the same export always gives the same bytes.
        changed: FHIR instant of the change for Provenance.recorded of revised sets.
    """

    def __init__(
        self,
        mapping: Mapping,
        container: Container,
        *,
        export_sha256: str = "",
        mapping_sha256: str = "",
        gateway_version: str = "",
        received: str = "",
        changed: str = "",
    ) -> None:
        self.container: Container = container
        self.limit = mapping.output.fhir.bundle_limit
        self.fresh: list[bytes] = []
        self._mapping = mapping
        self._output = mapping.output
        self._us_core = mapping.output.fhir.profile == "us-core"
        self._received = received
        self._changed = changed
        self._export_sha256 = export_sha256
        self._mapping_sha256 = mapping_sha256
        self._gateway_version = gateway_version
        self._vitals = vitals()
        self._panels = panels()
        self._by_options: dict[Hashable, _Shapes] = {}
        self._plans: dict[tuple[str, ...], _Plan] = {}
        self._shapes: dict[tuple[object, ...], int] = {}
        self._known: dict[Reading, tuple[int, bytes]] = {}
        self._devices: dict[Party, bytes] = {}
        self._provenance_frames: dict[tuple[bool, bool, Activity | None], list[str]] = {}
        self._clocks: dict[tuple[str, ClockPair], str] = {}
        self._device_times: dict[tuple[str, ClockPair], bytes] = {}
        self._parties: dict[Party, bytes] = {}

    def of_export(self, sha256: str) -> None:
        """Render records of another export from here on: Provenance names it by its hash."""
        self._export_sha256 = sha256
        self._provenance_frames.clear()

    # -- one set ---------------------------------------------------------------------------------------------------

    def observations(self, item: SetItem) -> list[bytes]:
        """The Observations of a set, each as UTF-8 JSON: a line without its end (`ndjson`) or a bundle entry.

        Of a revised set only those affected: a record that is known is an update, any other is new.
        """
        if item.revised is not None:
            return self._revised(item, item.revised)
        return self._records(item, self._plan(item.readings))

    def _revised(self, item: SetItem, revised: Revised) -> list[bytes]:
        """The Observations affected, each in the shape that suits what is known of it."""
        plan = self._affected(item, revised)
        records: list[bytes] = []
        for key, places in plan.groups:
            single = _Plan((key,), ((key, places),), (), ())
            records += self._records(item, single, "update" if key in revised.given_out else None)
        if plan.members:
            outside = tuple(key for key in plan.members if key not in plan.keys)
            change = ("vital_signs" in revised.given_out, outside)
            records += self._records(item, _Plan(plan.members, (), plan.members, ()), change)
        return records

    def _records(self, item: SetItem, plan: _Plan, change: Hashable = None) -> list[bytes]:
        """The Observations of a plan; records in which something else changes have other shapes."""
        identity = item.identity
        operator, encounter, location = item.operator, item.encounter, item.location
        pair = item.moment.own.pair if item.moment.own is not None and item.device is not None else None
        options = (
            item.patient.system, item.device is not None, operator and operator.system, encounter and encounter.system,
            location and location.system, bool(item.notes), change, pair is not None,
        )  # fmt: skip
        shapes = self._by_options.get(options)
        if shapes is None:
            if len(self._by_options) > _SHAPES_KEPT:
                self._by_options.clear()
            shapes = self._by_options[options] = _Shapes()
        context = [
            b"" if self.container == "ndjson" else uuid_root(identity).encode(),
            identity.encode(),
            self._party(item.patient),
            self._party(encounter),
            item.moment.fhir.encode(),
            self._party(operator),
            self._device_reference(item.device) if item.device is not None else b"",
            self._party(location),
            self.device_time_reference(item.device, pair).encode() if item.device is not None and pair else b"",
            self._notes(item.notes) if item.notes else b"",
            b"", b"", b"", b"", b"", b"",
        ]  # fmt: skip
        if shapes.whose is not None:
            context[_WHOSE] = shapes.whose.fill(context)
        known = self._known
        if len(known) > _TEXTS_KEPT:
            known.clear()
        readings = item.readings
        templates = shapes.templates
        records: list[bytes] = []
        for key, places in plan.groups:
            shape: int | tuple[int, ...]
            if len(places) == 1:
                reading = readings[places[0]]
                shape, context[_NUMBERS[0]] = known.get(reading) or self._learn(reading)
            else:
                numbers = []
                for position, place in zip(_NUMBERS, places, strict=False):
                    if place < 0:
                        numbers.append(-1)
                    else:
                        reading = readings[place]
                        number, context[position] = known.get(reading) or self._learn(reading)
                        numbers.append(number)
                shape = tuple(numbers)
            if self._output.keep_original:
                context[_ORIGINAL] = self._originals([readings[place] for place in places if place >= 0])
            template = templates.get(shape)
            if template is None:
                members = [readings[place] if place >= 0 else None for place in places]
                template = self._add(shapes, shape, self._compile(key, members, item), context)
            records.append(template.fill(context))
        if plan.members:
            template = templates.get(plan.keys)
            if template is None:
                template = self._add(shapes, plan.keys, self._compile_set_panel(plan.members, item), context)
            records.append(template.fill(context))
        return records

    def _add(self, shapes: _Shapes, shape: Hashable, whole: _Split, context: list[bytes]) -> _Template:
        """Keep a new shape, and its first record for a closer look."""
        if len(shapes.templates) >= _SHAPES_KEPT:
            shapes.templates.clear()
        run, rest = (part.template() for part in whole.around(_IN_WHOSE, "whose"))
        if shapes.whose is None:
            shapes.whose = run
            context[_WHOSE] = run.fill(context)
        same = shapes.whose.pieces == run.pieces and shapes.whose.pick(_PROBE) == run.pick(_PROBE)
        template = shapes.templates[shape] = rest if same else whole.template()
        self.fresh.append(template.fill(context))
        return template

    def groups(self, readings: Sequence[Reading]) -> Iterator[tuple[str, list[str]]]:
        """The keys of the Observations that readings of one set are spread over, each with its vitals."""
        for key, places in self._plan(readings).groups:
            yield key, [readings[place].vital for place in places if place >= 0]

    def group_keys(self, readings: Sequence[Reading]) -> list[str]:
        """The keys alone of `groups`."""
        return [key for key, _ in self._plan(readings).groups]

    def members(self, key: str) -> Sequence[str]:
        """The vitals that the Observation of a key can hold."""
        if self._us_core and key == "spo2":
            return _OXYGEN
        return self._panels[key].members if key in self._panels else (key,)

    def optional(self, key: str) -> frozenset[str]:
        """Those of the `members` that the Observation of a key is whole without."""
        return frozenset(each for each in self.members(key) if each != key and not self._vitals[each].panel_required)

    def keys(self, item: SetItem) -> tuple[str, ...]:
        """Keys of the Observations that `observations` gives for the set, in order."""
        return self._plan_of(item).keys

    def _plan_of(self, item: SetItem) -> _Plan:
        return self._plan(item.readings) if item.revised is None else self._affected(item, item.revised)

    def _affected(self, item: SetItem, revised: Revised) -> _Plan:
        """The records of a revised set that are new or change."""
        plan = self._plan(item.readings)
        changed = revised.added | revised.corrected
        # Oxygen stands in the record of a saturation that has a value; when that changes, it may need one of its own.
        moved = _OXYGEN if self._us_core and "spo2" in changed else ()
        groups = tuple(
            (key, places)
            for key, places in plan.groups
            if any(place >= 0 and item.readings[place].vital in changed for place in places)
            or (key in moved and key not in revised.known)
        )
        keys = tuple(key for key, _ in groups)
        members: tuple[str, ...] = ()
        gone = revised.known.difference(plan.keys)
        if any(key not in revised.known for key in keys if key in plan.members) or (
            plan.members and any(self._kind(key).category.code == "vital-signs" for key in gone)
        ):
            members = plan.members
            keys += ("vital_signs",)
        return _Plan(keys, groups, members, tuple(self._reference_end(key) for key in keys))

    def _plan(self, readings: Sequence[Reading]) -> _Plan:
        """How the readings of a set are spread over Observations; the same for every set of the same vitals."""
        vitals_of = tuple([reading.vital for reading in readings])
        plan = self._plans.get(vitals_of)
        if plan is None:
            plan = self._make_plan(readings)
            # Where oxygen goes depends on whether the saturation has a value, and not on the vitals alone.
            if not (self._us_core and "spo2" in vitals_of):
                if len(self._plans) > _SHAPES_KEPT:
                    self._plans.clear()
                self._plans[vitals_of] = plan
        return plan

    def _make_plan(self, readings: Sequence[Reading]) -> _Plan:
        groups: dict[str, list[int]] = {}
        saturation = self._us_core and any(each.vital == "spo2" and each.value is not None for each in readings)
        for position, reading in enumerate(readings):
            panel = self._vitals[reading.vital].panel
            members: Sequence[str] = self._panels[panel].members if panel else (reading.vital,)
            if saturation and reading.vital in _OXYGEN:
                panel, members = "spo2", _OXYGEN
            places = groups.setdefault(panel or reading.vital, [-1] * len(members))
            places[members.index(reading.vital)] = position
        keys = tuple(groups)
        members = ()
        if self._output.fhir.panel:
            # Members must follow the vitalsigns profile themselves (R4 vitalspanel): no scores, no laboratory values.
            members = tuple(key for key in keys if self._kind(key).category.code == "vital-signs")
        if members:
            keys += ("vital_signs",)
        placed = tuple((key, tuple(places)) for key, places in groups.items())
        return _Plan(keys, placed, members, tuple(self._reference_end(key) for key in keys))

    def _learn(self, reading: Reading) -> tuple[int, bytes]:
        """The number of a reading's shape, and the text of its value."""
        shape = (
            reading.vital, reading.outcome, reading.value is None, reading.unit, reading.comparator, reading.code,
            reading.site, reading.method, reading.qualifiers, reading.reason, reading.meaning,
            reading.flagged and self._output.mark_questionable,
            self._output.keep_original and bool(_original(reading)),
        )  # fmt: skip
        number = self._shapes.setdefault(shape, len(self._shapes))
        known = self._known[reading] = (number, b"" if reading.value is None else f"{reading.value:f}".encode())
        return known

    def _device_reference(self, device: Party) -> bytes:
        reference = self._devices.get(device)
        if reference is None:
            if len(self._devices) > _TEXTS_KEPT:
                self._devices.clear()
            text = self.device_id(device) if self.container == "ndjson" else self.device_uuid(device)
            reference = self._devices[device] = text.encode()
        return reference

    def _party(self, party: Party | None) -> bytes:
        if party is None:
            return b""
        text = self._parties.get(party)
        if text is None:
            if len(self._parties) > _TEXTS_KEPT:
                self._parties.clear()
            text = self._parties[party] = _inner(party.value).encode()
        return text

    def _notes(self, notes: Sequence[str]) -> bytes:
        return ",".join(f'{{"text":"{_inner(note)}"}}' for note in notes).encode()

    def _originals(self, members: Sequence[Reading]) -> bytes:
        texts = [text for text in map(_original, members) if text]
        return _inner("Exported as " + ", ".join(texts) + ".").encode()

    # -- devices and bundles ---------------------------------------------------------------------------------------

    def device_system(self, device: Party) -> str:
        """Identifier system of a device: the mapping's, or one under the site's namespace."""
        return device.system or f"{self._mapping.namespace}/device"

    def _device_digest(self, device: Party) -> str:
        return device_digest(self.device_system(device), device.value)

    def device_uuid(self, device: Party) -> str:
        """The fullUrl of the Device entry in a bundle."""
        return "urn:uuid:" + uuid_root(self._device_digest(device)) + "0000"

    def device_id(self, device: Party) -> str:
        """Reference of the Device line in NDJSON."""
        return "Device/" + self._device_digest(device)

    def device(self, device: Party) -> bytes:
        """A Device resource, in the form of `observations`."""
        from fhir.resources.R4B.device import Device

        system = self.device_system(device)
        identifier = {"system": system, "value": _mark("device")}
        content: dict[str, Any] = {"resourceType": "Device", "identifier": [identifier]}
        if self.container == "ndjson":
            content["id"] = self._device_digest(device)
        text = Device.model_validate(content).model_dump_json().replace(_mark("device"), _inner(device.value))
        return self._entry(text, self.device_uuid(device), "Device", _if_none_exist(system, device.value)).encode()

    def _clock_digest(self, device: Party, pair: ClockPair) -> str:
        known = self._clocks.get((device.value, pair))
        if known is None:
            if len(self._clocks) > _TEXTS_KEPT:
                self._clocks.clear()
            parts = [
                self._mapping.namespace, self.device_system(device), device.value,
                pair.device_fhir, pair.reference_fhir, pair.remark,
            ]  # fmt: skip
            text = "\x1f".join(parts).encode("utf-8", "surrogatepass")
            known = self._clocks[device.value, pair] = hashlib.blake2b(text, digest_size=16).hexdigest()
        return known

    def device_time_reference(self, device: Party, pair: ClockPair) -> str:
        """Reference to what `device_time` gives."""
        digest = self._clock_digest(device, pair)
        return (
            f"Observation/{digest}-device-time" if self.container == "ndjson" else f"urn:uuid:{uuid_root(digest)}0000"
        )

    def device_time(self, device: Party, pair: ClockPair) -> bytes:
        """An Observation of a device's own time beside the true time, in the form of `observations`.

        Source: HL7 Personal Health Device guide, PhdCoincidentTimeStampObservation: the subject is the device, the
        time is the true one, the value is the device's. The guide gives it no identifier, because a connection never
        comes twice; an export may be converted twice, so here it has one. The profile is therefore not claimed.
        """
        known = self._device_times.get((device.value, pair))
        if known is None:
            if len(self._device_times) > _SHAPES_KEPT:
                self._device_times.clear()
            known = self._device_times[device.value, pair] = self._device_time(device, pair)
        return known

    def _device_time(self, device: Party, pair: ClockPair) -> bytes:
        from fhir.resources.R4B.observation import Observation

        digest = self._clock_digest(device, pair)
        identifier = {"system": self._mapping.namespace, "value": f"{digest}.device_time"}
        subject = self.device_id(device) if self.container == "ndjson" else self.device_uuid(device)
        content: dict[str, Any] = {
            "resourceType": "Observation",
            "identifier": [identifier],
            "status": "final",
            "code": _concept([DEVICE_TIME], "Time of the device's own clock"),
            "subject": {"reference": subject},
            "effectiveDateTime": _MARKED_TIME,
            "valueDateTime": _MARKED_TIME,
            "note": [{"text": pair.remark}],
            "device": {"display": f"spot-check gateway {self._gateway_version}".strip()},
        }
        if self.container == "ndjson":
            content["id"] = f"{digest}-device-time"
        # The marked times keep the library from writing a time in another way than it was given.
        text: str = Observation.model_validate(content).model_dump_json()
        text = text.replace(f'"effectiveDateTime":"{_MARKED_TIME}"', f'"effectiveDateTime":"{pair.reference_fhir}"')
        text = text.replace(f'"valueDateTime":"{_MARKED_TIME}"', f'"valueDateTime":"{pair.device_fhir}"')
        search = _if_none_exist(identifier["system"], identifier["value"])
        return self._entry(text, f"urn:uuid:{uuid_root(digest)}0000", "Observation", search).encode()

    def provenances(self, items: Sequence[SetItem]) -> list[bytes]:
        """Provenance of the records of some sets, in the form of `observations`.

        One names the records of sets that are recorded for the first time, and others those of revised sets: what is
        new in them and what changes. R4 gives a Provenance no identifier: a tag made of the records it names lets a
        server know it again. The tag does not depend on the export or the mapping: the same records sent again, from
        whichever of them, add no second statement, as they add no second record. For the same reason a creation in a
        transaction, where a record that the server has is left alone, says that it speaks of the others only.

        Args:
            items: sets whose records are in one bundle or file.
        """
        groups: dict[tuple[bool, Activity], _Group] = {}
        for item in items:
            root, plan, revised = self._reference_root(item.identity), self._plan_of(item), item.revised
            by_activity: dict[Activity, Sequence[int]] = {"CREATE": range(len(plan.keys))}
            name = item.identity
            if revised is not None:
                name += f" {revised.revision}"
                update = [key in revised.given_out for key in plan.keys]
                by_activity = {
                    "UPDATE": [place for place, known in enumerate(update) if known],
                    "CREATE": [place for place, known in enumerate(update) if not known],
                }
            pair = item.moment.own.pair if item.moment.own is not None else None
            for code, places in by_activity.items():
                if not places:
                    continue
                group = groups.get((revised is not None, code))
                if group is None:
                    group = groups[revised is not None, code] = _Group([], [], {}, {})
                group.references.extend([root + plan.ends[place] for place in places])
                group.names.append(" ".join([name, *[plan.keys[place] for place in places]]))
                group.moments[item.moment] = None
                if pair is not None and item.device is not None:
                    group.clocks[self.device_time_reference(item.device, pair)] = None
        return [self._provenance(group, code, changed=changed) for (changed, code), group in groups.items()]

    def _provenance(self, group: _Group, code: Activity, *, changed: bool) -> bytes:
        parts = [self._mapping.namespace, *([code] if changed else []), *group.names]
        digest = hashlib.blake2b("|".join(parts).encode(), digest_size=16).hexdigest()
        recorded = self._changed if changed else self._received
        if not recorded and not changed:
            exact = [moment for moment in group.moments if moment.precision != "day"]
            recorded = max(exact, key=lambda moment: moment.epoch).fhir if exact else ""
        # Files say what was made; only a server may have something else already.
        said = code if changed or self.container == "transaction" else None
        shape = (bool(recorded), bool(group.clocks), said)
        frame = self._provenance_frames.get(shape)
        if frame is None:
            frame = self._provenance_frames[shape] = self._provenance_frame(*shape)
        targets = ",".join(f'{{"reference":"{reference}"}}' for reference in group.references)
        values = {"identity": digest, "uuid": uuid_root(digest), "effective": recorded, "targets": targets}
        values["clocks"] = ",".join(f'{{"role":"source","what":{{"reference":"{each}"}}}}' for each in group.clocks)
        parts = [values[part] if place % 2 else part for place, part in enumerate(frame)]
        return "".join(parts).encode()

    def _provenance_frame(self, recorded: bool, clocks: bool, said: Activity | None) -> list[str]:
        """A Provenance built and validated by the library, cut at its marks: texts and names of slots in turn."""
        from fhir.resources.R4B.provenance import Provenance

        tag = {"system": self._mapping.namespace, "code": _mark("identity")}
        content: dict[str, Any] = {
            "resourceType": "Provenance",
            "meta": {"tag": [tag]},
            "target": [{"reference": _mark("targets")}],
            "agent": [
                {
                    "type": {"coding": [{"system": _PARTICIPANT, "code": "assembler", "display": "Assembler"}]},
                    "who": {"display": f"spot-check gateway {self._gateway_version}".strip()},
                }
            ],
            "entity": [
                {"role": "source", "what": {"identifier": _hashed(self._export_sha256), "display": "export"}},
                {
                    "role": "derivation",
                    "what": {
                        "identifier": _hashed(self._mapping_sha256),
                        "display": f"mapping {self._mapping.title}, version {self._mapping.version}",
                    },
                },
            ],
        }
        if said is not None:
            kept = said == "CREATE" and self.container == "transaction"
            content["activity"] = activity(said, CREATED_WHERE_MISSING if kept else "")
        if clocks:
            content["entity"].append({"role": "source", "what": {"reference": _mark("clocks")}})
        if recorded:
            content["recorded"] = _MARKED_TIME
        else:
            content["_recorded"] = {"extension": [{"url": _ABSENT_EXTENSION, "valueCode": "unknown"}]}
        if self.container == "ndjson":
            content["id"] = _mark("identity")
        text: str = Provenance.model_validate(content).model_dump_json()
        search = _if_none_exist(tag["system"], tag["code"], by="_tag")
        text = self._entry(text, f"urn:uuid:{_mark('uuid')}0001", "Provenance", search)
        text = text.replace(f'{{"reference":"{_mark("targets")}"}}', _mark("targets"))
        text = text.replace(f'"recorded":"{_MARKED_TIME}"', f'"recorded":"{_mark("effective")}"')
        text = text.replace(f'{{"role":"source","what":{{"reference":"{_mark("clocks")}"}}}}', _mark("clocks"))
        return re.split(rf"slot-(identity|uuid|effective|targets|clocks)-{_WORD}", text)

    def reference(self, identity: str, key: str) -> str:
        """Reference to the Observation of `key` in the set `identity`, as other records name it."""
        return self._reference_root(identity) + self._reference_end(key)

    def references(self, item: SetItem) -> list[str]:
        """References to the Observations that `observations` gives for the set, in order."""
        root = self._reference_root(item.identity)
        return [root + end for end in self._plan_of(item).ends]

    def _reference_root(self, identity: str) -> str:
        return f"Observation/{identity}-" if self.container == "ndjson" else f"urn:uuid:{uuid_root(identity)}"

    def _reference_end(self, key: str) -> str:
        return key.replace("_", "-") if self.container == "ndjson" else f"{self._serial(key):04x}"

    def bundle(self, entries: Sequence[bytes]) -> bytes:
        """A Bundle of the given entries, as UTF-8 JSON without a line end."""
        return b'{"resourceType":"Bundle","type":"%b","entry":[%b]}' % (self.container.encode(), b",".join(entries))

    def _entry(self, resource: str, full_url: str, kind: str, if_none_exist: str, update: bool = False) -> str:
        if self.container == "ndjson":
            return resource
        entry = f'{{"fullUrl":"{full_url}","resource":{resource}'
        if self.container == "transaction" and update:
            entry += f',"request":{{"method":"PUT","url":"{_inner(f"{kind}?{if_none_exist}")}"}}'
        elif self.container == "transaction":
            entry += f',"request":{{"method":"POST","url":"{kind}","ifNoneExist":"{_inner(if_none_exist)}"}}'
        return entry + "}"

    def _kind(self, key: str) -> Vital | Panel:
        return self._panels[key] if key in self._panels else self._vitals[key]

    def _serial(self, key: str) -> int:
        return self._kind(key).number

    # -- shapes ----------------------------------------------------------------------------------------------------

    def _compile(self, key: str, members: Sequence[Reading | None], item: SetItem) -> _Split:
        """Build one shape with the library, validate it, and split it at its slots."""
        content = self._frame(key, item)
        if key in self._panels:
            panel = self._panels[key]
            self._fill_panel(content, panel, members)
        else:
            self._fill_single(content, members)
        originals = self._output.keep_original and any(_original(reading) for reading in members if reading)
        notes: list[dict[str, str]] = [{"text": _mark("notes")}] if item.notes else []
        if originals:
            notes.append({"text": _mark("original")})
        if notes:
            content["note"] = notes
        return self._split(key, content, _is_update(key, item))

    def _compile_set_panel(self, keys: Sequence[str], item: SetItem) -> _Split:
        content = self._frame("vital_signs", item)
        panel = self._panels["vital_signs"]
        content["code"] = _concept(panel.codings, panel.title)
        inside = keys if item.revised is None else self.keys(item)
        content["hasMember"] = [
            {"reference": self._marked_reference(key)} if key in inside else self._outside(key) for key in keys
        ]
        return self._split("vital_signs", content, _is_update("vital_signs", item))

    def _outside(self, key: str) -> dict[str, Any]:
        """A reference to a record of the set that was recorded before and is not among those rendered now."""
        if self.container == "ndjson":
            return {"reference": self._marked_reference(key)}
        return outside_reference(self.container, self._mapping.namespace, f"{_mark('identity')}.{key}")

    def _marked_reference(self, key: str) -> str:
        if self.container == "ndjson":
            return f"Observation/{_mark('identity')}-{key.replace('_', '-')}"
        return f"urn:uuid:{_mark('uuid')}{self._serial(key):04x}"

    def _frame(self, key: str, item: SetItem) -> dict[str, Any]:
        """What every Observation of the set has in common."""
        kind = self._kind(key)
        profile = kind.us_core if self._us_core and kind.us_core else kind.profile
        content: dict[str, Any] = {
            "resourceType": "Observation",
            "identifier": [{"system": self._mapping.namespace, "value": f"{_mark('identity')}.{key}"}],
            "status": self._status(key, item),
            "category": [_concept([kind.category])],
            "subject": self._subject(item.patient),
            "effectiveDateTime": _MARKED_TIME,
        }
        if self.container == "ndjson":
            content["id"] = f"{_mark('identity')}-{key.replace('_', '-')}"
        if profile:
            content["meta"] = {"profile": [profile]}
        if item.location is not None:
            place = {"identifier": _identifier(item.location, "location")}
            content["extension"] = [{"url": _LOCATION_EXTENSION, "valueReference": place}]
        if item.moment.own is not None and item.moment.own.pair is not None and item.device is not None:
            # Not derivedFrom: R4's vitalsigns profile lets that name vital signs and questionnaires only.
            clock = {"url": CLOCK_EXTENSION, "valueReference": {"reference": _mark("clock")}}
            content["extension"] = [*content.get("extension", []), clock]
        if item.encounter is not None:
            content["encounter"] = {"identifier": _identifier(item.encounter, "encounter")}
        if item.operator is not None:
            content["performer"] = [{"identifier": _identifier(item.operator, "performer")}]
        if item.device is not None:
            content["device"] = {"reference": _mark("device")}
        return content

    def _status(self, key: str, item: SetItem) -> str:
        """The status of a record; an update of a final one is a correction, a preliminary one stays or becomes final.

        Source: FHIR R4 4.0.1, http://hl7.org/fhir/R4/codesystem-observation-status.html: "corrected" only follows
        "final". The status is that of the record: one that was given out as final with a dataAbsentReason was final
        and is corrected when the value comes, while HL7 v2, where a result has its status, says X and then F.
        """
        replaces = item.revised is not None and key in item.revised.given_out - item.revised.preliminary
        return "corrected" if self._output.status == "final" and replaces else self._output.status

    def _subject(self, patient: Party) -> dict[str, Any]:
        if self._mapping.patient.subject == "reference":
            return {"reference": f"Patient/{_mark('patient')}"}
        return {"type": "Patient", "identifier": _identifier(patient, "patient")}

    def _fill_single(self, content: dict[str, Any], members: Sequence[Reading | None]) -> None:
        main = members[0]
        assert main is not None
        vital = self._vitals[main.vital]
        content["code"] = _concept(self._codings(vital, main), vital.title)
        content.update(self._value(main, 0))
        self._qualify(content, [main])
        components = [
            {"code": _concept(self._codings(self._vitals[extra.vital], extra), self._vitals[extra.vital].title)}
            | self._value(extra, index)
            for index, extra in enumerate(members)
            if index and extra is not None
        ]
        if components:
            content["component"] = components

    def _fill_panel(self, content: dict[str, Any], panel: Panel, members: Sequence[Reading | None]) -> None:
        mdc = [panel.mdc] if panel.mdc else []
        content["code"] = _concept([*panel.codings, *mdc], panel.title)
        components = []
        for index, (key, reading) in enumerate(zip(panel.members, members, strict=True)):
            vital = self._vitals[key]
            if reading is None:
                if vital.panel_required:
                    code = _concept([*vital.codings, *([vital.mdc] if vital.mdc else [])], vital.title)
                    components.append({"code": code, "dataAbsentReason": _reason("unknown", "")})
                continue
            component = {"code": _concept(self._codings(vital, reading), vital.title)}
            components.append(component | self._value(reading, index))
        there = [reading for reading in members if reading is not None]
        # The first reading that states a qualifier speaks for the measurement, as it does for site and method.
        stated = dict(pair for reading in reversed(there) for pair in reading.qualifiers)
        for key, qualifier in panel.qualifiers.items():
            if key in stated:
                title = _sentence(qualifier.title)
                code = _concept([qualifier.coding], title) if qualifier.coding else {"text": title}
                components.append({"code": code, "valueCodeableConcept": _answered(qualifier.answers[stated[key]])})
        content["component"] = components
        self._qualify(content, there)

    def _codings(self, vital: Vital, reading: Reading) -> list[Coding]:
        codings = list(vital.codings_by_unit.get(reading.unit, vital.codings))
        site = vital.sites.get(reading.site) if reading.site else None
        if site is not None and site.loinc is not None:
            codings.append(site.loinc)
        mdc = site.mdc if site is not None and site.mdc is not None else vital.mdc
        if mdc is not None:
            codings.append(mdc)
        return codings

    def _value(self, reading: Reading, index: int) -> dict[str, Any]:
        """Value, or the reason for its absence, and interpretation: the same for Observation and component."""
        vital = self._vitals[reading.vital]
        content: dict[str, Any] = {}
        if reading.outcome is Outcome.ABSENT:
            content["dataAbsentReason"] = _reason(reading.reason, reading.meaning)
        elif vital.kind == "coded":
            content["valueCodeableConcept"] = _answered(vital.answers[reading.code])
        else:
            unit = units()[reading.unit]
            quantity: dict[str, Any] = {"value": float(f"98765432{index}.5"), "unit": unit.display}
            if reading.comparator:
                quantity["comparator"] = reading.comparator
            content["valueQuantity"] = quantity | {"system": UCUM, "code": unit.ucum}
        interpretation = []
        if reading.comparator:
            code, display = _OFF_SCALE[reading.comparator]
            interpretation.append(_concept([Coding(_INTERPRETATION, code, display)]))
        if reading.flagged and self._output.mark_questionable:
            interpretation.append(_concept([Coding(_STATUS_SYSTEM, "questionable", "Questionable")]))
        if interpretation:
            content["interpretation"] = interpretation
        return content

    def _qualify(self, content: dict[str, Any], readings: Sequence[Reading]) -> None:
        """Body site and method of the Observation, from the first reading that states one."""
        for reading in readings:
            vital = self._vitals[reading.vital]
            site = vital.sites.get(reading.site) if reading.site else None
            if site is not None and "bodySite" not in content:
                content["bodySite"] = _concept([site.snomed], site.title) if site.snomed else {"text": site.title}
            method = vital.methods.get(reading.method) if reading.method else None
            if method is not None and "method" not in content:
                content["method"] = _concept([method.snomed], method.title) if method.snomed else {"text": method.title}

    def _split(self, key: str, content: dict[str, Any], update: bool = False) -> _Split:
        from fhir.resources.R4B.observation import Observation

        text = Observation.model_validate(content).model_dump_json()
        full_url = f"urn:uuid:{_mark('uuid')}{self._serial(key):04x}"
        if_none_exist = _if_none_exist(self._mapping.namespace, f"{_mark('identity')}.{key}")
        text = self._entry(text, full_url, "Observation", if_none_exist, update)
        return _Split.of(text, _MARK, _slot)


def _slot(match: re.Match[str]) -> str:
    """The slot that a mark stands for."""
    if match[3]:
        return "effective"
    return f"number{match[4]}" if match[4] else match[1] or match[2]


class _Split(Pieces):
    """A record as fhir.resources serialised it."""

    def template(self) -> _Template:
        """The whole as a template."""
        order = [_POSITION[slot] for slot in self.slots]
        room = [b""] * (2 * len(order) + 1)
        room[::2] = [text.encode() for text in self.texts]
        return _Template(room, itemgetter(*order) if len(order) > 1 else _single(order))


def _single(order: Sequence[int]) -> Callable[[list[bytes]], tuple[bytes, ...]]:
    return lambda context: tuple([context[slot] for slot in order])


_PROBE = [str(slot).encode() for slot in range(len(_SLOTS))]
_OXYGEN = ("spo2", "oxygen_flow", "oxygen_concentration")


def _is_update(key: str, item: SetItem) -> bool:
    return item.revised is not None and key in item.revised.given_out


def outside_reference(container: Container, system: str, value: str) -> dict[str, Any]:
    """A reference from a bundle entry to an Observation that is not in the bundle, by its identifier.

    Inside a transaction, and only there, the server looks it up; elsewhere a logical reference says it (from memory of
    FHIR R4 4.0.1, http://hl7.org/fhir/R4/http.html#trules and http://hl7.org/fhir/R4/references.html#logical).
    """
    if container == "transaction":
        return {"reference": conditional_url("Observation", system, value)}
    return {"type": "Observation", "identifier": {"system": system, "value": value}}


@cache
def _reason(code: str, meaning: str) -> dict[str, Any]:
    reason: dict[str, Any] = {"coding": [{"system": _ABSENT, "code": code}]}
    if meaning:
        reason["text"] = meaning
    return reason


def _original(reading: Reading) -> str:
    """The verbatim text and the exported unit of a converted reading, else ""."""
    if reading.value is None or not reading.source_unit or reading.source_unit == reading.unit:
        return ""
    return reading.exported_as(units()[reading.source_unit].display)


def _identifier(party: Party, slot: str) -> dict[str, str]:
    value = {"value": _mark(slot)}
    return {"system": party.system} | value if party.system else value


def _hashed(sha256: str) -> dict[str, str]:
    """A hash as an identifier: a "ni" URI of RFC 6920 under the URI system of FHIR."""
    digest = urlsafe_b64encode(bytes.fromhex(sha256)).decode().rstrip("=")
    return {"system": "urn:ietf:rfc:3986", "value": f"ni:///sha-256;{digest}"}
