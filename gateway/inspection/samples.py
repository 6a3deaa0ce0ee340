"""The first sets of an export, entry by entry: verbatim cells, what was understood, findings, and the records.

Unlike everything else that the gateway tells, this shows patients and whole rows: it is for the eyes of the person
who writes the mapping, and goes into no log, report or ledger.
"""

from __future__ import annotations

import json
import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from itertools import islice
from pathlib import Path
from typing import Any, NamedTuple

from gateway.adapters import adapter_for
from gateway.conversion.blocks import BlockConverter
from gateway.conversion.clocks import survey
from gateway.conversion.exports import blocks_of, find_exports
from gateway.conversion.options import Job, Options, load_mapping
from gateway.conversion.understanding import Candidate
from gateway.identity import load_associations
from gateway.mapping import Mapping as MappingFile
from gateway.mapping import columns
from gateway.mapping.model import Method, Site
from gateway.model import BLANKS, Entry, Finding, Outcome, Reading, Severity
from gateway.vocabulary import units, vitals


class Cell(NamedTuple):
    """A cell as it stands in the export.

    Attributes:
        place: "LINE-POSITION", unique in the export; records point to it.
        column: name of the column.
        text: verbatim.
        used: whether the mapping reads it.
    """

    place: str
    column: str
    text: str
    used: bool


class Noted(NamedTuple):
    """A finding about the set or the block.

    Attributes:
        place: the cell it is about, or "".
    """

    severity: Severity
    rule: str
    message: str
    column: str
    vital: str
    line: int
    place: str


class Understood(NamedTuple):
    """What one reading was understood as.

    Attributes:
        vital: key, "" where the mapping names none.
        title: of the vital.
        places: the cells it is read from, the value's first.
        text: verbatim text of the value.
        value: normalised value with its comparator, or the title of a coded answer; "" for none.
        unit: unit of the record, for people.
        source: value and unit as exported, where they differ.
        codes: codes as (system, code).
        outcome: what becomes of it.
        remark: site, method, quality, reason of absence; in words.
    """

    vital: str
    title: str
    places: tuple[str, ...]
    text: str
    value: str
    unit: str
    source: str
    codes: tuple[tuple[str, str], ...]
    outcome: Outcome
    remark: str


class Line(NamedTuple):
    """A line of a rendered record.

    Attributes:
        text: the line.
        place: the cell its value comes from, or "".
    """

    text: str
    place: str


@dataclass(slots=True)
class LookedSet:
    """One set of the sample.

    Attributes:
        line: of its first entry.
        rows: the cells of its entries, one after the other.
        time: FHIR dateTime, or "".
        patient: identifier and its system, or "".
        device: identifier, or "".
        readings: what was understood.
        findings: about the set.
        fhir: one tuple of lines for each FHIR record.
        oru: the segments of the v2 message.
        failed: what is wrong with the records, "" when nothing is.
    """

    line: int
    rows: list[tuple[Cell, ...]]
    time: str
    time_text: str
    patient: str
    device: str
    readings: list[Understood]
    findings: list[Noted]
    fhir: list[tuple[Line, ...]] = field(default_factory=list)
    oru: tuple[Line, ...] = ()
    failed: str = ""


@dataclass(slots=True)
class Look:
    """What a mapping makes of the beginning of an export.

    Attributes:
        title: of the mapping.
        version: of the mapping.
        mapping_sha256: hash of the mapping file.
        sample_sha256: hash of the export.
        bytes: size of the export.
        lines: lines of the export (of framed exports: bytes).
        kinds: lines of the first block by kind.
        findings: about the first block as a whole.
        sets: its first sets.
    """

    title: str
    version: str
    mapping_sha256: str
    sample_sha256: str
    bytes: int
    lines: int
    kinds: dict[str, int]
    findings: list[Noted]
    sets: list[LookedSet]


def look(mapping: str | Path, export: str | Path, entries: int = 20, associations: str | Path | None = None) -> Look:
    """Look at the first sets of an export through a mapping; nothing is written.

    Repeats are not looked for: they show when the whole export is converted.

    Args:
        mapping: the mapping file.
        export: one export.
        entries: how many sets.
        associations: file of who was on which device (CSV, FHIR or HL7 v2), or None.

    Raises:
        GatewayError: the mapping or the export cannot be used.
    """
    loaded = load_mapping(mapping)
    with tempfile.TemporaryDirectory() as scratch:
        found = find_exports([export], loaded.mapping, Path(scratch))[0]
        options = Options(records_as="both", bundle="ndjson", received=int(datetime.now(UTC).timestamp()))
        known = load_associations(associations, loaded.mapping) if associations is not None else None
        made = Look(
            loaded.mapping.title,
            loaded.mapping.version,
            loaded.sha256,
            found.sha256,
            found.size,
            found.lines,
            {},
            [],
            [],
        )
        for block in islice(blocks_of(found, 1, loaded.mapping), 1):
            older = survey(loaded.mapping, options, [(1, [block])]).older
            converter = BlockConverter(Job(loaded, options, known, Path(scratch), older), found.sha256)
            sets, findings, kinds, _ = converter.sets(block)
            rows = adapter_for(loaded.mapping, columns(loaded.mapping)).parse(block).entries
            made.kinds = {kind.value: count for kind, count in sorted(kinds.items()) if count}
            made.findings = [_noted(each, {}) for each in findings[: 2 * entries]]
            shower = _Shower(loaded.mapping, block.fields)
            candidates = list(islice(sets, entries + 1))
            at = 0
            for number, candidate in enumerate(candidates[:entries]):
                # The entries of a set are those up to the next one's first.
                until = candidates[number + 1].item.line if number + 1 < len(candidates) else None
                own: list[Entry] = []
                while at < len(rows) and (until is None or rows[at][0] < until):
                    own.append(rows[at])
                    at += 1
                made.sets.append(shower.looked_at(candidate, own, converter))
        return made


def _noted(found: Finding, places: Mapping[tuple[int, str], str]) -> Noted:
    place = places.get((found.line, found.column), "")
    return Noted(found.severity, found.rule, found.message, found.column, found.vital, found.line, place)


class _Shower:
    """Turns sets into what is shown of them.

    Args:
        mapping: the mapping.
        fields: names of the columns.
    """

    def __init__(self, mapping: MappingFile, fields: Sequence[str]) -> None:
        self._mapping = mapping
        self._fields = fields
        self._used = frozenset(columns(mapping))
        self._long = mapping.long

    def looked_at(self, candidate: Candidate, rows: Sequence[Entry], converter: BlockConverter) -> LookedSet:
        """A set, its cells and its records."""
        item = candidate.item
        cells = [
            tuple(
                Cell(f"{line}-{at}", name, text, name in self._used)
                for at, (name, text) in enumerate(zip(self._fields, texts, strict=False), start=1)
            )
            for line, texts in rows
        ]
        places = {
            (line, cell.column): cell.place
            for (line, _), row in zip(rows, cells, strict=True)
            for cell in reversed(row)
        }
        first = rows[0][0] if rows else item.line
        outcomes = candidate.outcomes or [reading.outcome for reading in candidate.readings]
        spent: set[int] = set()
        readings = [
            self._understood(reading, outcome, rows, places, spent)
            for reading, outcome in zip(candidate.readings, outcomes, strict=True)
        ]
        fhir, oru, failed = converter.rendered(candidate)
        by_code = _by_code(readings)
        fixed = self._fixed(first, places)
        return LookedSet(
            line=item.line,
            rows=cells,
            time=item.moment.fhir,
            time_text=item.moment.text,
            patient=" ".join(filter(None, (item.patient.value, item.patient.system))),
            device=item.device.value if item.device else "",
            readings=readings,
            findings=[_noted(each, places) for each in candidate.findings],
            fhir=[tuple(_json_lines(json.loads(record, parse_float=_Number, parse_int=_Number), by_code, fixed))
                  for record in fhir],
            oru=tuple(_segments(oru, by_code, fixed)),
            failed=failed,
        )  # fmt: skip

    def _fixed(self, line: int, places: Mapping[tuple[int, str], str]) -> dict[str, str]:
        """The cells of patient, time and the like."""
        mapping = self._mapping
        named = {
            "patient": mapping.patient.column,
            "device": mapping.device.column,
            "operator": mapping.operator.column,
            "location": mapping.location.column,
            "encounter": mapping.encounter.column,
            "time": next(iter(mapping.time.columns), mapping.time.age.column if mapping.time.age else None),
        }
        return {key: places.get((line, column), "") if column else "" for key, column in named.items()}

    def _understood(
        self,
        reading: Reading,
        outcome: Outcome,
        rows: Sequence[Entry],
        places: Mapping[tuple[int, str], str],
        spent: set[int],
    ) -> Understood:
        vital = vitals().get(reading.vital)
        source = self._mapping.vitals.get(reading.vital)
        line, names = self._origin(reading, rows, spent)
        if source is not None:
            beside = (
                source.unit_column,
                source.site.column if isinstance(source.site, Site) else None,
                source.method.column if isinstance(source.method, Method) else None,
                source.quality.column if source.quality else None,
            )
            names += [name for name in beside if name]
        value = unit = exported = ""
        if reading.value is not None:
            value = f"{reading.comparator}{reading.value}"
            unit = units()[reading.unit].display if reading.unit else ""
            if reading.source_unit and reading.source_unit != reading.unit:
                exported = f"{reading.source_value} {units()[reading.source_unit].display}"
        elif reading.code and vital is not None:
            value = vital.answers[reading.code].title
        codes: list[tuple[str, str]] = []
        if vital is not None:
            codes = [("LOINC", each.code) for each in vital.codings_in(reading.unit)]
            codes += [("MDC", vital.mdc.code)] if vital.mdc else []
        remark = [reading.site, reading.method, reading.quality, reading.meaning or reading.reason]
        remark += [f"{key} {answer}" for key, answer in reading.qualifiers]
        remark += ["marked as questionable"] if reading.flagged else []
        return Understood(
            vital=reading.vital,
            title=vital.title if vital is not None else "no vital of the mapping",
            places=tuple(dict.fromkeys(places[line, name] for name in names if (line, name) in places)),
            text=reading.text,
            value=value,
            unit=unit,
            source=exported,
            codes=tuple(codes),
            outcome=outcome,
            remark=", ".join(part.replace("_", " ") for part in remark if part),
        )

    def _origin(self, reading: Reading, rows: Sequence[Entry], spent: set[int]) -> tuple[int, list[str]]:
        """The line and the columns of a reading's value."""
        source = self._mapping.vitals.get(reading.vital)
        layout = self._mapping.delimited
        first = rows[0][0] if rows else 0
        if not self._long or layout is None:
            return first, [source.column] if source is not None and source.column else []
        label_at = self._fields.index(layout.label_column) if layout.label_column else 0
        known = {label for each in self._mapping.vitals.values() for label in each.labels}
        for at, (line, cells) in enumerate(rows):
            label = cells[label_at].strip(BLANKS)
            mine = label in source.labels if source is not None else label not in known
            if mine and at not in spent:
                spent.add(at)
                return line, [name for name in (layout.value_column, layout.unit_column, layout.label_column) if name]
        return first, []


def _by_code(readings: Sequence[Understood]) -> dict[str, str]:
    """The cell of the value by code; codes that two vitals share are left out, for the more special ones to decide."""
    vital: dict[str, str] = {}
    found: dict[str, str] = {}
    for each in readings:
        for _, code in each.codes:
            if each.places and vital.setdefault(code, each.vital) == each.vital:
                found.setdefault(code, each.places[0])
            else:
                found.pop(code, None)
    return found


class _Number(str):
    """A number as the record has it, digit by digit."""


def _json_lines(resource: Any, by_code: Mapping[str, str], fixed: Mapping[str, str]) -> Iterator[Line]:
    """A FHIR resource over several lines; each value with the cell it comes from."""

    def lines(value: Any, indent: str, lead: str, tail: str, place: str, name: str) -> Iterator[Line]:
        if isinstance(value, dict):
            own = _coded(value, by_code) or place
            yield Line(f"{indent}{lead}{{", "")
            for at, (key, inner) in enumerate(value.items()):
                below = _owner(key, own, place, fixed)
                comma = "," if at < len(value) - 1 else ""
                yield from lines(inner, f"{indent}  ", f"{json.dumps(key, ensure_ascii=False)}: ", comma, below, key)
            yield Line(f"{indent}}}{tail}", "")
        elif isinstance(value, list):
            yield Line(f"{indent}{lead}[", "")
            for at, inner in enumerate(value):
                comma = "," if at < len(value) - 1 else ""
                yield from lines(inner, f"{indent}  ", "", comma, "" if name == "component" else place, name)
            yield Line(f"{indent}]{tail}", "")
        else:
            text = str(value) if isinstance(value, _Number) else json.dumps(value, ensure_ascii=False)
            yield Line(f"{indent}{lead}{text}{tail}", place if name in _VALUES else "")

    yield from lines(resource, "", "", "", "", "")


_VALUES = frozenset({"value", "effectiveDateTime", "reference", "display", "code", "unit"})


def _coded(value: Mapping[str, Any], by_code: Mapping[str, str]) -> str:
    """The cell of the reading that an Observation or a component is of."""
    code = value.get("code")
    codings = code.get("coding", ()) if isinstance(code, dict) else ()
    return next((by_code[each["code"]] for each in codings if each.get("code") in by_code), "")


def _owner(key: str, own: str, inherited: str, fixed: Mapping[str, str]) -> str:
    """The cell that what stands under a key comes from."""
    whose = {
        "subject": "patient",
        "effectiveDateTime": "time",
        "device": "device",
        "performer": "operator",
        "encounter": "encounter",
    }
    if key in whose:
        return fixed[whose[key]]
    if key.startswith("value") or key in ("dataAbsentReason", "component"):
        return own
    return inherited


def _segments(message: str, by_code: Mapping[str, str], fixed: Mapping[str, str]) -> Iterator[Line]:
    """The segments of a v2 message, each with the cell its value comes from."""
    whose: dict[str, Callable[[list[str]], str]] = {
        "PID": lambda fields: fixed["patient"],
        "OBR": lambda fields: fixed["time"],
        "PV1": lambda fields: fixed["location"] or fixed["encounter"],
        "OBX": lambda fields: next((by_code[part] for part in fields[3].split("^") if part in by_code), ""),
    }
    for segment in filter(None, message.replace("\n", "\r").split("\r")):
        fields = segment.split("|")
        find = whose.get(fields[0])
        yield Line(segment, find(fields) if find is not None and len(fields) > 3 else "")
