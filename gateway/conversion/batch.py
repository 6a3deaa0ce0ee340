"""The one join of the stages: exports in, verified records and a report out.

    export -> adapter -> entries -> readings -> checks -> sets -> repeats -> render -> verify -> write -> report

An export is cut into blocks that never divide a set. A block is converted on its own (`BlockConverter.convert`), in
this process or in a worker; what depends on other blocks (has this set been seen before?) is settled here, in the
order of the export, so that any number of workers gives the same bytes.
"""

from __future__ import annotations

import dataclasses
import sqlite3
import tempfile
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import ExitStack, closing
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from gateway import report as report_module
from gateway.checks import finding, rules
from gateway.conversion.blocks import DEVICE_TIME, BlockResult
from gateway.conversion.clocks import Clocks, survey
from gateway.conversion.exports import Export, blocks_of, find_exports
from gateway.conversion.options import Job, Watch, load_mapping
from gateway.conversion.remembering import Remembering, run_info
from gateway.conversion.rendering import write_device_times, write_devices
from gateway.conversion.request import EXPORT_SECONDS, Request
from gateway.conversion.seen import Admit
from gateway.conversion.summary import rule_info, summary
from gateway.conversion.workers import converters_for
from gateway.errors import InputError, OutputError
from gateway.identity import load_associations
from gateway.model import Block, ClockPair, Finding, Noticed, Party, Tally
from gateway.normalise.ages import STEPS, anchor_step
from gateway.once import Key, Lists, Repeats, Seen
from gateway.records.output import Stage, output_error
from gateway.report import FindingsWriter, Report

if TYPE_CHECKING:
    from gateway.ledger import Ledger, OutboxKind, Recovered


@dataclass(frozen=True, slots=True)
class Batch:
    """What a conversion gave.

    Attributes:
        status: 0 when every reading is recorded, a repeat or declared absent; 1 when some are held or unreadable.
        report: the validation report.
        folder: where the records and the report are.
    """

    status: int
    report: Report
    folder: Path


def convert(
    exports: Sequence[str | Path],
    mapping: str | Path,
    out: str | Path,
    *,
    as_: str = "fhir",
    bundle: str = "transaction",
    associations: str | Path | None = None,
    workers: int = 1,
    verify: str = "sample",
    received: datetime | None = None,
    sent: datetime | None = None,
    identifiers: bool = False,
    replace: bool = False,
    ledger: str | Path | None = None,
    wait: float = 0.0,
    targets: Sequence[tuple[str, str]] = (),
    progress: Callable[[int, int], None] | None = None,
    recovered: Callable[[Sequence[Recovered]], None] | None = None,
    watch: Watch | None = None,
    only: Collection[tuple[int, int]] | None = None,
    export_seconds: float = EXPORT_SECONDS,
) -> Batch:
    """Convert a batch of exports with one mapping and leave records and report in a folder.

    Args:
        exports: files, folders (their files, not those below), glob patterns, or "-" for standard input.
        mapping: the mapping file.
        out: folder for the result; it appears only when everything in it is complete.
        as_: "fhir", "oru" or "both".
        bundle: "transaction", "collection" or "ndjson".
        associations: file of who was on which device (CSV, FHIR or HL7 v2), or None.
        workers: processes that convert at the same time; the result is the same for any number.
        verify: "sample" or "full": which records go through the reference libraries besides our own checks.
        received: when the exports were received (with a zone); it is written into MSH-7 and Provenance and is the
            reference for times in the future. None: now for the check, and the records carry their own times.
        sent: when the lists were sent (with a zone), for mappings whose ages count from a time that is given, or
            whose clocks are compared with it.
        identifiers: let the report name the paths of the exports.
        replace: replace an earlier result in `out`.
        ledger: what earlier runs recorded, a file or a database URL: nothing is recorded twice, and what was held is
            taken up again. With it, `exports` may be empty: then only the held sets are looked at.
        wait: seconds to wait for another run that uses the ledger.
        targets: name and kind ("fhir", "oru", or "batch" for whole files of v2 messages) of each target the records
            are put into the ledger's outbox for.
        progress: called with bytes done and bytes in all.
        recovered: told of the runs that had been cut off and were completed when the ledger was opened, if any.
        watch: is shown the sets, in the order of the exports, when what becomes of them is settled; for one worker.
        only: without exports: the held sets that are looked at, as the ledger numbers them (export, line); None for
            all of them.
        export_seconds: how long one export may take; one that takes longer is refused.

    Raises:
        GatewayError: the mapping, an export, the associations or the folder cannot be used; nothing is left behind.
    """
    request = Request(
        exports=exports, mapping=mapping, out=out, as_=as_, bundle=bundle, associations=associations, workers=workers,
        verify=verify, received=received, sent=sent, identifiers=identifiers, replace=replace, ledger=ledger,
        wait=wait, targets=targets, progress=progress, recovered=recovered, watch=watch, only=only,
        export_seconds=export_seconds,
    )  # fmt: skip
    started = datetime.now(UTC)
    request.check()
    loaded = load_mapping(mapping)
    request.check_with(loaded.mapping)
    known = load_associations(associations, loaded.mapping) if associations is not None else None
    queued = request.queued()
    with ExitStack() as stack:
        opened: Ledger | None = None
        if ledger is not None:
            from gateway.ledger import open_ledger

            opened = stack.enter_context(open_ledger(ledger, wait=wait))
            if recovered is not None and opened.recovered:
                recovered(opened.recovered)
        stage = Stage(Path(out), replace=replace)
        merged = opened.merged() if opened is not None else {}
        job = Job(loaded, request.options(started), known, stage.folder, watch=watch, merged=merged)
        try:
            report = _Conversion(request, job, stage, opened, started).result(queued)
        except OutputError as error:
            stage.discard()
            # The unfinished folder is gone by now: the error names the one the user knows.
            where = error.where.replace(str(stage.folder), str(out))
            raise OutputError(error.what, where=where, todo=error.todo) from error
        except sqlite3.Error as error:
            stage.discard()
            raise output_error(OSError(str(error)), Path(out)) from error
        except OSError as error:
            stage.discard()
            raise output_error(error, Path(out)) from error
        except BaseException:
            stage.discard()
            raise
    return Batch(report.exit_status, report, Path(out))


class _Conversion:
    """One conversion under way.

    Args:
        request: what is asked for.
        job: what every process of it knows.
        stage: the folder in which the result grows.
        ledger: what earlier runs recorded, or None.
        started: when it began.
    """

    def __init__(self, request: Request, job: Job, stage: Stage, ledger: Ledger | None, started: datetime) -> None:
        self._request = request
        self._job = job
        self._stage = stage
        self._ledger = ledger
        self._started = started
        self._tally = Tally()
        self._files: list[str] = []
        self._devices: dict[str, Party] = {}
        self._pairs: dict[tuple[str, ClockPair], Party] = {}

    def result(self, targets: Sequence[tuple[str, OutboxKind]]) -> Report:
        """Convert into the stage, and put the result in its place.

        Args:
            targets: those for which records are put into the outbox.
        """
        stage, ledger, mapping = self._stage, self._ledger, self._job.loaded.mapping
        memory: Remembering | None = None
        with ExitStack() as stack:
            drawing = stack.enter_context(report_module.Drawing())
            run = stack.enter_context(ledger.run(run_info(self._job, self._started))) if ledger is not None else None
            with tempfile.TemporaryDirectory(prefix="index-", dir=stage.folder) as scratch:
                exports: list[Export] = []
                if self._request.exports or ledger is None:
                    exports = find_exports(self._request.exports, mapping, Path(scratch))
                with closing(_seen(self._job, Path(scratch))) as seen:
                    clocks = survey(mapping, self._job.options, self._blocks(exports))
                    self._job = dataclasses.replace(self._job, older=clocks.older)
                    if ledger is not None and run is not None:
                        memory = Remembering(ledger, run, self._job, seen)
                    self._convert(exports, clocks, seen, memory)
                counts = memory.finish(self._tally) if memory is not None else ""
            holds = memory.tally if memory is not None else None
            report = summary(self._job, exports, self._tally, clocks, self._files, self._started, holds)
            report_module.write(report, stage.folder, identifiers=self._request.identifiers, drawing=drawing)
            if run is None:
                stage.commit()
            else:
                for path in sorted(stage.folder.iterdir()):
                    # The ledger can make the whole folder again, if it comes to that.
                    if path.is_file() and not path.name.startswith("."):
                        run.add_content(path.name, path.read_bytes())
                if targets:
                    run.queue(targets)
                stage.seal(run.token)
                run.prepare(stage.folder, stage.target, counts)
                stage.commit()
                run.finish()
        return report

    def _convert(
        self, exports: Sequence[Export], clocks: Clocks, seen: Repeats | Lists, memory: Remembering | None
    ) -> None:
        """Take up what was held, convert every block of every export, count, and keep what is to be kept."""
        job, tally = self._job, self._tally
        progress = self._request.progress or _silent
        total = sum(export.size for export in exports)
        done = 0
        with (
            FindingsWriter(job.folder / "findings.csv", map(rule_info, rules())) as writer,
            converters_for(self._request.workers, job, exports) as converters,
        ):

            def note(findings: Iterable[Finding]) -> None:
                found = list(findings)
                writer.write(found)
                for each in found:
                    tally.note(each)

            if memory is not None:
                memory.take_up(self._retaken, self._request.only)
            note(clocks.findings)
            first: dict[str, int] = {}
            for number, export in enumerate(exports, start=1):
                read_before = False
                if memory is not None:
                    read_before, export = memory.begin_export(export)
                if first.setdefault(export.sha256, number) != number:
                    what = f"this export has the same content as export {first[export.sha256]}"
                    note([finding(Noticed("export-same-content", what), export=number, line=0)])
                elif read_before:
                    what = "an earlier run has read an export of the same content"
                    note([finding(Noticed("export-read-before", what), export=number, line=0)])
                admit = _in_order(export, memory.admit if memory else seen.admit, job)
                for result, block in converters.results(number, export, admit):
                    tally.merge(result.tally)
                    writer.write(result.findings)
                    if isinstance(seen, Lists):
                        note(finding(each.noticed, export=each.export, line=each.line) for each in seen.losses())
                    self._written(result)
                    if memory is not None:
                        memory.keep(block, result)
                    done += len(block.text)
                    progress(min(done, total), total)
        if job.options.bundle == "ndjson":
            self._write_devices()
        progress(total, total)

    def _blocks(self, exports: Sequence[Export]) -> Iterator[tuple[int, Iterator[Block]]]:
        """The blocks of every export, by its position."""
        for number, export in enumerate(exports, start=1):
            yield number, blocks_of(export, number, self._job.loaded.mapping, self._job.options.seconds)

    def _written(self, result: BlockResult) -> None:
        """Take note of the files of a block, and of the devices its records name."""
        self._devices.update(result.devices)
        self._pairs.update(result.pairs)
        self._files.extend(result.files)
        self._stage.written(result.files)

    def _retaken(self, result: BlockResult) -> None:
        """Take note of a block of an earlier run: its readings are no part of this reckoning, its records are."""
        self._tally.records.update(result.tally.records)
        self._written(result)

    def _write_devices(self) -> None:
        """Write, once for the batch, the devices and their times that lines of Observations refer to."""
        if self._devices:
            self._files.append(write_devices(self._job, self._devices.values()))
            self._stage.written(self._files[-1:])
            self._tally.records["Device"] = len(self._devices)
        if self._pairs:
            self._files.append(write_device_times(self._job, self._pairs))
            self._stage.written(self._files[-1:])
            self._tally.records[DEVICE_TIME] = len(self._pairs)


def _in_order(export: Export, admit: Admit, job: Job) -> Admit:
    """The same, for exports whose rows of one set must follow each other; one in which they do not is refused.

    Raises:
        InputError: from what is returned: a set goes on after rows of others.
    """
    mapping = job.loaded.mapping
    if not mapping.long or (mapping.delimited is not None and mapping.delimited.order == "any"):
        return admit

    def admitted(keys: Sequence[Key]) -> Mapping[int, Seen]:
        found = admit(keys)
        for position, seen in found.items():
            if seen.apart and seen.export == keys[position].export:
                raise InputError(
                    "The rows of a set do not follow each other",
                    where=f"{export.name}, lines {seen.line} and {keys[position].line}",
                    todo='Write order = "any" in [delimited]: rows of one time, patient and monitor are then one set '
                    "wherever they stand",
                )
        return found

    return admitted


def _seen(job: Job, scratch: Path) -> Repeats | Lists:
    """The sets of this batch, or its lists where their entries carry ages."""
    mapping = job.loaded.mapping
    if mapping.time.age is None:
        return Repeats(scratch / "seen", job.change)
    return Lists(STEPS[mapping.time.age.unit] + anchor_step(mapping.time), mapping.memory, job.change)


def _silent(done: int, total: int) -> None:
    """Nobody is told how far it is."""
