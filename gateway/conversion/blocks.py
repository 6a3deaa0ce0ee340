"""One block of an export, from entries to verified record files."""

from __future__ import annotations

import json
import sys
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from itertools import islice
from pathlib import Path
from typing import BinaryIO, TypeAlias

from gateway.adapters import adapter_for
from gateway.checks import finding
from gateway.conversion.options import Job
from gateway.conversion.understanding import Candidate, Understanding
from gateway.errors import OutputError
from gateway.mapping import columns
from gateway.model import (
    Block,
    Finding,
    LineKind,
    Noticed,
    Outcome,
    Party,
    Reading,
    Tally,
)
from gateway.records.fhir import FhirRenderer
from gateway.records.oru import OruRenderer
from gateway.records.output import output_error
from gateway.records.repeats import Key, Seen
from gateway.records.verify_fhir import FhirVerifier, Problem, deep_fhir
from gateway.records.verify_oru import OruVerifier, deep_oru
from gateway.version import VERSION
from gateway.vocabulary import vitals

_SLICE = 128


@dataclass(slots=True)
class BlockResult:
    """What became of one block."""

    export: int
    number: int
    tally: Tally = field(default_factory=Tally)
    findings: list[Finding] = field(default_factory=list)
    keys: list[Key] = field(default_factory=list)
    devices: dict[str, Party] = field(default_factory=dict)
    files: list[str] = field(default_factory=list)


Admit: TypeAlias = Callable[[Sequence[Key]], Mapping[int, Seen]]
"""Remembers the keys of sets and says, by position, which were seen before and where."""


class BlockConverter:
    """Converts blocks of one export: understands, renders, verifies and writes them.

    Args:
        job: the run this is part of.
        export_sha256: hash of the export, for Provenance.
    """

    def __init__(self, job: Job, export_sha256: str) -> None:
        loaded, options = job.loaded, job.options
        mapping = loaded.mapping
        self._loaded = loaded
        self._options = options
        self._associations = job.associations
        self._folder = job.folder
        self._adapter = adapter_for(mapping, columns(mapping))
        self._understanding: Understanding | None = None
        self._fields: tuple[str, ...] = ()
        self._fhir = FhirRenderer(
            mapping,
            options.bundle,
            export_sha256=export_sha256,
            mapping_sha256=loaded.sha256,
            gateway_version=VERSION,
            received=options.received_fhir,
        )
        self._oru = OruRenderer(mapping, options.received_dtm)
        self._fhir_verifier = FhirVerifier(mapping.output.fhir.profile == "us-core")
        self._oru_verifier = OruVerifier(mapping.output.oru.version)
        # A list whose entries carry ages is compared with earlier ones as a whole.
        self._slice = _SLICE if mapping.time.age is None else sys.maxsize

    def sets(self, block: Block) -> tuple[Iterator[Candidate], list[Finding], Counter[LineKind], int]:
        """The sets of a block as they are understood; findings, lines by kind and unreadable entries of its reading."""
        if self._understanding is None or self._fields != block.fields:
            self._fields = block.fields
            self._understanding = Understanding(self._loaded, block.fields, self._options, self._associations)
        parsed = self._adapter.parse(block)
        lines = Counter(block.lines)
        lines.update(parsed.lines)
        lost = lines[LineKind.UNREADABLE] if parsed.lost is None else parsed.lost
        sets = self._understanding.sets(parsed.entries, block.export)
        return sets, [*block.findings, *parsed.findings], lines, lost

    def convert(self, block: Block, admit: Admit) -> BlockResult:
        """Convert one block and write its records.

        The sets of a block pass through in slices, so that few of them are in memory at a time.

        Args:
            block: a stretch of the export.
            admit: asked about the sets of one slice after the other.

        Raises:
            OutputError: the records cannot be written.
        """
        result = BlockResult(block.export, block.number)
        sets, findings, lines, unreadable = self.sets(block)
        self._note(findings, result)
        tally = result.tally
        tally.lines = lines
        tally.outcomes["", Outcome.UNREADABLE] += unreadable
        tally.readings += unreadable
        recorded: Counter[Reading] = Counter()
        try:
            with _BlockFiles(self._folder, block, self._batch_file) as files:
                while candidates := list(islice(sets, self._slice)):
                    self._settle(candidates, result, admit)
                    for part in self._parts(candidates):
                        self._write(part, result, files)
                    self._count(candidates, result, recorded)
                files.finish()
                result.files = files.names
        except OSError as error:
            raise output_error(error, self._folder) from error
        self._spread(recorded, tally)
        return result

    def _settle(self, candidates: Sequence[Candidate], result: BlockResult, admit: Admit) -> None:
        """Decide about repeats, then note every finding of the sets."""
        keyed = [candidate for candidate in candidates if candidate.key is not None]
        keys = [candidate.key for candidate in keyed if candidate.key is not None]
        result.keys.extend(keys)
        for position, seen in admit(keys).items():
            self._repeated(keyed[position], seen, result.export)
        for candidate in candidates:
            if candidate.findings:
                self._note(candidate.findings, result)

    def _repeated(self, candidate: Candidate, seen: Seen, export: int) -> None:
        """A set seen before is a repeat when it says the same, else it is held."""
        if seen.undecided:
            what = "an earlier list of the device has an entry of the same values at about the same time"
            candidate.hold()
            candidate.item.readings = ()
            noticed = Noticed("overlap-undecided", what)
            candidate.findings.append(finding(noticed, export=export, line=candidate.item.line))
            return
        where = f"line {seen.line}" if seen.export == export else f"line {seen.line} of export {seen.export}"
        if seen.same:
            noticed = Noticed("repeat-in-batch", f"the same set stands at {where}")
            candidate.outcomes = [Outcome.REPEAT] * len(candidate.readings)
            candidate.findings.clear()
        else:
            noticed = Noticed("same-identity-other-content", f"a set of the same identity stands at {where}")
            candidate.hold()
        candidate.item.readings = ()
        candidate.findings.append(finding(noticed, export=export, line=candidate.item.line))

    def _note(self, findings: Sequence[Finding], result: BlockResult) -> None:
        result.findings.extend(findings)
        for each in findings:
            result.tally.note(each)

    def _parts(self, candidates: Sequence[Candidate]) -> Iterator[list[Candidate]]:
        """Sets to be rendered together: as many as a bundle holds, or a fixed number of them."""
        limit = self._fhir.limit
        bundled = self._options.records_as != "oru" and self._options.bundle != "ndjson"
        part: list[Candidate] = []
        entries = 1
        devices: set[Party] = set()
        for candidate in candidates:
            item = candidate.item
            if not item.readings or candidate.key is None:
                continue
            if bundled:
                size = len(self._fhir.keys(item)) + (item.device is not None and item.device not in devices)
                if part and entries + size > limit:
                    yield part
                    part, entries, devices = [], 1, set()
                    size = len(self._fhir.keys(item)) + (item.device is not None)
                entries += size
                if item.device is not None:
                    devices.add(item.device)
            part.append(candidate)
        if part:
            yield part

    def _write(self, part: list[Candidate], result: BlockResult, files: _BlockFiles) -> None:
        """Render, verify and write; a set whose record fails is held and the rest is rendered again without it."""
        while part:
            failed: dict[int, str] = {}
            fhir: _FhirPart | None = None
            messages: list[str] = []
            if self._options.records_as != "oru":
                fhir = self._render_fhir(part, f"{result.export}-{result.number}-{files.parts + 1}")
                failed.update(self._verify_fhir(fhir))
            if self._options.records_as != "fhir":
                messages = [self._oru.message(candidate.item) for candidate in part]
                failed.update(self._verify_oru(messages))
            if not failed:
                files.write(fhir, messages, ndjson=self._options.bundle == "ndjson")
                self._count_records(fhir, messages, result)
                return
            for position, what in failed.items():
                self._fail(part[position], what, result)
            part = [candidate for position, candidate in enumerate(part) if position not in failed]

    def _render_fhir(self, part: Sequence[Candidate], number: str) -> _FhirPart:
        renderer = self._fhir
        records: list[bytes] = []
        owners: list[int] = []
        devices: dict[str, Party] = {}
        for position, candidate in enumerate(part):
            texts = renderer.observations(candidate.item)
            records.extend(texts)
            owners.extend([position] * len(texts))
            if candidate.item.device is not None:
                devices[candidate.item.device.value] = candidate.item.device
        provenance = []
        if self._loaded.mapping.output.fhir.provenance and records:
            references = [each for candidate in part for each in renderer.references(candidate.item)]
            moments = [candidate.item.moment for candidate in part]
            provenance.append(renderer.provenance(references, moments, number))
        if self._options.bundle == "ndjson":
            return _FhirPart(records, owners, list(devices.values()), provenance, b"\n".join([*records, b""]))
        device_entries = [renderer.device(device) for device in devices.values()]
        data = renderer.bundle([*device_entries, *records, *provenance]) + b"\n"
        return _FhirPart(records, [-1] * len(device_entries) + owners, list(devices.values()), provenance, data)

    def _verify_fhir(self, part: _FhirPart) -> dict[int, str]:
        """Positions of sets whose records are not right, with what is wrong."""
        ndjson = self._options.bundle == "ndjson"
        if ndjson:
            problems = self._fhir_verifier.resources([*part.records, *part.provenance])
        else:
            problems = self._fhir_verifier.bundle(part.data)
        failed: dict[int, str] = {}
        for problem in problems:
            if not 0 <= problem.index < len(part.owners) or part.owners[problem.index] < 0:
                raise _unverified("The records", problem)
            failed.setdefault(part.owners[problem.index], problem.what)
        fresh, self._fhir.fresh = self._fhir.fresh, []
        for text in part.records if self._options.verify == "full" else fresh:
            what = deep_fhir(text if ndjson else _resource_of(text))
            if what:
                offset = len(part.owners) - len(part.records)
                owner = part.owners[offset + part.records.index(text)] if text in part.records else 0
                failed.setdefault(owner, what)
        return failed

    def _verify_oru(self, messages: Sequence[str]) -> dict[int, str]:
        failed: dict[int, str] = {}
        for problem in self._oru_verifier.messages(messages):
            if problem.index < 0:
                raise _unverified("The messages", problem)
            failed.setdefault(problem.index, problem.what)
        fresh = set(self._oru.fresh)
        self._oru.fresh.clear()
        for position, message in enumerate(messages):
            if self._options.verify == "full" or message in fresh:
                what = deep_oru(message)
                if what:
                    failed.setdefault(position, what)
        return failed

    def _batch_file(self, messages: Sequence[str], number: str) -> bytes:
        """An HL7 v2 batch file of messages that were verified one by one."""
        text = self._oru.batch(messages, number)
        for problem in self._oru_verifier.batch(text, messages):
            raise _unverified("The batch file", problem)
        return text.encode()

    def _fail(self, candidate: Candidate, what: str, result: BlockResult) -> None:
        candidate.hold()
        candidate.item.readings = ()
        noticed = Noticed("record-failed-verification", what)
        self._note([finding(noticed, export=result.export, line=candidate.item.line)], result)

    def _count_records(self, fhir: _FhirPart | None, messages: Sequence[str], result: BlockResult) -> None:
        records = result.tally.records
        if fhir is not None:
            records["Observation"] += len(fhir.records)
            records["Provenance"] += len(fhir.provenance)
            if self._options.bundle != "ndjson":
                records["Device"] += len(fhir.devices)
                records["Bundle"] += 1
            for device in fhir.devices:
                result.devices[device.value] = device
        if messages:
            records["ORU message"] += len(messages)

    def _count(self, candidates: Sequence[Candidate], result: BlockResult, recorded: Counter[Reading]) -> None:
        """Count sets and outcomes; recorded readings go to `recorded`, to be sorted by value once for the block."""
        tally = result.tally
        clean: list[Reading] = []
        for candidate in candidates:
            readings = candidate.readings
            tally.readings += len(readings)
            tally.sets += bool(readings)
            before = len(clean)
            if candidate.outcomes is None:
                clean += readings
            else:
                for reading, outcome in zip(readings, candidate.outcomes, strict=True):
                    if outcome is Outcome.RECORDED:
                        clean.append(reading)
                    else:
                        tally.outcomes[reading.vital, outcome] += 1
            if len(clean) > before:
                tally.recorded_sets += 1
                device = candidate.item.device
                tally.timeline.add(device.value if device else "", candidate.item.moment.epoch)
        recorded.update(clean)

    def _spread(self, recorded: Counter[Reading], tally: Tally) -> None:
        """Count recorded readings by vital and by place in the report's pictures."""
        table = vitals()
        for reading, count in recorded.items():
            tally.outcomes[reading.vital, Outcome.RECORDED] += count
            if reading.exact is not None:
                bins = tally.values.setdefault(reading.vital, Counter())
                bins[table[reading.vital].bin(reading.exact, reading.unit)] += count


@dataclass(slots=True)
class _FhirPart:
    """Records rendered together.

    Attributes:
        records: Observations.
        owners: for each entry of `data`, the position of its set; -1 for a Device.
        devices: the devices named.
        provenance: Provenance; at most one.
        data: the bundle, or the lines of the Observations, as bytes.
    """

    records: list[bytes]
    owners: list[int]
    devices: list[Party]
    provenance: list[bytes]
    data: bytes


class _BlockFiles:
    """The record files of one block, opened when first needed.

    Args:
        folder: the result folder.
        block: the block, which gives the files their names.
        batch: makes an HL7 v2 batch file of messages and a number.
    """

    def __init__(self, folder: Path, block: Block, batch: Callable[[Sequence[str], str], bytes]) -> None:
        self._folder = folder
        self._stem = f"{block.export:04d}-{block.number:05d}"
        self._observations: BinaryIO | None = None
        self._provenance: BinaryIO | None = None
        self._messages: list[str] = []
        self._batch = batch
        self.names: list[str] = []
        self.parts = 0

    def __enter__(self) -> _BlockFiles:
        return self

    def __exit__(self, *_: object) -> None:
        for file in (self._observations, self._provenance):
            if file is not None:
                file.close()

    def write(self, fhir: _FhirPart | None, messages: Sequence[str], *, ndjson: bool) -> None:
        """Write verified records; messages are kept until the batch file of the block is complete."""
        self.parts += 1
        self._messages.extend(messages)
        if fhir is None:
            return
        if not ndjson:
            with self._new(f"fhir/{self._stem}-{self.parts:04d}.bundle.json") as file:
                file.write(fhir.data)
            return
        if self._observations is None:
            self._observations = self._new(f"fhir/{self._stem}.observations.ndjson")
        self._observations.write(fhir.data)
        if fhir.provenance:
            if self._provenance is None:
                self._provenance = self._new(f"fhir/{self._stem}.provenance.ndjson")
            self._provenance.write(b"\n".join([*fhir.provenance, b""]))

    def finish(self) -> None:
        """Write the batch file of the messages."""
        if self._messages:
            with self._new(f"oru/{self._stem}.hl7") as file:
                file.write(self._batch(self._messages, self._stem))

    def _new(self, name: str) -> BinaryIO:
        path = self._folder / name
        path.parent.mkdir(exist_ok=True)
        self.names.append(name)
        return path.open("wb")


def _unverified(what: str, problem: Problem) -> OutputError:
    """What was rendered is wrong and no one set is to blame for it."""
    return OutputError(
        f"{what} could not be verified: {problem.what}",
        todo="Nothing was written; this is a fault of the gateway, please report it with the mapping",
    )


def _resource_of(entry: bytes) -> bytes:
    """The resource inside a rendered bundle entry."""
    return json.dumps(json.loads(entry, parse_float=Decimal)["resource"], default=str).encode()


def write_devices(job: Job, devices: Iterable[Party]) -> str:
    """Write the Device lines that NDJSON Observations refer to; the file's name in the result folder.

    Raises:
        OutputError: the lines cannot be verified.
    """
    renderer = FhirRenderer(job.loaded.mapping, "ndjson")
    name = "fhir/devices.ndjson"
    data = b"".join(renderer.device(device) + b"\n" for device in devices)
    for problem in FhirVerifier(job.loaded.mapping.output.fhir.profile == "us-core").lines(data):
        raise _unverified("A device record", problem)
    (job.folder / name).write_bytes(data)
    return name
