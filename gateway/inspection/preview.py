"""A first look at an export through a mapping, without writing anything."""

from __future__ import annotations

import tempfile
from datetime import UTC, datetime
from itertools import islice
from pathlib import Path

from gateway.conversion.blocks import BlockConverter
from gateway.conversion.clocks import survey
from gateway.conversion.exports import blocks_of, find_exports
from gateway.conversion.options import Job, Options, load_mapping
from gateway.conversion.understanding import Candidate
from gateway.identity import load_associations
from gateway.model import Moment
from gateway.vocabulary import units, vitals


def preview(
    mapping: str | Path,
    export: str | Path,
    entries: int = 20,
    associations: str | Path | None = None,
    received: datetime | None = None,
) -> list[str]:
    """A dry run of the first sets of an export, line by line as text; patient identifiers are not shown.

    Args:
        mapping: the mapping file.
        export: one export.
        entries: how many sets to show.
        associations: file of who was on which device (CSV, FHIR or HL7 v2), or None.
        received: when the export was received (with a zone); None for now.

    Raises:
        GatewayError: the mapping or the export cannot be used.
    """
    loaded = load_mapping(mapping)
    with tempfile.TemporaryDirectory() as scratch:
        found = find_exports([export], loaded.mapping, Path(scratch))[0]
        options = Options(received=int((received or datetime.now(UTC)).timestamp()))
        known = load_associations(associations, loaded.mapping) if associations is not None else None
        lines: list[str] = []
        for block in islice(blocks_of(found, 1, loaded.mapping), 1):
            older = survey(loaded.mapping, options, [(1, [block])]).older
            converter = BlockConverter(Job(loaded, options, known, Path(scratch), older), found.sha256)
            sets, findings, kinds, _ = converter.sets(block)
            lines.append(
                f"{found.name}: {found.lines} lines; of the first {kinds.total()}: "
                + ", ".join(f"{kind.value} {count}" for kind, count in sorted(kinds.items()) if count)
            )
            lines += [f"  line {each.line}: {each.rule}: {each.message}" for each in findings[:entries]]
            for candidate in islice(sets, entries):
                lines += _shown_set(candidate)
        return lines


def _time(moment: Moment) -> str:
    known = f", known to {moment.known_to}" if moment.known_to else ""
    return f"time {moment.fhir or 'not usable'}{known}"


def _shown_set(candidate: Candidate) -> list[str]:
    item = candidate.item
    patient = "a patient" if item.patient.value else "no patient"
    device = f"device {item.device.value}" if item.device else "no device"
    lines = [f"line {item.line}: {patient}, {device}, {_time(item.moment)}"]
    outcomes = candidate.outcomes or [reading.outcome for reading in candidate.readings]
    table = vitals()
    for reading, outcome in zip(candidate.readings, outcomes, strict=True):
        title = table[reading.vital].title if reading.vital else "no vital of the mapping"
        value = ""
        if reading.value is not None:
            unit = units()[reading.unit].display if reading.unit else ""
            value = f" = {reading.comparator}{reading.value} {unit}".rstrip()
            if reading.source_unit and reading.source_unit != reading.unit:
                value += f' (exported as "{reading.text}" in {units()[reading.source_unit].display})'
        elif reading.code:
            value = f" = {table[reading.vital].answers[reading.code].title}"
        codes = ", ".join(each.code for each in table[reading.vital].codings_in(reading.unit)) if reading.vital else ""
        lines.append(f"  {title}{value}: {outcome.value}{f' [LOINC {codes}]' if codes else ''}")
    for each in candidate.findings:
        place = f"{each.column}: " if each.column else ""
        lines.append(f"  {each.severity.value}: {each.rule}: {place}{each.message}")
    return lines
