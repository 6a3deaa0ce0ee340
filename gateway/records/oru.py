"""HL7 v2 output: one ORU^R01^ORU_R01 message for each set, and batch files.

The shape of every segment comes from hl7apy: it is built once with a mark in place of each variable part, validated
strictly, serialised and cut at the marks. A message is then a join of literal pieces and of fragments that are
remembered for each distinct reading, patient, place and device. Text from an export or a mapping is always escaped,
so it can never end a field or a segment.

    MSH PID [PV1] [ORC] OBR NTE* (OBX NTE*)+

Choices that the standard leaves open:

* OBX-3 carries the required LOINC code and, where there is one, the MDC code of the vital or of its site; the mapping
  says which leads. With MDC leading, OBX-6 carries the MDC unit after the UCUM unit.
* A body site stands in OBX-20 in 2.6. 2.5.1 has no such field: there it is a second repetition of OBX-17.
* An identifier's assigning authority is the mapping's `authority`, taken whole as the namespace, or read as
  namespace & universal id & type when it has these three parts and the type is of table 0301. Without an authority
  the identifier system's URI is the universal id.
* A location of up to 20 characters is the point of care (PL.1); a longer one is the description (PL.9).
* A revised set is sent as a message of its own with just the OBX that are new or corrected, or with all there are;
  OBR-3, OBX-3 and OBX-4 are those of the first message, so that a receiver can match them. A corrected result is C in
  OBX-11 and makes OBR-25 C. C replaces final results only (table 0085): what could not be measured before (X) or was
  preliminary is F when it comes. A correction of an unverified result is P, and OBR-25 stays P.
* MSH-7 is the time of the message (by default that of the set, so that the same export gives the same bytes). Of a
  revised or withdrawn set MSH-7 and OBR-22 (results rpt/status change) say when that was done, so that the newer of two
  messages is known; OBR-7 and OBX-14 stay the time of the measurement. OBX-19 is the time of an analysis, and no fit.
* Mode, cuff size and body position of a blood pressure are OBX of their own, behind the others: coded where a code is
  published, else text (ST). What started a measurement is not put into OBX-17, whose AMEAS and MMEAS say who measured.
* OBX-8 and OBX-11 follow the HL7 Point-of-Care Device guide: an absent value is X with INV (an attempt failed) or NAV,
  a questionable one keeps its value with QUES, an unverified one is R.
* Where the monitor's clock was compared, the first OBX holds its time as displayed, with the true time in OBX-14 and
  what was done in an NTE (IHE change proposal CP-PCD-081). Its type is DTM in 2.6 and TS in 2.5.1, whose table 0125
  has no DTM.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from collections.abc import Mapping as Lookup
from dataclasses import replace
from functools import cache
from hashlib import sha256
from importlib import import_module
from itertools import chain, repeat
from typing import Any, NamedTuple, TypeVar

from gateway.errors import MappingError, UsageError, VocabularyError
from gateway.mapping.model import Identified, Mapping
from gateway.model import ClockPair, Outcome, Party, Reading, Revised, SetItem
from gateway.records.pieces import Pieces
from gateway.vocabulary import LOINC, MDC, SNOMED, UCUM, Coding, Site, panels, qualifiers, units, vitals

__all__ = ["OruRenderer", "batch_like", "restated"]

_Key = TypeVar("_Key")
_Value = TypeVar("_Value")

_REMEMBERED = 50_000
"""Entries in one memo before it is emptied: the memory stays bounded, whatever the export holds."""

DEVICE_TIME = Coding(MDC, "67975", "MDC_ATTR_TIME_ABS")
"""Source: IHE PCD change proposal CP-PCD-081, the clock of a device against that of its gateway."""

_LOCAL = "local"
_SYSTEMS = {LOINC: "LN", MDC: "MDC", UCUM: "UCUM", SNOMED: "SCT", _LOCAL: "L"}
"""FHIR system URI -> HL7 table 0396 code; L is for codes that nobody has published."""

_UNIVERSAL = frozenset({"DNS", "GUID", "HCD", "HL7", "ISO", "L", "M", "N", "Random", "URI", "UUID", "x400", "x500"})
"""HL7 table 0301, as hl7apy 1.3.5 lists it for 2.5.1."""

_FAILED = frozenset({"error", "not-a-number", "negative-infinity", "positive-infinity"})
"""data-absent-reason codes of an attempt that failed ("error" and its children); the others mean: not available."""

_BODY_SITES = "http://terminology.hl7.org/CodeSystem/v2-0163"

_NOWHERE = ("", "")

_IS = 20
"""Characters that type IS holds: the namespace of an HD or EI, and PL.1."""

_ENCODING = "^~\\&"
_LINE_ENDS = re.compile("\r\n|[\n\r\x0b\x0c\x85\u2028\u2029]")
_DTM = re.compile(r"\d{4}(\d\d(\d\d(\d\d(\d\d(\d\d(\.\d{1,4})?)?)?)?)?)?([+-]\d{4})?")


# ---------------------------------------------------------------------------------------------------- text


def _escapes() -> dict[int, str]:
    """HL7 v2 escape sequences: the five separators, and as hexadecimal UTF-8 whatever could end a line or a frame."""
    controls = [*range(0x20), 0x7F, 0x85, 0x2028, 0x2029]
    table = {code: f"\\X{chr(code).encode().hex().upper()}\\" for code in controls}
    return table | str.maketrans({"\\": "\\E\\", "|": "\\F\\", "^": "\\S\\", "&": "\\T\\", "~": "\\R\\"})


_ESCAPES = _escapes()


def _escaped(text: str) -> str:
    """Escape the text of one component."""
    if text == '""':
        return "\\X2222\\"  # two bare quotes would tell the receiver to delete what it holds
    return text.translate(_ESCAPES)


def _formatted(text: str) -> str:
    """Escape text for a field of type FT, where a line end is the escape `.br`."""
    return "\\.br\\".join(_escaped(line) for line in _LINE_ENDS.split(text))


def _tidy(er7: str) -> str:
    """Leave out separators that separate nothing; escaped text holds none, so only empty parts are lost."""
    opening = er7[:9] if er7[3:9] == f"|{_ENCODING}|" else ""
    er7 = er7[len(opening) :]
    er7 = re.sub(r"[&^]+(?=[|~]|$)|&+(?=\^)", "", er7)
    return opening + re.sub(r"(?<=\|)~+|~+(?=\||$)", "", er7)


# ----------------------------------------------------------------------------------------------- templates


class _Template(Pieces):
    """A segment as hl7apy serialised it."""

    def fill(self, values: Lookup[str, str]) -> str:
        """Put a value, already escaped, into each slot; a slot without a value stays empty."""
        parts = [self.texts[0]]
        for slot, text in zip(self.slots, self.texts[1:], strict=True):
            parts += values.get(slot, ""), text
        return _tidy("".join(parts))

    def segment(self, values: Lookup[str, str]) -> str:
        """Fill all slots and end the segment."""
        return self.fill(values).rstrip("|") + "\r"


class _Shapes(NamedTuple):
    """The templates of one HL7 version; `observation` by OBX-2, "" for an absent value."""

    header: _Template
    patient: _Template
    visit: _Template
    order: _Template
    request: _Template
    note: _Template
    clock: _Template
    observation: Lookup[str, _Template]
    openings: tuple[_Template, _Template]
    closings: tuple[_Template, _Template]


_SLOT = re.compile(r"\{(\w+)\}")
_MARKS = {"number": "7301", "value": "7302.5", "time": "19010203040506", "shown": "19020304050607"}
"""Marks for slots whose type refuses a word (SI, NM, DTM)."""

_TRIPLETS = ("code", "text", "system", "code2", "text2", "system2")
_HD = ("namespace", "universal", "type")
_HEADER_NAMES = {3: "sending_application", 4: "sending_facility", 5: "receiving_application", 6: "receiving_facility"}


@cache
def _shapes(version: str) -> _Shapes:
    """Build every segment with hl7apy, and a message of them all, strictly; once for each version.

    Raises:
        hl7apy.exceptions.HL7apyException: a shape is not valid in this version (a fault in the gateway).
        VocabularyError: hl7apy did not give every mark back (likewise).
    """

    def parts(slot: str, names: Sequence[str], separator: str = "^") -> str:
        return separator.join(f"{{{slot}_{name}}}" for name in names)

    def identifier(slot: str) -> str:
        return f"{{{slot}_id}}^^^{parts(slot, _HD, '&')}^{{{slot}_kind}}"

    def template(name: str, fields: dict[int, str]) -> _Template:
        return _template(version, name, fields)

    names = {number: parts(name, _HD) for number, name in _HEADER_NAMES.items()}
    filler = "{identity}^" + parts("filler", _HD)
    late_site = version != "2.5.1"
    shared = {
        1: "{number}",
        3: parts("code", _TRIPLETS),
        4: "{sub_id}",
        8: "{scale}~{quality}",
        11: "{status}",
        14: "{time}",
        16: f"{{operator_id}}^^^^^^^^{parts('operator', _HD, '&')}^^^^{{operator_kind}}",
        17: parts("method", _TRIPLETS) + ("" if late_site else "~" + parts("site", _TRIPLETS)),
        18: f"{{device_id}}^{parts('device', _HD)}",
    } | ({20: parts("site", _TRIPLETS)} if late_site else {})
    coded = _coded_type(version)
    unit = parts("unit", _TRIPLETS)
    shapes = _Shapes(
        header=template(
            "MSH",
            names
            | {7: "{time}", 9: "ORU^R01^ORU_R01", 10: "{control}", 11: "{processing}", 12: version, 18: "{characters}"}
            | {21: f"{{profile_id}}^{parts('profile', _HD)}"},
        ),
        patient=template("PID", {1: "1", 3: identifier("patient"), 5: "^^^^^^U"}),
        visit=template(
            "PV1",
            {
                1: "1",
                2: "{class}",
                3: f"{{location_point}}^^^{parts('location', _HD, '&')}^^^^^{{location_description}}",
                19: identifier("encounter"),
            },
        ),
        order=template("ORC", {1: "RE", 3: filler}),
        request=template("OBR", {1: "1", 3: filler, 4: parts("code", _TRIPLETS), 7: "{time}", 25: "{status}"}),
        note=template("NTE", {1: "{number}", 3: "{comment}"}),
        clock=template(
            "OBX",
            {1: "{number}", 2: "DTM" if late_site else "TS", 3: parts("code", _TRIPLETS[:3]), 4: "1.0.0.1"}
            | {5: "{shown}", 11: "R", 14: "{time}"},
        ),
        observation={
            "NM": template("OBX", shared | {2: "NM", 5: "{value}", 6: unit}),
            "SN": template("OBX", shared | {2: "SN", 5: "{comparator}^{value}", 6: unit}),
            coded: template("OBX", shared | {2: coded, 5: parts("answer", _TRIPLETS)}),
            "ST": template("OBX", shared | {2: "ST", 5: "{value}"}),
            "": template("OBX", shared),
        },
        openings=(
            template("FHS", names | {7: "{time}", 9: "{name}", 11: "{control}"}),
            template("BHS", names | {7: "{time}", 9: "{name}", 11: "{control}"}),
        ),
        closings=(template("BTS", {1: "{number}"}), template("FTS", {1: "{number}"})),
    )
    order = [shapes.header, shapes.patient, shapes.visit, shapes.order, shapes.request, shapes.note]
    for observation in (shapes.clock, *shapes.observation.values()):
        order += [observation, shapes.note]
    sample = "".join(part.segment({slot: _MARKS.get(slot, "SLOT") for slot in part.slots}) for part in order)
    strict = import_module("hl7apy.consts").VALIDATION_LEVEL.STRICT
    import_module("hl7apy.parser").parse_message(sample, validation_level=strict, find_groups=True).validate()
    return shapes


def _template(version: str, name: str, fields: dict[int, str]) -> _Template:
    """Build one segment, let hl7apy validate it, and cut it at its slots.

    Args:
        version: HL7 version.
        name: segment name.
        fields: field number and its content in ER7, with `{slot}` for each variable component.
    """
    strict = import_module("hl7apy.consts").VALIDATION_LEVEL.STRICT
    segment: Any = import_module("hl7apy.core").Segment(name, version=version, validation_level=strict)
    slots: dict[str, str] = {}

    def mark(match: re.Match[str]) -> str:
        marked = _MARKS.get(match[1], f"SLOT{len(slots):02}Z")
        slots[marked] = match[1]
        return marked

    if name == "MSH":
        segment.msh_1, segment.msh_2 = "|", _ENCODING
    for number, content in sorted(fields.items()):
        for repetition in content.split("~"):
            segment.add_field(f"{name}_{number}").value = _SLOT.sub(mark, repetition)
    er7: str = segment.to_er7()
    if name in ("FHS", "BHS"):
        # hl7apy takes the encoding characters in FHS-2 and BHS-2 for separators, so fields 1 and 2 are added here;
        # it checked the others when they were set.
        er7 = er7.replace(f"{name}|||", f"{name}|{_ENCODING}|", 1)
    else:
        segment.validate()
    made = _Template.of(er7, re.compile("|".join(map(re.escape, slots)) or "(?!)"), lambda match: slots[match[0]])
    if made.slots != tuple(slots.values()):
        raise VocabularyError(f"The {name} segment of HL7 {version} cannot be cut into a template")
    return made


def _coded_type(version: str) -> str:
    """OBX-2 of a coded answer: CE up to 2.5.1, CWE from 2.6."""
    return "CE" if version == "2.5.1" else "CWE"


# ----------------------------------------------------------------------------------------- values of slots


def _triplets(slot: str, *codings: Coding | None, text: str = "") -> dict[str, str]:
    """A CE or CWE: the first two codings there are, or the text alone when there is none."""
    parts: list[str] = []
    for coding in codings:
        if coding is not None:
            parts += _escaped(coding.code), _escaped(coding.display), _system(coding.system)
    values = dict(zip(_TRIPLETS, parts, strict=False)) if parts else {"text": _escaped(text)}
    return {f"{slot}_{name}": value for name, value in values.items()}


def _system(uri: str) -> str:
    """HL7 table 0396 code of a coding system.

    Raises:
        VocabularyError: the system has no code there.
    """
    if uri in _SYSTEMS:
        return _SYSTEMS[uri]
    table = re.fullmatch(r"http://terminology\.hl7\.org/CodeSystem/v2-(\d{4})", uri)
    if table is None:
        raise VocabularyError(f"The coding system {uri} has no HL7 v2 name (table 0396)")
    return f"HL7{table[1]}"


def _site(site: Site | None) -> dict[str, str]:
    """The body site: SNOMED CT and table 0163 where known, else the LOINC code that names it, else its title."""
    if site is None:
        return {}
    local = Coding(_BODY_SITES, site.v2, site.title) if site.v2 else None
    known = (site.snomed, local) if site.snomed or local else (site.loinc,)
    return _triplets("site", *known, text=site.title)


def _authority(authority: str, system: str = "") -> tuple[str, str, str]:
    """Namespace, universal id and its type (an HD) from the mapping's authority, else from the system's URI."""
    parts = re.split(r"[&^]", authority)
    if len(parts) == 3 and parts[1] and parts[2] in _UNIVERSAL:
        return parts[0], parts[1], parts[2]
    if authority or not system:
        return authority, "", ""
    for prefix, kind in (("urn:oid:", "ISO"), ("urn:uuid:", "UUID")):
        if system.startswith(prefix):
            return "", system.removeprefix(prefix), kind
    return "", system, "URI"


def _assigner(slot: str, authority: str, system: str = "") -> dict[str, str]:
    """An HD, or the parts 2 to 4 of an EI."""
    return {f"{slot}_{name}": _escaped(part) for name, part in zip(_HD, _authority(authority, system), strict=True)}


def _identified(slot: str, party: Party | None) -> dict[str, str]:
    """An identifier with its assigning authority and type."""
    if party is None:
        return {}
    values = _assigner(slot, party.authority, party.system)
    return values | {f"{slot}_id": _escaped(party.value), f"{slot}_kind": _escaped(party.type)}


def _profile(text: str) -> dict[str, str]:
    """MSH-21 from the mapping's EI."""
    names = ("id", *_HD)
    return {f"profile_{name}": _escaped(part) for name, part in zip(names, text.split("^"), strict=False)}


def _check_names(mapping: Mapping) -> None:
    """Refuse names that do not fit their HL7 field.

    Raises:
        MappingError: with every such name among its problems.
    """
    choices = mapping.output.oru
    given = {f"output.oru.{name}": _authority(getattr(choices, name)) for name in _HEADER_NAMES.values()}
    given["patient.authority"] = _authority(mapping.patient.authority, mapping.patient.system)
    if mapping.patient.systems is not None:
        for text, each in mapping.patient.systems.values.items():
            given[f"patient.systems.values.{text}.authority"] = _authority(each.authority, each.system)
    for name in ("device", "operator", "location", "encounter"):
        known: Identified = getattr(mapping, name)
        given[f"{name}.authority"] = _authority(known.authority, known.system)
    problems = [
        MappingError(
            f"A name of {len(namespace)} characters does not fit HL7, which allows {_IS} (type IS)",
            where=key,
            todo="Shorten it, or write namespace&universal id&type with a short namespace, such as LAB&1.2.3.4&ISO",
        )
        for key, (namespace, _, _) in given.items()
        if len(namespace) > _IS
    ]
    parts = choices.profile_identifier.split("^")
    if len(parts) > 4 or len("".join(parts[1:2])) > _IS:
        problems.append(
            MappingError(
                f"The profile identifier is not an EI: up to four parts, the second of up to {_IS} characters",
                where="output.oru.profile_identifier",
                todo="Write name^namespace^universal id^type",
            )
        )
    if problems:
        raise MappingError("The mapping's HL7 names cannot be used", problems=problems)


# ------------------------------------------------------------------------------------------------ renderer


class _Observation(NamedTuple):
    """What is remembered of one reading.

    Attributes:
        head: its OBX from behind OBX-1 up to OBX-14.
        places: (method, site), the same object for all readings alike in this; both stand behind OBX-14.
        after: the NTE segments behind it.
        qualifiers: of its measurement.
    """

    head: str
    places: tuple[str, str]
    after: str
    qualifiers: tuple[tuple[str, str], ...]


class OruRenderer:
    """Renders sets as ORU^R01 messages: same set and mapping, same bytes.

    What a `Reading` or `Party` becomes is remembered by the object, so neither may be changed once it was rendered.

    Args:
        mapping: the mapping; `mapping.output` and `mapping.output.oru` hold the choices.
        received: HL7 DTM for MSH-7; "" for each set's own time, so that the output does not depend on a clock.
        changed: HL7 DTM of the change for MSH-7 and OBR-22 of revised sets.

    Attributes:
        fresh: messages that were the first to hold some shape of segment; the caller may check these more deeply and
            empty the list.

    Raises:
        MappingError: a name in the mapping does not fit its HL7 field.
        UsageError: `received` is not a DTM.
    """

    def __init__(self, mapping: Mapping, received: str = "", changed: str = "") -> None:
        if received and not _DTM.fullmatch(received):
            raise UsageError(
                "The time of receipt is not an HL7 DTM", todo="Give it as YYYYMMDDHHMMSS and an offset such as +0100"
            )
        _check_names(mapping)
        choices = mapping.output.oru
        self.fresh: list[str] = []
        self._output = mapping.output
        self._received = received
        self._changed = changed
        self._mdc_leads = choices.first_code == "mdc"
        self._status = "F" if mapping.output.status == "final" else "R"
        self._shapes = shapes = _shapes(choices.version)
        self._coded = _coded_type(choices.version)
        self._vitals = vitals()
        self._units = units()

        self._names: dict[str, str] = {}
        for name in _HEADER_NAMES.values():
            self._names |= _assigner(name, getattr(choices, name))
        header = self._names | _profile(choices.profile_identifier) | {"processing": choices.processing}
        self._header = self._cut_header(header)
        self._header_unicode = self._cut_header(header | {"characters": "UNICODE UTF-8"})
        self._ascii = "".join(header.values()).isascii()

        panel = panels()["vital_signs"]
        request = _assigner("filler", choices.sending_application) | self._lead("code", panel.codings[0], panel.mdc)
        request["status"] = "F" if mapping.output.status == "final" else "P"
        behind = shapes.request.after("identity")
        self._request = (
            shapes.request.before("identity").fill(request),
            behind.before("time").fill(request),
            behind.after("time").segment(request),
        )
        self._order = (
            (shapes.order.before("identity").fill(request), shapes.order.after("identity").segment(request))
            if choices.orc
            else None
        )

        self._observations: dict[Reading, _Observation] = {}
        self._places: dict[tuple[str, str], tuple[str, str]] = {}
        self._tails: dict[tuple[Party | None, Party | None, tuple[str, str]], str] = {}
        self._heads: dict[tuple[Party, Party | None, Party | None], str] = {}
        self._clocks: dict[ClockPair, str] = {}
        self._comments: dict[tuple[str, ...], str] = {}
        self._said: dict[tuple[tuple[str, str], ...], tuple[str, ...]] = {}
        self._seen: set[tuple[object, ...]] = set()
        self._new = False
        self._unicode_seen = False

    def message(self, item: SetItem, *, whole: bool = False) -> str:
        """Render one set; every segment ends with a carriage return.

        MSH-10 is made from the set's identity and everything behind MSH, but for the time of a change: the same content
        sent again has the same control id, changed content a new one. MSH-18 is filled when the message is not ASCII.

        Args:
            item: the set.
            whole: of a revised set, all readings it has now and not just those that are new or corrected.

        Raises:
            ValueError: a revised set has no reading that was added or corrected (a fault in the gateway).
        """
        if item.revised is not None:
            return self._revised(item, item.revised, whole=whole)
        dtm = item.moment.dtm
        identity = item.identity
        who = (item.patient, item.location, item.encounter)
        parts = [self._heads.get(who) or self._head(*who)]
        add = parts.append
        if self._order:
            add(f"{self._order[0]}{identity}{self._order[1]}")
        before, between, behind = self._request
        add(f"{before}{identity}{between}{dtm}{behind}")
        if item.notes:
            add(self._comments.get(item.notes) or self._comment(item.notes))
        observations = self._observations
        operator, device = item.operator, item.device
        places: tuple[str, str] | None = None
        tail = ""
        stated: tuple[tuple[str, str], ...] = ()
        first = 1
        if item.moment.own is not None and item.moment.own.pair is not None:
            add(self._clocks.get(item.moment.own.pair) or self._clock(item.moment.own.pair))
            first = 2
        for number, reading in enumerate(item.readings, first):
            head, found, after, qualifiers = observations.get(reading) or self._observation(reading)
            if qualifiers:
                stated += qualifiers
            if found is not places:
                places = found
                tail = dtm + (
                    self._tails.get((operator, device, places)) or self._tail(operator, device, places, reading)
                )
            add(f"OBX|{number}{head}{tail}{after}")
        if stated:
            tail = dtm + (self._tails.get((operator, device, _NOWHERE)) or self._tail(operator, device, _NOWHERE, None))
            for number, head in enumerate(self._said.get(stated) or self._say(stated), len(item.readings) + first):
                add(f"OBX|{number}{head}{tail}")
        content = "".join(parts)
        control = _control(identity, content)
        ascii_only = self._ascii and content.isascii()
        before, between, behind = self._header if ascii_only else self._header_unicode
        text = f"{before}{self._received or dtm}{between}{control}{behind}{content}"
        if self._new or not (ascii_only or self._unicode_seen):
            self._unicode_seen |= not ascii_only
            self._new = False
            self.fresh.append(text)
        return text

    def _revised(self, item: SetItem, revised: Revised, *, whole: bool) -> str:
        """A message of the readings that are new or corrected, or of all."""
        changed = revised.added | revised.corrected
        readings = tuple([each for each in item.readings if whole or each.vital in changed])
        if not any(each.vital in changed for each in readings):
            raise ValueError("a revised set has no reading that was added or corrected")
        final = self._output.status == "final"
        replaced = revised.replaced if final else revised.corrected - revised.unmeasured
        corrected = [each.vital in replaced for each in readings]
        self._see("revised", *sorted(set(corrected)))
        before = len(self.fresh)
        plain = self.message(replace(item, readings=readings, revised=None))
        looked_at = len(self.fresh) > before
        del self.fresh[before:]
        # How a value was taken is corrected with it; these results stand behind the others.
        beside = any(mark and reading.qualifiers for mark, reading in zip(corrected, readings, strict=True))
        marks = chain(corrected, repeat(beside))

        def status(found: str) -> str:
            return ("C" if final else "P") if next(marks) and found != "X" else found

        report = "C" if final and any(corrected) else ""
        text = restated(plain, status, report, self._changed, revision=revised.revision)
        if looked_at:
            self.fresh.append(text)
        return text

    def batch(self, messages: Sequence[str], number: str) -> str:
        """Put messages of this renderer into a batch file of one batch: FHS BHS ... BTS FTS.

        Args:
            messages: rendered messages.
            number: name of the batch for FHS-9 and BHS-9; FHS-11 and BHS-11 are made from it and from the control
                ids of the messages.
        """
        return _batch(self._shapes, self._names, messages, number, self._received)

    def _cut_header(self, values: Lookup[str, str]) -> tuple[str, str, str]:
        """MSH around MSH-7 and MSH-10."""
        behind = self._shapes.header.after("time")
        return (
            self._shapes.header.before("time").fill(values),
            behind.before("control").fill(values),
            behind.after("control").segment(values),
        )

    def _lead(self, slot: str, loinc: Coding, mdc: Coding | None) -> dict[str, str]:
        """LOINC and MDC in the order the mapping asks for."""
        return _triplets(slot, mdc, loinc) if self._mdc_leads else _triplets(slot, loinc, mdc)

    def _head(self, patient: Party, location: Party | None, encounter: Party | None) -> str:
        """PID, and PV1 when the place or the encounter is known."""
        values = _identified("patient", patient)
        text = self._shapes.patient.segment(values)
        if location or encounter:
            values |= _identified("location", location) | _identified("encounter", encounter)
            if location:
                part = "point" if len(location.value) <= _IS else "description"
                values[f"location_{part}"] = values.pop("location_id")
            text += self._shapes.visit.segment(values | {"class": self._output.oru.patient_class})
        self._see("head", *(slot for slot, value in values.items() if value))
        return _remember(self._heads, (patient, location, encounter), text)

    def _comment(self, notes: tuple[str, ...]) -> str:
        """The NTE segments behind OBR."""
        self._see("notes")
        return _remember(self._comments, notes, self._notes(notes))

    def _clock(self, pair: ClockPair) -> str:
        """The OBX with the monitor's own time, and its NTE."""
        self._see("clock", len(pair.device_dtm), len(pair.reference_dtm))
        values = _triplets("code", DEVICE_TIME)
        values |= {"number": "1", "shown": pair.device_dtm, "time": pair.reference_dtm}
        return _remember(self._clocks, pair, self._shapes.clock.segment(values) + self._notes([pair.remark]))

    def _notes(self, texts: Sequence[str]) -> str:
        """One NTE for each text."""
        return "".join(
            self._shapes.note.segment({"number": str(number), "comment": _formatted(text)})
            for number, text in enumerate(texts, 1)
        )

    def _tail(
        self, operator: Party | None, device: Party | None, places: tuple[str, str], reading: Reading | None
    ) -> str:
        """The OBX behind OBX-14, which is the same for all readings of one method and site."""
        self._see("tail", *map(bool, (operator, device)), *places)
        vital = self._vitals[reading.vital] if reading is not None else None
        method = vital.methods[places[0]] if vital is not None and places[0] else None
        values = _identified("operator", operator) | _identified("device", device)
        values |= _site(vital.sites[places[1]] if vital is not None and places[1] else None)
        if method:
            values |= _triplets("method", method.v2, method.snomed, text=method.title)
        text = self._shapes.observation[""].after("time").segment(values)
        return _remember(self._tails, (operator, device, places), text)

    def _observation(self, reading: Reading) -> _Observation:
        """What there is to remember of a reading."""
        vital = self._vitals[reading.vital]
        places = (reading.method, reading.site)
        site = vital.sites[reading.site] if reading.site else None
        loinc = vital.codings_by_unit.get(reading.unit, vital.codings)[0]
        values = self._lead("code", loinc, (site and site.mdc) or vital.mdc)
        values |= {"sub_id": vital.sub_id, "status": self._status}
        notes = []
        kind = ""
        if reading.outcome is Outcome.ABSENT:
            values |= {"status": "X", "quality": "INV" if reading.reason in _FAILED else "NAV"}
            notes.append(reading.meaning or f"data-absent-reason: {reading.reason}")
        elif vital.kind == "coded":
            kind = self._coded
            values |= _triplets("answer", vital.answers[reading.code].coding)
        elif reading.value is None:
            raise ValueError(f"a recorded reading of {reading.vital} has no value")
        else:
            kind = "SN" if reading.comparator else "NM"
            unit = self._units[reading.unit]
            alternate = (vital.mdc_unit or unit.mdc) if self._mdc_leads else None
            values |= _triplets("unit", Coding(UCUM, unit.ucum, unit.display), alternate)
            values |= {"value": format(reading.value, "f"), "comparator": reading.comparator}
            values["scale"] = reading.comparator[:1]
            if self._output.keep_original and reading.source_unit and reading.source_unit != reading.unit:
                notes.append(f"Exported as {reading.exported_as(self._units[reading.source_unit].display)}.")
        if kind and reading.flagged and self._output.mark_questionable:
            values["quality"] = "QUES"
        filled = (slot for slot, value in values.items() if value)
        self._see("reading", reading.vital, kind, reading.unit, reading.code, bool(notes), *filled)
        head = self._shapes.observation[kind].after("number").before("time").fill(values)
        places = self._places.setdefault(places, places)
        found = _Observation(head, places, self._notes(notes), reading.qualifiers)
        return _remember(self._observations, reading, found)

    def _say(self, stated: tuple[tuple[str, str], ...]) -> tuple[str, ...]:
        """The OBX of the qualifiers from behind OBX-1 up to OBX-14; of two that disagree the first counts."""
        first = dict(reversed(stated))
        heads = []
        for key, qualifier in qualifiers().items():
            if key not in first:
                continue
            answer = qualifier.answers[first[key]]
            kind = self._coded if answer.coding else "ST"
            code = qualifier.coding or Coding(_LOCAL, qualifier.local, qualifier.title.capitalize())
            values = self._lead("code", code, None) | {"sub_id": qualifier.sub_id, "status": self._status}
            values |= _triplets("answer", answer.coding) if answer.coding else {"value": _escaped(answer.title)}
            self._see("qualifier", key, first[key])
            heads.append(self._shapes.observation[kind].after("number").before("time").fill(values))
        return _remember(self._said, stated, tuple(heads))

    def _see(self, *shape: object) -> None:
        """Mark the message in hand as one to look at more closely when it holds a shape for the first time."""
        if shape not in self._seen:
            self._seen.add(shape)
            self._new = True


def _control(identity: str, content: str) -> str:
    """MSH-10 of a message: the same for the same content."""
    return sha256(f"{identity}|{content}".encode()).hexdigest()[:20].upper()


def _batch(shapes: _Shapes, names: Lookup[str, str], messages: Sequence[str], number: str, received: str) -> str:
    """A batch file; see `OruRenderer.batch`."""
    controls = "|".join(message.split("|", 10)[9] for message in messages)
    control = sha256(f"{number}|{controls}".encode()).hexdigest()[:20].upper()
    values = {**names, "time": received, "name": _escaped(number), "control": control}
    counts = (str(len(messages)), "1")
    return "".join(
        [
            *(shape.segment(values) for shape in shapes.openings),
            *messages,
            *(shape.segment({"number": n}) for shape, n in zip(shapes.closings, counts, strict=True)),
        ]
    )


def batch_like(messages: Sequence[str], number: str, received: str = "") -> str:
    """Put messages into a batch file as `OruRenderer.batch` does, with the names and the version of the first.

    Args:
        messages: at least one message of this gateway; all of the same names and version.
        number: name of the batch for FHS-9 and BHS-9.
        received: HL7 DTM for FHS-7 and BHS-7, or "".
    """
    header = messages[0].split("\r", 1)[0].split("|")
    names = {
        f"{name}_{part}": text
        for place, name in _HEADER_NAMES.items()
        for part, text in zip(_HD, header[place - 1].split("^"), strict=False)
    }
    return _batch(_shapes(header[11]), names, messages, number, received)


def restated(message: str, status: Callable[[str], str], report: str = "", at: str = "", *, revision: int = 0) -> str:
    """The same message with other result statuses; MSH-10 is made anew from what it then says.

    Args:
        message: a message of this gateway.
        status: gives OBX-11 from the one there is; called for each OBX in order.
        report: OBR-25; "" leaves it as it is.
        at: HL7 DTM for MSH-7 and OBR-22; "" leaves them as they are.
        revision: version of the set, part of MSH-10: what is said again after a retraction, or retracted again, is a
            message of its own.
    """
    header, *segments = message.removesuffix("\r").split("\r")
    identity, request, when = "", 0, at
    for place, segment in enumerate(segments):
        fields = segment.split("|")
        if fields[0] == "OBR":
            identity, request = fields[3].partition("^")[0], place
            fields[25] = report or fields[25]
            # MSH-10 does not depend on when it was said, so that saying it again is known to be the same.
            when, fields[22] = at or fields[22], ""
        elif fields[0] == "OBX" and not fields[3].startswith("67975^"):  # the monitor's own time is no result
            fields[11] = status(fields[11])
        segments[place] = "|".join(fields)
    content = "\r".join([*segments, ""])
    names = header.split("|")
    names[6] = at or names[6]
    names[9] = _control(identity, f"{revision}|{content}" if revision else content)
    if when:
        fields = segments[request].split("|")
        fields[22] = when
        segments[request] = "|".join(fields)
    return "\r".join(["|".join(names), *segments, ""])


def _remember(memo: dict[_Key, _Value], key: _Key, value: _Value) -> _Value:
    """Keep a value in a memo of bounded size."""
    if len(memo) >= _REMEMBERED:
        memo.clear()
    memo[key] = value
    return value
