"""Sets become records: rendered together, and verified before anything is written."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal

from gateway.conversion.options import Job
from gateway.conversion.understanding import Candidate
from gateway.errors import OutputError
from gateway.model import ClockPair, Party, SetItem
from gateway.records.fhir import FhirRenderer
from gateway.records.oru import OruRenderer
from gateway.verify.fhir import FhirVerifier, Problem, deep_fhir
from gateway.verify.oru import OruVerifier, deep_oru
from gateway.version import VERSION


@dataclass(slots=True)
class FhirRecords:
    """FHIR records rendered together.

    Attributes:
        observations: Observations.
        owners: for each entry of `data`, the position of its set; -1 for a Device and for a device's time.
        devices: the devices named.
        pairs: the device times named, with their devices.
        provenance: Provenance of first records and of changes.
        bundled: `data` is a bundle of all that, else the lines of the Observations.
        data: bytes.
    """

    observations: list[bytes]
    owners: list[int]
    devices: list[Party]
    pairs: dict[tuple[str, ClockPair], Party]
    provenance: list[bytes]
    bundled: bool
    data: bytes


@dataclass(slots=True)
class Rendered:
    """The records of some sets: what is FHIR, None where none is made, and a v2 message for each set."""

    fhir: FhirRecords | None = None
    messages: list[str] = field(default_factory=list)


class Rendering:
    """Renders sets and verifies their records.

    Args:
        job: the run this is part of.
        export_sha256: hash of the export, for Provenance.

    Attributes:
        fhir: renders FHIR records, and knows which readings share one.
    """

    def __init__(self, job: Job, export_sha256: str) -> None:
        mapping, options = job.loaded.mapping, job.options
        self.fhir = FhirRenderer(
            mapping,
            options.bundle,
            export_sha256=export_sha256,
            mapping_sha256=job.loaded.sha256,
            gateway_version=VERSION,
            received=options.received_fhir,
            changed=options.changed_fhir,
        )
        self._oru = OruRenderer(mapping, options.received_dtm, options.changed_dtm)
        self._fhir_verifier = FhirVerifier(mapping.output.fhir.profile == "us-core")
        self._oru_verifier = OruVerifier(mapping.output.oru.version)
        self._bundled = options.bundle != "ndjson"
        self._records_as = options.records_as
        self._deep = options.verify == "full"
        self._provenance = mapping.output.fhir.provenance

    def parts(self, candidates: Iterable[Candidate]) -> Iterator[list[Candidate]]:
        """Those sets that have records, as they are rendered together: all, or as many as a bundle holds."""
        recorded = [each for each in candidates if each.item.readings and each.key is not None]
        if self._records_as != "oru" and self._bundled:
            yield from self._bundles(recorded)
        elif recorded:
            yield recorded

    def _bundles(self, candidates: Iterable[Candidate]) -> Iterator[list[Candidate]]:
        part: list[Candidate] = []
        content = _Content()
        for candidate in candidates:
            item = candidate.item
            keys = len(self.fhir.keys(item))
            size = keys + content.beside(item)
            if part and content.entries + size > self.fhir.limit:
                yield part
                part, content = [], _Content()
                size = keys + content.beside(item)
            content.add(item, size)
            part.append(candidate)
        if part:
            yield part

    def render(self, part: Sequence[Candidate]) -> Rendered:
        """The records of some sets, in the forms that the run makes."""
        records = Rendered()
        if self._records_as != "oru":
            records.fhir = self._fhir_records(part)
        if self._records_as != "fhir":
            records.messages = [self._oru.message(candidate.item) for candidate in part]
        return records

    def render_both(self, candidate: Candidate) -> Rendered:
        """The records of a set in both forms, whatever the run makes."""
        return Rendered(self._fhir_records([candidate]), [self._oru.message(candidate.item)])

    def faults(self, records: Rendered) -> dict[int, str]:
        """Positions of sets whose records are not right, with what is wrong.

        Raises:
            OutputError: something is wrong that is no set's.
        """
        failed = self._fhir_faults(records.fhir) if records.fhir is not None else {}
        return failed | self._oru_faults(records.messages)

    def _fhir_records(self, part: Sequence[Candidate]) -> FhirRecords:
        observations: list[bytes] = []
        owners: list[int] = []
        devices: dict[str, Party] = {}
        pairs: dict[tuple[str, ClockPair], Party] = {}
        for position, candidate in enumerate(part):
            texts = self.fhir.observations(candidate.item)
            observations.extend(texts)
            owners.extend([position] * len(texts))
            if candidate.item.device is not None:
                devices[candidate.item.device.value] = candidate.item.device
                own = candidate.item.moment.own
                if own is not None and own.pair is not None:
                    pairs[candidate.item.device.value, own.pair] = candidate.item.device
        provenance = self.fhir.provenances([each.item for each in part]) if self._provenance else []
        if self._bundled:
            before = [self.fhir.device(device) for device in devices.values()]
            before += [self.fhir.device_time(device, pair) for (_, pair), device in pairs.items()]
            owners = [-1] * len(before) + owners
            data = self.fhir.bundle([*before, *observations, *provenance]) + b"\n"
        else:
            data = b"\n".join([*observations, b""])
        return FhirRecords(observations, owners, list(devices.values()), pairs, provenance, self._bundled, data)

    def _fhir_faults(self, records: FhirRecords) -> dict[int, str]:
        if self._bundled:
            problems = self._fhir_verifier.bundle(records.data)
        else:
            problems = self._fhir_verifier.resources([*records.observations, *records.provenance])
        failed: dict[int, str] = {}
        for problem in problems:
            if not 0 <= problem.index < len(records.owners) or records.owners[problem.index] < 0:
                raise _unverified("The records", problem)
            failed.setdefault(records.owners[problem.index], problem.what)
        fresh, self.fhir.fresh = self.fhir.fresh, []
        for text in records.observations if self._deep else fresh:
            what = deep_fhir(_resource_of(text) if self._bundled else text)
            if what:
                offset = len(records.owners) - len(records.observations)
                known = text in records.observations
                owner = records.owners[offset + records.observations.index(text)] if known else 0
                failed.setdefault(owner, what)
        return failed

    def _oru_faults(self, messages: Sequence[str]) -> dict[int, str]:
        failed: dict[int, str] = {}
        for problem in self._oru_verifier.messages(messages):
            if problem.index < 0:
                raise _unverified("The messages", problem)
            failed.setdefault(problem.index, problem.what)
        fresh = set(self._oru.fresh)
        self._oru.fresh.clear()
        for position, message in enumerate(messages):
            if self._deep or message in fresh:
                what = deep_oru(message)
                if what:
                    failed.setdefault(position, what)
        return failed

    def batch_file(self, messages: Sequence[str], number: str) -> bytes:
        """An HL7 v2 batch file of messages that were verified one by one.

        Raises:
            OutputError: the file cannot be verified.
        """
        text = self._oru.batch(messages, number)
        for problem in self._oru_verifier.batch(text, messages):
            raise _unverified("The batch file", problem)
        return text.encode()


class _Content:
    """What a bundle holds so far.

    Attributes:
        entries: how many. A Provenance of first records, and two more where something is changed: of updates and of
            additions.
    """

    def __init__(self) -> None:
        self.entries = 1
        self._revising = False
        self._devices: set[Party] = set()
        self._pairs: set[ClockPair] = set()

    def beside(self, item: SetItem) -> int:
        """How many entries a set brings with it, beside its Observations."""
        pair = item.moment.own.pair if item.moment.own is not None else None
        size = int(item.device is not None and item.device not in self._devices)
        size += pair is not None and pair not in self._pairs
        return size + 2 * (item.revised is not None and not self._revising)

    def add(self, item: SetItem, size: int) -> None:
        """Put a set of so many entries into it."""
        self.entries += size
        self._revising |= item.revised is not None
        if item.device is not None:
            self._devices.add(item.device)
        if item.moment.own is not None and item.moment.own.pair is not None:
            self._pairs.add(item.moment.own.pair)


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
    return _write_lines(job, "fhir/devices.ndjson", [renderer.device(device) for device in devices], "A device record")


def write_device_times(job: Job, pairs: Mapping[tuple[str, ClockPair], Party]) -> str:
    """Write the lines of device times that NDJSON Observations refer to; the file's name in the result folder.

    Raises:
        OutputError: the lines cannot be verified.
    """
    renderer = FhirRenderer(job.loaded.mapping, "ndjson", gateway_version=VERSION)
    lines = [renderer.device_time(device, pair) for (_, pair), device in pairs.items()]
    return _write_lines(job, "fhir/device-times.ndjson", lines, "The record of a device's time")


def _write_lines(job: Job, name: str, lines: Iterable[bytes], what: str) -> str:
    data = b"".join([line + b"\n" for line in lines])
    for problem in FhirVerifier(job.loaded.mapping.output.fhir.profile == "us-core").lines(data):
        raise _unverified(what, problem)
    (job.folder / name).write_bytes(data)
    return name
