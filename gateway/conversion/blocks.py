"""One block of an export, from entries to verified record files."""

from __future__ import annotations

import json
import sys
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from decimal import Decimal
from itertools import islice
from pathlib import Path
from typing import BinaryIO, TypeAlias

from gateway.adapters import adapter_for
from gateway.checks import effects, finding
from gateway.conversion.options import Job
from gateway.conversion.understanding import Candidate, Understanding, Written
from gateway.errors import OutputError
from gateway.ledger.rows import HoldRow, SetRow, Sighting
from gateway.mapping import columns
from gateway.model import (
    Block,
    ClockPair,
    Effect,
    Finding,
    LineKind,
    Noticed,
    Outcome,
    Party,
    Reading,
    SetItem,
    Tally,
)
from gateway.normalise.clocks import Dump, Older
from gateway.once import Judge, Key, Said, Seen, canonical
from gateway.records.fhir import FhirRenderer
from gateway.records.oru import OruRenderer
from gateway.records.output import output_error
from gateway.report.model import device_shown
from gateway.verify.fhir import FhirVerifier, Problem, deep_fhir
from gateway.verify.oru import OruVerifier, deep_oru
from gateway.version import VERSION
from gateway.vocabulary import vitals

_SLICE = 128
_TEXTS_KEPT = 100_000
DEVICE_TIME = "Observation of a device's time"
"""Kind of record, as the report counts it: a monitor's own time beside the true time."""


@dataclass(slots=True)
class BlockResult:
    """What became of one block."""

    export: int
    number: int
    tally: Tally = field(default_factory=Tally)
    findings: list[Finding] = field(default_factory=list)
    keys: list[Key] = field(default_factory=list)
    devices: dict[str, Party] = field(default_factory=dict)
    pairs: dict[tuple[str, ClockPair], Party] = field(default_factory=dict)
    files: list[str] = field(default_factory=list)
    sets: list[SetRow] = field(default_factory=list)
    revised: list[SetRow] = field(default_factory=list)
    sightings: list[Sighting] = field(default_factory=list)
    holds: list[HoldRow] = field(default_factory=list)
    taken: list[int] = field(default_factory=list)


Admit: TypeAlias = Callable[[Sequence[Key]], Mapping[int, Seen]]
"""Remembers the keys of sets and says, by position, which were seen before and where."""


@dataclass(frozen=True, slots=True)
class Retaken:
    """Held sets of an earlier run that are taken up again.

    Attributes:
        lines: their first lines; nothing else of the block is looked at.
        patients: line -> patient identifier and its system ("" for the mapping's own), where a person has assigned one.
        reinstated: lines of sets that a person has confirmed, or assigned, although they were retracted.
        sent: when the list was sent, as it was given then.
        older: which of its entries have no defensible time.
        read: the run that read their export first.
    """

    lines: frozenset[int]
    patients: Mapping[int, tuple[str, str]]
    reinstated: frozenset[int] = frozenset()
    sent: datetime | None = None
    older: Mapping[tuple[int, Dump], Older] = field(default_factory=dict)
    read: int = 0


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
        self._older = job.older
        self._merged = job.merged
        self._folder = job.folder
        self._watch = job.watch
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
            changed=options.changed_fhir,
        )
        self._oru = OruRenderer(mapping, options.received_dtm, options.changed_dtm)
        self._fhir_verifier = FhirVerifier(mapping.output.fhir.profile == "us-core")
        self._oru_verifier = OruVerifier(mapping.output.oru.version)
        self._retaken: Retaken | None = None
        self._said: dict[Reading, str] = {}
        self._flagged: dict[Reading, Reading] = {}
        self._keys: dict[tuple[str, ...], str] = {}
        self._effects = effects(mapping)
        self._judge = Judge(self._fhir, mapping.corrections == "accept", mapping.output.fhir.panel)
        # A list whose entries carry ages is compared with earlier ones as a whole.
        self._slice = _SLICE if mapping.time.age is None else sys.maxsize

    def sets(self, block: Block) -> tuple[Iterator[Candidate], list[Finding], Counter[LineKind], int]:
        """The sets of a block as they are understood; findings, lines by kind and unreadable entries of its reading."""
        if self._understanding is None or self._fields != block.fields:
            self._fields = block.fields
            self._understanding = Understanding(
                self._loaded, block.fields, self._options, self._associations, self._merged
            )
        retaken = self._retaken
        if retaken is None:
            self._understanding.take_up({}, self._options.sent, self._older)
        else:
            self._understanding.take_up(retaken.patients, retaken.sent, retaken.older)
        parsed = self._adapter.parse(block)
        lines = Counter(block.lines)
        lines.update(parsed.lines)
        lost = lines[LineKind.UNREADABLE] if parsed.lost is None else parsed.lost
        sets = self._understanding.sets(parsed.entries, block.export)
        return sets, [*block.findings, *parsed.findings], lines, lost

    def again(self, block: Block, retaken: Retaken) -> Iterator[Candidate]:
        """The sets of a block of an earlier run that are taken up again, as they are understood now."""
        self._retaken = retaken
        sets, *_ = self.sets(block)
        return (candidate for candidate in sets if candidate.item.line in retaken.lines)

    def fits(self, block: Block) -> bool:
        """Whether this mapping can read a block of an earlier run; its columns are named as they are now."""
        columns = self._adapter.columns_now(block)
        block.fields = columns or block.fields
        return columns is not None

    def rendered(self, candidate: Candidate) -> tuple[list[bytes], str, str]:
        """The records of one set as they would be written: FHIR records, the v2 message, what is wrong with them.

        The FHIR records are lines of NDJSON when the run's bundle is "ndjson". Nothing is rendered for a set without
        readings to be recorded, and "" stands for no message and for nothing wrong.
        """
        if not candidate.item.readings or candidate.key is None:
            return [], "", ""
        part = self._render_fhir([candidate])
        messages = [self._oru.message(candidate.item)]
        failed = {**self._verify_oru(messages), **self._verify_fhir(part)}
        return part.records, messages[0], failed.get(0, "")

    def of_export(self, sha256: str) -> None:
        """Convert blocks of another export from here on."""
        self._fhir.of_export(sha256)

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
        self._retaken = retaken
        result = BlockResult(block.export, block.number)
        sets, findings, lines, unreadable = self.sets(block)
        if retaken is not None:
            sets = (candidate for candidate in sets if candidate.item.line in retaken.lines)
        self._note(findings, result)
        tally = result.tally
        tally.lines = lines
        tally.outcomes["", Outcome.UNREADABLE] += unreadable
        tally.readings += unreadable
        recorded: Counter[Reading] = Counter()
        try:
            with _BlockFiles(self._folder, block, self._batch_file) as files:
                while candidates := list(islice(sets, self._slice)):
                    self._settle(candidates, block.discarded, result, admit)
                    for part in self._parts(candidates):
                        self._write(part, result, files)
                    self._count(candidates, result, recorded)
                    if self._watch is not None:
                        self._watch(block.export, candidates)
                    if self._options.remember:
                        self._keep(candidates, block.number, result)
                files.finish()
                result.files = files.names
        except OSError as error:
            raise output_error(error, self._folder) from error
        self._spread(recorded, tally)
        return result

    def _settle(
        self, candidates: Sequence[Candidate], discarded: frozenset[int], result: BlockResult, admit: Admit
    ) -> None:
        """Decide about repeats, then note every finding of the sets."""
        if discarded:
            for candidate in candidates:
                if candidate.item.line in discarded:
                    self._discarded(candidate, result.export)
        keyed = [candidate for candidate in candidates if candidate.key is not None]
        keys = [candidate.key for candidate in keyed if candidate.key is not None]
        result.keys.extend(keys)
        for position, seen in admit(keys).items():
            self._apply(keyed[position], seen, result.export)
        for candidate in candidates:
            if candidate.findings:
                self._note(candidate.findings, result)

    def _discarded(self, candidate: Candidate, export: int) -> None:
        """A person has looked at this set and discarded it: it waits for nobody any more."""
        candidate.hold()
        candidate.item.readings = ()
        candidate.key = None
        noticed = Noticed("discarded-before", "a person has discarded the set")
        candidate.findings = [finding(noticed, export=export, line=candidate.item.line)]

    def _apply(self, candidate: Candidate, seen: Seen, export: int) -> None:
        """What becomes of a set of which something is known (`gateway.once`)."""
        item, retaken = candidate.item, self._retaken
        assert candidate.key is not None
        said = Said(
            candidate.readings,
            candidate.outcomes or [Outcome.RECORDED] * len(candidate.readings),
            item.readings,
            export,
            candidate.key.how,
            retaken is not None,
            retaken is not None and item.line in retaken.reinstated,
            retaken.read if retaken is not None else 0,
            item.moment.epoch if self._loaded.mapping.time.age is None else None,
        )
        verdict = self._judge.verdict(said, seen)
        candidate.outcomes = verdict.outcomes
        item.readings = verdict.recorded
        item.revised = verdict.revised
        candidate.earlier, candidate.chain = verdict.earlier, verdict.chain
        if verdict.earlier is not None:
            item.identity = verdict.earlier.identity.hex()
        if verdict.alone:
            candidate.findings.clear()
        for noticed in verdict.noticed:
            effect = self._effects[noticed.rule]
            if effect is Effect.OFF:
                continue
            candidate.findings.append(finding(noticed, export=export, line=item.line, effect=effect))
            if noticed.rule == "patients-close-together":
                self._take(candidate, effect)

    def _take(self, candidate: Candidate, effect: Effect) -> None:
        """Apply the effect of a rule about a whole set."""
        item = candidate.item
        if effect is Effect.HOLD:
            candidate.hold()
            item.readings = ()
        elif effect is Effect.FLAG:
            candidate.readings = [self._flag(each) for each in candidate.readings]
            item.readings = tuple([self._flag(each) for each in item.readings])

    def _flag(self, reading: Reading) -> Reading:
        """A reading marked as questionable; one object for each reading, as all that is made of it is remembered."""
        if reading.flagged or reading.outcome is not Outcome.RECORDED:
            return reading
        twin = self._flagged.get(reading)
        if twin is None:
            if len(self._flagged) > _TEXTS_KEPT:
                self._flagged.clear()
            twin = self._flagged[reading] = replace(reading, flagged=True)
        return twin

    def _keep(self, candidates: Sequence[Candidate], block: int, result: BlockResult) -> None:
        """What the ledger is to remember of the sets."""
        for candidate in candidates:
            item = candidate.item
            outcomes = candidate.outcomes
            rules = ",".join(dict.fromkeys(each.rule for each in candidate.findings))
            if candidate.written is not None and candidate.key is not None:
                (result.sets if candidate.earlier is None else result.revised).append(
                    self._row(candidate, candidate.key, block, rules)
                )
            elif candidate.key is not None and outcomes and set(outcomes) == {Outcome.REPEAT}:
                again = candidate.earlier.identity if candidate.earlier else candidate.key.identity
                result.sightings.append(Sighting(item.line, again))
            result.taken.append(item.line)
            if outcomes and Outcome.HELD in outcomes and rules != "discarded-before":
                held = [each for each, outcome in zip(candidate.readings, outcomes, strict=True)
                        if outcome is Outcome.HELD]  # fmt: skip
                reasons = dict.fromkeys(each.rule for each in candidate.findings if each.effect is Effect.HOLD)
                result.holds.append(
                    HoldRow(
                        block,
                        item.line,
                        item.device.value if item.device else "",
                        item.moment.epoch if item.moment.fhir else None,
                        candidate.key.identity if candidate.key else None,
                        ",".join(reasons),
                        ",".join(dict.fromkeys(each.vital for each in held if each.vital)),
                        len(held),
                        packed_readings(candidate.readings, outcomes),
                    )
                )

    def _row(self, candidate: Candidate, key: Key, block: int, rules: str) -> SetRow:
        assert candidate.written is not None
        item, earlier = candidate.item, candidate.earlier
        said = self._said
        if len(said) > _TEXTS_KEPT:
            said.clear()
        # A reading is one object for each distinct text, so most of this is look-ups.
        texts = []
        for reading in item.readings:
            text = said.get(reading)
            if text is None:
                text = said[reading] = f"{reading.vital}={canonical(reading)}"
            texts.append(text)
        whole = self._keys_of(item)
        if earlier is not None and not earlier.retracted:
            now = {text.partition("=")[0]: text for text in texts}
            texts = [now.pop(vital, f"{vital}={text}") for vital, text in earlier.readings.items()] + [*now.values()]
            whole = ",".join(sorted(earlier.keys.union(whole.split(","))))
        status: str = self._loaded.mapping.output.status
        if item.revised and item.revised.corrected - item.revised.preliminary and status == "final":
            status = "corrected"
        return SetRow(
            earlier.identity if earlier is not None else key.identity,
            block,
            item.line,
            key.device,
            item.moment.epoch,
            item.patient.value,
            item.patient.system,
            key.sequence,
            key.content,
            ";".join(sorted(texts)),
            rules,
            whole,
            candidate.written.fhir,
            candidate.written.oru,
            status,
            key.wall,
            candidate.chain,
            key.how,
        )

    def _keys_of(self, item: SetItem) -> str:
        """Keys of the FHIR records of a set, separated by commas; much the same for every set of an export."""
        keys = self._fhir.group_keys(item.readings)
        if self._loaded.mapping.output.fhir.panel:
            keys += self._fhir.keys(item)[-1:]
        named = tuple(keys)
        known = self._keys.get(named)
        if known is None:
            if len(self._keys) > _TEXTS_KEPT:
                self._keys.clear()
            known = self._keys[named] = ",".join(sorted(set(keys)))
        return known

    def _note(self, findings: Sequence[Finding], result: BlockResult) -> None:
        result.findings.extend(findings)
        for each in findings:
            result.tally.note(each)

    def _parts(self, candidates: Sequence[Candidate]) -> Iterator[list[Candidate]]:
        """Sets to be rendered together: as many as a bundle holds, or a fixed number of them."""
        limit = self._fhir.limit
        bundled = self._options.records_as != "oru" and self._options.bundle != "ndjson"
        part: list[Candidate] = []
        # A Provenance of first records, and two more where something is changed: of updates and of additions.
        entries, revising = 1, False
        devices: set[Party] = set()
        pairs: set[ClockPair] = set()
        for candidate in candidates:
            item = candidate.item
            if not item.readings or candidate.key is None:
                continue
            if bundled:
                pair = item.moment.own.pair if item.moment.own is not None else None
                size = len(self._fhir.keys(item)) + (item.device is not None and item.device not in devices)
                size += pair is not None and pair not in pairs
                size += 2 * (item.revised is not None and not revising)
                if part and entries + size > limit:
                    yield part
                    part, entries, revising, devices, pairs = [], 1, False, set(), set()
                    size = len(self._fhir.keys(item)) + (item.device is not None) + (pair is not None)
                    size += 2 * (item.revised is not None)
                entries += size
                revising |= item.revised is not None
                if item.device is not None:
                    devices.add(item.device)
                if pair is not None:
                    pairs.add(pair)
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
                fhir = self._render_fhir(part)
                failed.update(self._verify_fhir(fhir))
            if self._options.records_as != "fhir":
                messages = [self._oru.message(candidate.item) for candidate in part]
                failed.update(self._verify_oru(messages))
            if not failed:
                name = files.write(fhir, messages, ndjson=self._options.bundle == "ndjson")
                self._count_records(fhir, messages, result)
                if self._options.remember:
                    for candidate in part:
                        candidate.written = name
                return
            for position, what in failed.items():
                self._fail(part[position], what, result)
            part = [candidate for position, candidate in enumerate(part) if position not in failed]

    def _render_fhir(self, part: Sequence[Candidate]) -> _FhirPart:
        renderer = self._fhir
        records: list[bytes] = []
        owners: list[int] = []
        devices: dict[str, Party] = {}
        pairs: dict[tuple[str, ClockPair], Party] = {}
        for position, candidate in enumerate(part):
            texts = renderer.observations(candidate.item)
            records.extend(texts)
            owners.extend([position] * len(texts))
            if candidate.item.device is not None:
                devices[candidate.item.device.value] = candidate.item.device
                own = candidate.item.moment.own
                if own is not None and own.pair is not None:
                    pairs[candidate.item.device.value, own.pair] = candidate.item.device
        provenance = []
        if self._loaded.mapping.output.fhir.provenance:
            provenance = renderer.provenances([candidate.item for candidate in part])
        if self._options.bundle == "ndjson":
            data = b"\n".join([*records, b""])
            return _FhirPart(records, owners, list(devices.values()), pairs, provenance, data)
        before = [renderer.device(device) for device in devices.values()]
        before += [renderer.device_time(device, pair) for (_, pair), device in pairs.items()]
        data = renderer.bundle([*before, *records, *provenance]) + b"\n"
        return _FhirPart(records, [-1] * len(before) + owners, list(devices.values()), pairs, provenance, data)

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
                if fhir.pairs:
                    records[DEVICE_TIME] += len(fhir.pairs)
                records["Bundle"] += 1
            for device in fhir.devices:
                result.devices[device.value] = device
            result.pairs.update(fhir.pairs)
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
                shown = device_shown(device.value, candidate.item.patient.value) if device else ""
                tally.timeline.add(shown, candidate.item.moment.epoch)
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
        owners: for each entry of `data`, the position of its set; -1 for a Device and for a device's time.
        devices: the devices named.
        pairs: the device times named, with their devices.
        provenance: Provenance of first records and of changes.
        data: the bundle, or the lines of the Observations, as bytes.
    """

    records: list[bytes]
    owners: list[int]
    devices: list[Party]
    pairs: dict[tuple[str, ClockPair], Party]
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

    def write(self, fhir: _FhirPart | None, messages: Sequence[str], *, ndjson: bool) -> Written:
        """Write verified records; messages are kept until the batch file of the block is complete."""
        self.parts += 1
        self._messages.extend(messages)
        oru = f"oru/{self._stem}.hl7" if messages else ""
        if fhir is None:
            return Written("", oru)
        if not ndjson:
            with self._new(f"fhir/{self._stem}-{self.parts:04d}.bundle.json") as file:
                file.write(fhir.data)
            return Written(self.names[-1], oru)
        if self._observations is None:
            self._observations = self._new(f"fhir/{self._stem}.observations.ndjson")
        self._observations.write(fhir.data)
        if fhir.provenance:
            if self._provenance is None:
                self._provenance = self._new(f"fhir/{self._stem}.provenance.ndjson")
            self._provenance.write(b"\n".join([*fhir.provenance, b""]))
        return Written(self._observations.name.removeprefix(f"{self._folder}/"), oru)

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


def write_device_times(job: Job, pairs: Mapping[tuple[str, ClockPair], Party]) -> str:
    """Write the lines of device times that NDJSON Observations refer to; the file's name in the result folder.

    Raises:
        OutputError: the lines cannot be verified.
    """
    renderer = FhirRenderer(job.loaded.mapping, "ndjson", gateway_version=VERSION)
    name = "fhir/device-times.ndjson"
    data = b"".join(renderer.device_time(device, pair) + b"\n" for (_, pair), device in pairs.items())
    for problem in FhirVerifier(job.loaded.mapping.output.fhir.profile == "us-core").lines(data):
        raise _unverified("The record of a device's time", problem)
    (job.folder / name).write_bytes(data)
    return name


def packed_readings(readings: Sequence[Reading], outcomes: Sequence[Outcome]) -> str:
    """The readings of a set as a hold keeps them (`gateway.inspection.holds` reads them), JSON."""
    rows = [
        [reading.vital, reading.text.split("\x1f", 1)[0], _value(reading), reading.unit, outcome.value]
        for reading, outcome in zip(readings, outcomes, strict=True)
    ]
    return json.dumps(rows, ensure_ascii=True, separators=(",", ":"))


def _value(reading: Reading) -> str:
    return reading.code or ("" if reading.value is None else f"{reading.comparator}{reading.value}")
