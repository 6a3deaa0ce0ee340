"""FHIR R4 records: Observations, Devices and Provenance as NDJSON lines or bundle entries.

Each shape of record (which vital, which optional parts) is built once with `fhir.resources`, validated by it,
serialised once and split at marked slots; thousands of records are then rendered by joining the pieces with the
texts of the slots, escaped for JSON. Shapes and slots never depend on the values, so the library vouches for the
structure and `gateway.records.verify_fhir` re-reads every record on its own.

Source of the element order, cardinalities and codes: HL7 FHIR R4 4.0.1, http://hl7.org/fhir/R4/observation.html.
"""

from __future__ import annotations

import hashlib
import json
import re
from base64 import urlsafe_b64encode
from collections.abc import Callable, Sequence
from functools import cache
from itertools import chain
from operator import itemgetter
from typing import Any, Literal, NamedTuple
from urllib.parse import quote

from gateway.mapping.model import Mapping
from gateway.model import Moment, Outcome, Party, Reading, SetItem
from gateway.vocabulary import UCUM, Coding, Panel, Vital, panels, units, vitals

Container = Literal["transaction", "collection", "ndjson"]

_STATUS_SYSTEM = "http://hl7.org/fhir/uv/pocd/CodeSystem/measurement-status"
_INTERPRETATION = "http://terminology.hl7.org/CodeSystem/v3-ObservationInterpretation"
_ABSENT = "http://terminology.hl7.org/CodeSystem/data-absent-reason"
_ABSENT_EXTENSION = "http://hl7.org/fhir/StructureDefinition/data-absent-reason"
_LOCATION_EXTENSION = "http://hl7.org/fhir/StructureDefinition/event-location"
_PARTICIPANT = "http://terminology.hl7.org/CodeSystem/provenance-participant-type"
_OFF_SCALE = {"<": ("<", "Off scale low"), "<=": ("<", "Off scale low"), ">": (">", "Off scale high"),
              ">=": (">", "Off scale high")}  # fmt: skip

# Slots of a template. Those up to TERMINATOR are the same for every Observation of a set.
_SLOTS = (
    "uuid", "identity", "patient", "encounter", "effective", "performer", "device", "location", "notes",
    "original", "number0", "number1", "number2", "number3", "end",
)  # fmt: skip
_POSITION = {name: index for index, name in enumerate(_SLOTS)}
_NUMBERS = (_POSITION["number0"], _POSITION["number1"], _POSITION["number2"], _POSITION["number3"])
_ORIGINAL = _POSITION["original"]
_MARKED_TIME = "1901-02-03T04:05:06+07:00"
_MARK = re.compile(
    r'slot-(uuid|identity|patient|encounter|performer|device|location|original)-slot|\{"text":"slot-(notes)-slot"\}'
    rf"|({re.escape(_MARKED_TIME)})|98765432(\d)\.5"
)
_SHAPES_KEPT = 4096
_TEXTS_KEPT = 20_000


class _Template(NamedTuple):
    """A serialised record split at its slots: `pieces` has as many texts as `pick` returns values."""

    pieces: tuple[str, ...]
    pick: Callable[[list[str]], tuple[str, ...]]


def _inner(text: str) -> str:
    """Text as the inside of a JSON string."""
    return json.dumps(text, ensure_ascii=False)[1:-1]


def _mark(name: str) -> str:
    return f"slot-{name}-slot"


def uuid_root(identity: str) -> str:
    """All but the last four hex digits of a UUID version 8 (RFC 9562) made from 32 hex digits."""
    variant = "89ab"[int(identity[16], 16) & 3]
    return f"{identity[:8]}-{identity[8:12]}-8{identity[13:16]}-{variant}{identity[17:20]}-{identity[20:28]}"


def _if_none_exist(system: str, value: str) -> str:
    return f"identifier={quote(system, safe=':/.-_~')}|{quote(value, safe='.-_~')}"


def _coding(coding: Coding) -> dict[str, str]:
    return {"system": coding.system, "code": coding.code, "display": coding.display}


def _concept(codings: Sequence[Coding], text: str = "") -> dict[str, Any]:
    concept: dict[str, Any] = {"coding": [_coding(coding) for coding in codings]}
    if text:
        concept["text"] = text
    return concept


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
    ) -> None:
        self.container: Container = container
        self.limit = mapping.output.fhir.bundle_limit
        self.fresh: list[str] = []
        self._mapping = mapping
        self._output = mapping.output
        self._us_core = mapping.output.fhir.profile == "us-core"
        self._received = received
        self._export_sha256 = export_sha256
        self._mapping_sha256 = mapping_sha256
        self._gateway_version = gateway_version
        self._vitals = vitals()
        self._panels = panels()
        self._templates: dict[tuple[Any, ...], _Template] = {}
        self._shapes: dict[Reading, tuple[Any, ...]] = {}
        self._numbers: dict[Reading, str] = {}
        self._parties: dict[Party, str] = {}

    # -- one set ---------------------------------------------------------------------------------------------------

    def observations(self, item: SetItem) -> list[str]:
        """The Observations of a set, each as one text: a line's JSON (`ndjson`) or a bundle entry's JSON."""
        identity = item.identity
        parties = self._parties
        if len(parties) > _TEXTS_KEPT:
            parties.clear()
        options = (
            item.device is not None, item.operator is not None, item.encounter is not None,
            item.location is not None, bool(item.notes),
        )  # fmt: skip
        device = ""
        if item.device is not None:
            device = self.device_uuid(item.device) if self.container != "ndjson" else self.device_id(item.device)
        context = [
            uuid_root(identity),
            identity,
            self._party(item.patient),
            self._party(item.encounter),
            item.moment.fhir,
            self._party(item.operator),
            device,
            self._party(item.location),
            self._notes(item.notes) if item.notes else "",
            "", "", "", "", "", "",
        ]  # fmt: skip
        records: list[str] = []
        keys: list[str] = []
        for key, members in self._groups(item.readings):
            shape = (key, options, tuple([self._shape(reading) for reading in members]))
            template = self._templates.get(shape)
            new = template is None
            if template is None:
                template = self._compile(shape, key, members, item)
            for position, reading in zip(_NUMBERS, members, strict=False):
                if reading is not None:
                    number = self._numbers.get(reading)
                    context[position] = self._number(reading) if number is None else number
            if self._output.keep_original:
                context[_ORIGINAL] = self._originals(members)
            record = "".join(chain.from_iterable(zip(template.pieces, template.pick(context), strict=True)))
            if new:
                self.fresh.append(record)
            records.append(record)
            keys.append(key)
        if self._output.fhir.panel and keys:
            panel_shape = ("vital_signs", options, tuple(keys))
            panel_template = self._templates.get(panel_shape)
            if panel_template is None:
                panel_template = self._compile_set_panel(panel_shape, keys, item)
            records.append(
                "".join(chain.from_iterable(zip(panel_template.pieces, panel_template.pick(context), strict=True)))
            )
        return records

    def _groups(self, readings: Sequence[Reading]) -> list[tuple[str, list[Reading | None]]]:
        """Readings by the Observation they go into: (key of vital or panel, members in fixed order)."""
        groups: list[tuple[str, list[Reading | None]]] = []
        panel_at: dict[str, int] = {}
        table = self._vitals
        for reading in readings:
            vital = table[reading.vital]
            panel = vital.panel
            if not panel and self._us_core and reading.vital in _OXYGEN:
                panel = "spo2"
            if not panel:
                groups.append((reading.vital, [reading]))
                continue
            if panel == "spo2":
                if "spo2" not in panel_at:
                    if not any(other.vital == "spo2" and other.value is not None for other in readings):
                        groups.append((reading.vital, [reading]))
                        continue
                    panel_at["spo2"] = len(groups)
                    groups.append(("spo2", [None] * len(_OXYGEN)))
                groups[panel_at["spo2"]][1][_OXYGEN.index(reading.vital)] = reading
                continue
            members = self._panels[panel].members
            if panel not in panel_at:
                panel_at[panel] = len(groups)
                groups.append((panel, [None] * len(members)))
            groups[panel_at[panel]][1][members.index(reading.vital)] = reading
        return groups

    def _shape(self, reading: Reading | None) -> tuple[Any, ...] | None:
        if reading is None:
            return None
        shape = self._shapes.get(reading)
        if shape is None:
            if len(self._shapes) > _TEXTS_KEPT:
                self._shapes.clear()
            shape = (
                reading.vital, reading.value is None, reading.unit, reading.comparator, reading.code, reading.site,
                reading.method, reading.reason, reading.meaning,
                reading.flagged and self._output.mark_questionable,
                self._output.keep_original and bool(_original(reading)),
            )  # fmt: skip
            self._shapes[reading] = shape
        return shape

    def _number(self, reading: Reading) -> str:
        if len(self._numbers) > _TEXTS_KEPT:
            self._numbers.clear()
        text = "" if reading.value is None else format(reading.value, "f")
        self._numbers[reading] = text
        return text

    def _party(self, party: Party | None) -> str:
        if party is None:
            return ""
        text = self._parties.get(party)
        if text is None:
            text = self._parties[party] = _inner(party.value)
        return text

    def _notes(self, notes: Sequence[str]) -> str:
        return ",".join(f'{{"text":"{_inner(note)}"}}' for note in notes)

    def _originals(self, members: Sequence[Reading | None]) -> str:
        texts = [_original(reading) for reading in members if reading is not None]
        return _inner("Exported as " + ", ".join(text for text in texts if text) + ".")

    # -- devices and bundles ---------------------------------------------------------------------------------------

    def device_system(self, device: Party) -> str:
        """Identifier system of a device: the mapping's, or one under the site's namespace."""
        return device.system or f"{self._mapping.namespace}/device"

    def _device_digest(self, device: Party) -> str:
        return hashlib.blake2b(f"{self.device_system(device)}|{device.value}".encode(), digest_size=16).hexdigest()

    def device_uuid(self, device: Party) -> str:
        """The fullUrl of the Device entry in a bundle."""
        return "urn:uuid:" + uuid_root(self._device_digest(device)) + "0000"

    def device_id(self, device: Party) -> str:
        """Reference of the Device line in NDJSON."""
        return "Device/" + self._device_digest(device)

    def device(self, device: Party) -> str:
        """A Device resource as a line's JSON or a bundle entry's JSON."""
        from fhir.resources.R4B.device import Device

        identifier = {"system": self.device_system(device), "value": device.value}
        content: dict[str, Any] = {"resourceType": "Device", "identifier": [identifier]}
        if self.container == "ndjson":
            content["id"] = self._device_digest(device)
        text = Device.model_validate(content).model_dump_json()
        return self._entry(text, self.device_uuid(device), "Device", _if_none_exist(**identifier))

    def provenance(self, references: Sequence[str], moments: Sequence[Moment], number: str) -> str:
        """A Provenance for the records named, as a line's JSON or a bundle entry's JSON.

        Args:
            references: references of the target Observations.
            moments: times of the records; the newest stands in for a time of receipt that was not given.
            number: position of the bundle or file, part of the identifier.
        """
        from fhir.resources.R4B.provenance import Provenance

        digest = hashlib.blake2b(
            "|".join(
                [self._mapping.namespace, self._export_sha256, self._mapping_sha256, number, *references]
            ).encode(),
            digest_size=16,
        ).hexdigest()
        recorded = self._received
        if not recorded:
            exact = [moment for moment in moments if moment.precision != "day"]
            recorded = max(exact, key=lambda moment: moment.epoch).fhir if exact else ""
        version = self._gateway_version
        content: dict[str, Any] = {
            "resourceType": "Provenance",
            "target": [{"reference": _mark("identity")}],
            "agent": [
                {
                    "type": {"coding": [{"system": _PARTICIPANT, "code": "assembler", "display": "Assembler"}]},
                    "who": {"display": f"spot-check gateway {version}".strip()},
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
        if recorded:
            content["recorded"] = recorded
        else:
            content["_recorded"] = {"extension": [{"url": _ABSENT_EXTENSION, "valueCode": "unknown"}]}
        if self.container == "ndjson":
            content["id"] = digest
        text: str = Provenance.model_validate(content).model_dump_json()
        if recorded:
            written = re.search(r'"recorded":"([^"]*)"', text)
            assert written is not None
            text = text.replace(written.group(0), f'"recorded":"{recorded}"', 1)
        before, after = text.split('{"reference":"' + _mark("identity") + '"}')
        targets = ",".join(f'{{"reference":"{reference}"}}' for reference in references)
        return self._entry(before + targets + after, "urn:uuid:" + uuid_root(digest) + "0001", "Provenance", "")

    def reference(self, identity: str, key: str) -> str:
        """Reference to the Observation of `key` in the set `identity`, as other records name it."""
        if self.container == "ndjson":
            return f"Observation/{identity}-{key.replace('_', '-')}"
        return f"urn:uuid:{uuid_root(identity)}{self._serial(key):04x}"

    def keys(self, item: SetItem) -> list[str]:
        """Keys of the Observations that `observations` gives for the set, in order."""
        keys = [key for key, _ in self._groups(item.readings)]
        if self._output.fhir.panel and keys:
            keys.append("vital_signs")
        return keys

    def bundle(self, entries: Sequence[str]) -> str:
        """A Bundle of the given entries, as JSON without a line end."""
        return f'{{"resourceType":"Bundle","type":"{self.container}","entry":[{",".join(entries)}]}}'

    def _entry(self, resource: str, full_url: str, kind: str, if_none_exist: str) -> str:
        if self.container == "ndjson":
            return resource
        entry = f'{{"fullUrl":"{full_url}","resource":{resource}'
        if self.container == "transaction":
            entry += f',"request":{{"method":"POST","url":"{kind}"'
            if if_none_exist:
                entry += f',"ifNoneExist":"{_inner(if_none_exist)}"'
            entry += "}"
        return entry + "}"

    def _serial(self, key: str) -> int:
        return self._panels[key].number if key in self._panels else self._vitals[key].number

    # -- shapes ----------------------------------------------------------------------------------------------------

    def _compile(self, shape: tuple[Any, ...], key: str, members: Sequence[Reading | None], item: SetItem) -> _Template:
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
        return self._split(shape, key, content)

    def _compile_set_panel(self, shape: tuple[Any, ...], keys: Sequence[str], item: SetItem) -> _Template:
        content = self._frame("vital_signs", item)
        panel = self._panels["vital_signs"]
        content["code"] = _concept(panel.codings, panel.title)
        content["hasMember"] = [{"reference": self._marked_reference(key)} for key in keys]
        return self._split(shape, "vital_signs", content)

    def _marked_reference(self, key: str) -> str:
        if self.container == "ndjson":
            return f"Observation/{_mark('identity')}-{key.replace('_', '-')}"
        return f"urn:uuid:{_mark('uuid')}{self._serial(key):04x}"

    def _frame(self, key: str, item: SetItem) -> dict[str, Any]:
        """What every Observation of the set has in common."""
        kind: Vital | Panel = self._panels[key] if key in self._panels else self._vitals[key]
        profile = kind.us_core if self._us_core and kind.us_core else kind.profile
        content: dict[str, Any] = {
            "resourceType": "Observation",
            "identifier": [{"system": self._mapping.namespace, "value": f"{_mark('identity')}.{key}"}],
            "status": self._output.status,
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
        if item.encounter is not None:
            content["encounter"] = {"identifier": _identifier(item.encounter, "encounter")}
        if item.operator is not None:
            content["performer"] = [{"identifier": _identifier(item.operator, "performer")}]
        if item.device is not None:
            content["device"] = {"reference": _mark("device")}
        return content

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
        content["component"] = components
        self._qualify(content, [reading for reading in members if reading is not None])

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
            answer = vital.answers[reading.code]
            content["valueCodeableConcept"] = _concept([answer.coding], answer.title)
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
            if site is not None and site.snomed is not None and "bodySite" not in content:
                content["bodySite"] = _concept([site.snomed], site.title)
            method = vital.methods.get(reading.method) if reading.method else None
            if method is not None and "method" not in content:
                content["method"] = _concept([method.snomed], method.title) if method.snomed else {"text": method.title}

    def _split(self, shape: tuple[Any, ...], key: str, content: dict[str, Any]) -> _Template:
        from fhir.resources.R4B.observation import Observation

        text = Observation.model_validate(content).model_dump_json()
        full_url = f"urn:uuid:{_mark('uuid')}{self._serial(key):04x}"
        if_none_exist = _if_none_exist(self._mapping.namespace, f"{_mark('identity')}.{key}")
        text = self._entry(text, full_url, "Observation", if_none_exist)
        pieces: list[str] = []
        order: list[int] = []
        position = 0
        for match in _MARK.finditer(text):
            name = match.group(1) or match.group(2)
            if match.group(3):
                name = "effective"
            elif match.group(4):
                name = f"number{match.group(4)}"
            pieces.append(text[position : match.start()])
            order.append(_POSITION[name])
            position = match.end()
        pieces.append(text[position:])
        order.append(_POSITION["end"])
        template = _Template(tuple(pieces), itemgetter(*order))
        if len(self._templates) >= _SHAPES_KEPT:
            self._templates.clear()
        self._templates[shape] = template
        return template


_OXYGEN = ("spo2", "oxygen_flow", "oxygen_concentration")


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
    return f'"{reading.text}" ({units()[reading.source_unit].display})'


def _identifier(party: Party, slot: str) -> dict[str, str]:
    value = {"value": _mark(slot)}
    return {"system": party.system} | value if party.system else value


def _hashed(sha256: str) -> dict[str, str]:
    """A hash as an identifier: a "ni" URI of RFC 6920 under the URI system of FHIR."""
    digest = urlsafe_b64encode(bytes.fromhex(sha256)).decode().rstrip("=")
    return {"system": "urn:ietf:rfc:3986", "value": f"ni:///sha-256;{digest}"}
