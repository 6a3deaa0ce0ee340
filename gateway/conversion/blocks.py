"""One block of an export, from entries to verified record files."""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import chain, islice

from gateway.adapters import adapter_for
from gateway.checks import finding
from gateway.conversion.ledger_rows import BlockRows, RowMaker
from gateway.conversion.options import Job
from gateway.conversion.record_files import RecordFiles
from gateway.conversion.rendering import Rendered, Rendering
from gateway.conversion.seen import Admit, Retaken, SeenBefore
from gateway.conversion.understanding import Candidate, Understanding
from gateway.mapping import columns
from gateway.model import Block, ClockPair, Finding, LineKind, Noticed, Outcome, Party, Reading, Tally
from gateway.once import Key
from gateway.records.output import output_error
from gateway.report.model import device_shown
from gateway.vocabulary import vitals

_SLICE = 128
DEVICE_TIME = "Observation of a device's time"
"""Kind of record, as the report counts it: a monitor's own time beside the true time."""


@dataclass(slots=True)
class BlockResult:
    """What became of one block.

    Attributes:
        export: position of the export in the batch.
        number: of the block in the export.
        tally: counts of lines, readings, sets and records.
        findings: what was noticed, in the order of the sets.
        keys: keys of the sets that could be recorded.
        devices: identifier -> device, of those that records name.
        pairs: device times that records name, with their devices.
        files: names of the record files.
        rows: what a ledger is to remember.
    """

    export: int
    number: int
    tally: Tally = field(default_factory=Tally)
    findings: list[Finding] = field(default_factory=list)
    keys: list[Key] = field(default_factory=list)
    devices: dict[str, Party] = field(default_factory=dict)
    pairs: dict[tuple[str, ClockPair], Party] = field(default_factory=dict)
    files: list[str] = field(default_factory=list)
    rows: BlockRows = field(default_factory=BlockRows)

    def note(self, findings: Iterable[Finding]) -> None:
        """Take in findings."""
        for each in findings:
            self.findings.append(each)
            self.tally.note(each)

    def count_lines(self, lines: Counter[LineKind], unreadable: int) -> None:
        """Count the lines by kind, and the entries that could not be read."""
        self.tally.lines = lines
        self.tally.outcomes["", Outcome.UNREADABLE] += unreadable
        self.tally.readings += unreadable

    def count_records(self, records: Rendered) -> None:
        """Count records that were written."""
        counts, fhir = self.tally.records, records.fhir
        if fhir is not None:
            counts["Observation"] += len(fhir.observations)
            counts["Provenance"] += len(fhir.provenance)
            if fhir.bundled:
                counts["Device"] += len(fhir.devices)
                if fhir.pairs:
                    counts[DEVICE_TIME] += len(fhir.pairs)
                counts["Bundle"] += 1
            for device in fhir.devices:
                self.devices[device.value] = device
            self.pairs.update(fhir.pairs)
        if records.messages:
            counts["ORU message"] += len(records.messages)

    def count_sets(self, candidates: Sequence[Candidate]) -> list[Reading]:
        """Count sets and the outcomes of their readings; give the recorded ones, which are counted by value later."""
        tally = self.tally
        recorded: list[Reading] = []
        for candidate in candidates:
            readings = candidate.readings
            tally.readings += len(readings)
            tally.sets += bool(readings)
            before = len(recorded)
            if candidate.outcomes is None:
                recorded += readings
            else:
                for reading, outcome in zip(readings, candidate.outcomes, strict=True):
                    if outcome is Outcome.RECORDED:
                        recorded.append(reading)
                    else:
                        tally.outcomes[reading.vital, outcome] += 1
            if len(recorded) > before:
                tally.recorded_sets += 1
                device = candidate.item.device
                shown = device_shown(device.value, candidate.item.patient.value) if device else ""
                tally.timeline.add(shown, candidate.item.moment.epoch)
        return recorded

    def count_recorded(self, recorded: Counter[Reading]) -> None:
        """Count recorded readings by vital, and by place in the report's pictures."""
        table = vitals()
        for reading, count in recorded.items():
            self.tally.outcomes[reading.vital, Outcome.RECORDED] += count
            if reading.exact is not None:
                bins = self.tally.values.setdefault(reading.vital, Counter())
                bins[table[reading.vital].bin(reading.exact, reading.unit)] += count


class BlockConverter:
    """Converts blocks of one export: understands, settles, renders, verifies and writes them.

    Args:
        job: the run this is part of.
        export_sha256: hash of the export, for Provenance.
    """

    def __init__(self, job: Job, export_sha256: str) -> None:
        mapping = job.loaded.mapping
        self._job = job
        self._adapter = adapter_for(mapping, columns(mapping))
        self._understanding: Understanding | None = None
        self._fields: tuple[str, ...] = ()
        self._rendering = Rendering(job, export_sha256)
        self._seen = SeenBefore(mapping, self._rendering.fhir)
        self._rows = RowMaker(mapping, self._rendering.fhir)
        # A list whose entries carry ages is compared with earlier ones as a whole.
        self._slice = _SLICE if mapping.time.age is None else sys.maxsize

    def of_export(self, sha256: str) -> None:
        """Convert blocks of another export from here on."""
        self._rendering.fhir.of_export(sha256)

    def fits(self, block: Block) -> bool:
        """Whether this mapping can read a block of an earlier run; its columns are named as they are now."""
        columns = self._adapter.columns_now(block)
        block.fields = columns or block.fields
        return columns is not None

    def sets(
        self, block: Block, retaken: Retaken | None = None
    ) -> tuple[Iterator[Candidate], list[Finding], Counter[LineKind], int]:
        """The sets of a block as they are understood; findings, lines by kind and unreadable entries of its reading.

        Args:
            block: a stretch of the export.
            retaken: for a block of an earlier run: which of its sets are taken up again, and what was decided.
        """
        job = self._job
        if self._understanding is None or self._fields != block.fields:
            self._fields = block.fields
            self._understanding = Understanding(job.loaded, block.fields, job.options, job.associations, job.merged)
        received = job.options.received if block.received is None else block.received
        if retaken is None:
            self._understanding.take_up({}, received, job.options.sent, job.older)
        else:
            self._understanding.take_up(retaken.patients, received, retaken.sent, retaken.older)
        parsed = self._adapter.parse(block)
        lines = Counter(block.lines)
        lines.update(parsed.lines)
        lost = lines[LineKind.UNREADABLE] if parsed.lost is None else parsed.lost
        sets = self._understanding.sets(parsed.entries, block.export, parsed.incomplete)
        if retaken is not None:
            sets = (candidate for candidate in sets if candidate.item.line in retaken.lines)
        return sets, [*block.findings, *parsed.findings], lines, lost

    def rendered(self, candidate: Candidate) -> tuple[list[bytes], str, str]:
        """The records of one set as they would be written: FHIR records, the v2 message, what is wrong with them.

        The FHIR records are lines of NDJSON when the run's bundle is "ndjson". Nothing is rendered for a set without
        readings to be recorded, and "" stands for no message and for nothing wrong.
        """
        if not candidate.item.readings or candidate.key is None:
            return [], "", ""
        records = self._rendering.render_both(candidate)
        assert records.fhir is not None
        return records.fhir.observations, records.messages[0], self._rendering.faults(records).get(0, "")

    def convert(self, block: Block, admit: Admit, retaken: Retaken | None = None) -> BlockResult:
        """Convert one block and write its records.

        The sets of a block pass through in slices, so that few of them are in memory at a time.

        Args:
            block: a stretch of the export.
            admit: asked about the sets of one slice after the other.
            retaken: for a block of an earlier run: which of its sets are taken up again, and what was decided.

        Raises:
            OutputError: the records cannot be written.
        """
        job = self._job
        result = BlockResult(block.export, block.number)
        sets, findings, lines, unreadable = self.sets(block, retaken)
        result.note(findings)
        result.count_lines(lines, unreadable)
        recorded: Counter[Reading] = Counter()
        try:
            with RecordFiles(job.folder, block, self._rendering.batch_file) as files:
                while candidates := list(islice(sets, self._slice)):
                    result.keys += self._seen.settle(candidates, block.export, admit, block.discarded, retaken)
                    result.note(chain.from_iterable([each.findings for each in candidates]))
                    for part in self._rendering.parts(candidates):
                        self._write(part, result, files)
                    recorded.update(result.count_sets(candidates))
                    if job.watch is not None:
                        job.watch(block.export, candidates)
                    if job.options.remember:
                        self._rows.add(candidates, block.number, result.rows)
                files.finish()
                result.files = files.names
        except OSError as error:
            raise output_error(error, job.folder) from error
        result.count_recorded(recorded)
        return result

    def _write(self, part: list[Candidate], result: BlockResult, files: RecordFiles) -> None:
        """Render, verify and write; a set whose record fails is held and the rest is rendered again without it."""
        while part:
            records = self._rendering.render(part)
            failed = self._rendering.faults(records)
            if not failed:
                written = files.write(records)
                result.count_records(records)
                for candidate in part:
                    candidate.written = written
                return
            for position, what in failed.items():
                candidate = part[position]
                candidate.hold()
                noticed = Noticed("record-failed-verification", what)
                result.note([finding(noticed, export=result.export, line=candidate.item.line)])
            part = [candidate for position, candidate in enumerate(part) if position not in failed]
