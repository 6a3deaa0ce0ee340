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
from collections.abc import Callable, Collection, Iterator, Sequence
from contextlib import ExitStack, closing
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, cast

from gateway import report as report_module
from gateway.adapters import counts
from gateway.checks import effects, finding, rules
from gateway.conversion.blocks import DEVICE_TIME, BlockResult, write_device_times, write_devices
from gateway.conversion.clocks import Clocks, survey
from gateway.conversion.exports import Export, blocks_of, find_exports
from gateway.conversion.options import Job, Options, RecordsAs, Verify, Watch, load_mapping, time_of_change
from gateway.conversion.remembering import HoldsTally, Remembering, run_info
from gateway.conversion.workers import converters_for
from gateway.errors import OutputError, UsageError
from gateway.identity import load_associations
from gateway.mapping import Mapping
from gateway.model import (
    Block,
    ClockPair,
    Finding,
    Noticed,
    Outcome,
    Party,
    Tally,
)
from gateway.normalise.ages import STEPS, anchor_step
from gateway.normalise.times import zone_edition
from gateway.once import Lists, Repeats
from gateway.records.fhir import Container
from gateway.records.output import Stage, output_error
from gateway.report import (
    BatchInfo,
    ExportInfo,
    FileInfo,
    FindingsWriter,
    HoldsInfo,
    MappingInfo,
    Report,
    RuleInfo,
    WrittenFile,
)
from gateway.version import VERSION
from gateway.vocabulary import editions

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

    Raises:
        GatewayError: the mapping, an export, the associations or the folder cannot be used; nothing is left behind.
    """
    started = datetime.now(UTC)
    for name, value, allowed in (
        ("--as", as_, ("fhir", "oru", "both")),
        ("--bundle", bundle, ("transaction", "collection", "ndjson")),
        ("--verify", verify, ("sample", "full")),
    ):
        if value not in allowed:
            raise UsageError(f"{name} does not know {value!r}", todo=f"Choose one of {', '.join(allowed)}")
    if workers < 1:
        raise UsageError("--workers must be at least 1", todo="Leave it out to use one process")
    if watch is not None and workers > 1:
        raise UsageError("Sets can be watched in one process only", where="workers", todo="Leave workers out")
    if received is not None and received.tzinfo is None:
        raise UsageError("--received has no zone", todo="Add an offset, such as 2026-03-14T09:30:00-05:00")
    if sent is not None and sent.tzinfo is None:
        raise UsageError("--sent has no zone", todo="Add an offset, such as 2026-03-14T09:30:00-05:00")
    loaded = load_mapping(mapping)
    age, clock = loaded.mapping.time.age, loaded.mapping.time.clock
    given = age.anchor == "given" if age is not None else clock is not None and clock.reference == "given"
    # A held set brings with it when its list was sent.
    if given != (sent is not None) and not (only is not None and sent is None):
        what = "needs --sent, the time at which the list was sent" if sent is None else "does not use --sent"
        todo = "See reference in [time.clock] of the mapping" if clock else "See anchor in [time.age] of the mapping"
        raise UsageError(f"The mapping {what}", where=str(mapping), todo=todo)
    if loaded.mapping.patient.column is None and associations is None and only is None:
        raise UsageError(
            "The mapping reads no patient from the export, and no associations were given",
            where=str(mapping),
            todo="Name the list of associations with --associations",
        )
    known = load_associations(associations, loaded.mapping) if associations is not None else None
    if ledger is not None and replace:
        raise UsageError(
            "With --ledger a result is never replaced: its records may have been sent", where="--replace",
            todo="Name a new folder with --out",
        )  # fmt: skip
    queued = _targets(targets, as_, bundle, remembered=ledger is not None)
    changed = time_of_change(started) if ledger is not None else ("", "")
    options = Options(
        records_as=cast(RecordsAs, as_),
        bundle=cast(Container, bundle),
        verify=cast(Verify, verify),
        received=int((received or started).timestamp()),
        received_fhir=received.isoformat(timespec="seconds") if received else "",
        received_dtm=received.strftime("%Y%m%d%H%M%S%z") if received else "",
        changed_fhir=changed[0],
        changed_dtm=changed[1],
        sent=sent,
        remember=ledger is not None,
    )
    with ExitStack() as stack:
        opened: Ledger | None = None
        if ledger is not None:
            from gateway.ledger import open_ledger

            opened = stack.enter_context(open_ledger(ledger, wait=wait))
            if recovered is not None and opened.recovered:
                recovered(opened.recovered)
        stage = Stage(Path(out), replace=replace)
        merged = opened.merged() if opened is not None else {}
        job = Job(loaded, options, known, stage.folder, watch=watch, merged=merged)
        try:
            report = _convert(
                job, opened, exports, workers, stage, started, targets=queued, identifiers=identifiers,
                progress=progress, only=only,
            )  # fmt: skip
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


def _targets(
    targets: Sequence[tuple[str, str]], as_: str, bundle: str, *, remembered: bool
) -> list[tuple[str, OutboxKind]]:
    """The targets, if this conversion makes what they take."""
    if targets and not remembered:
        raise UsageError("Records are sent by way of a ledger, and none was given", todo="Name one with --ledger")
    names = [name for name, _ in targets]
    for name, kind in targets:
        where = f"target {name}"
        if kind not in ("fhir", "oru", "batch"):
            raise UsageError(f"There is no kind of target {kind!r}", where=where, todo="Choose fhir, oru or batch")
        if not name.strip() or names.count(name) > 1:
            raise UsageError("Each target needs a name of its own", where=where, todo="Give it another name")
        made = "fhir" if kind == "fhir" else "oru"
        if as_ not in (made, "both"):
            raise UsageError(
                f"It takes {'FHIR' if made == 'fhir' else 'HL7 v2'}, and no such records are made",
                where=where,
                todo=f"Convert with --as {made} or --as both, or leave the target out",
            )
        if kind == "fhir" and bundle != "transaction":
            raise UsageError(
                f"It takes transaction bundles, and the records are made as {bundle}",
                where=where,
                todo="Convert with --bundle transaction, or leave the target out",
            )
    return [(name, cast("OutboxKind", kind)) for name, kind in targets]


def _convert(
    job: Job,
    ledger: Ledger | None,
    exports: Sequence[str | Path],
    workers: int,
    stage: Stage,
    started: datetime,
    *,
    targets: Sequence[tuple[str, OutboxKind]],
    identifiers: bool,
    progress: Callable[[int, int], None] | None,
    only: Collection[tuple[int, int]] | None,
) -> Report:
    """Convert into the stage, and put the result in its place."""
    with ExitStack() as stack:
        drawing = stack.enter_context(report_module.Drawing())
        run = stack.enter_context(ledger.run(run_info(job, started))) if ledger is not None else None
        with tempfile.TemporaryDirectory(prefix="index-", dir=stage.folder) as scratch:
            found = find_exports(exports, job.loaded.mapping, Path(scratch)) if exports or ledger is None else []
            age = job.loaded.mapping.time.age
            seen: Repeats | Lists = (
                Repeats(Path(scratch) / "seen", job.change)
                if age is None
                else Lists(
                    STEPS[age.unit] + anchor_step(job.loaded.mapping.time), job.loaded.mapping.memory, job.change
                )
            )
            with closing(seen):
                clocks = survey(job.loaded.mapping, job.options, _blocks(job.loaded.mapping, found))
                job = dataclasses.replace(job, older=clocks.older)
                memory = Remembering(ledger, run, job, seen) if ledger is not None and run is not None else None
                tally, files = _run(job, found, clocks, workers, stage, seen, memory, progress, only)
            counts = memory.finish(tally) if memory is not None else ""
        report = _report(job, found, tally, clocks, files, started, memory.tally if memory is not None else None)
        report_module.write(report, stage.folder, identifiers=identifiers, drawing=drawing)
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


def _run(
    job: Job,
    exports: Sequence[Export],
    clocks: Clocks,
    workers: int,
    stage: Stage,
    seen: Repeats | Lists,
    memory: Remembering | None,
    progress: Callable[[int, int], None] | None,
    only: Collection[tuple[int, int]] | None,
) -> tuple[Tally, list[str]]:
    """Take up what was held, convert every block of every export; give the counts and the names of the files."""
    tally = Tally()
    devices: dict[str, Party] = {}
    pairs: dict[tuple[str, ClockPair], Party] = {}
    files: list[str] = []
    total = sum(export.size for export in exports)
    first: dict[str, int] = {}
    done = 0
    admit = seen.admit if memory is None else memory.admit

    def written(result: BlockResult) -> None:
        devices.update(result.devices)
        pairs.update(result.pairs)
        files.extend(result.files)
        stage.written(result.files)

    def retaken(result: BlockResult) -> None:
        # The readings of earlier exports are not part of this batch's reckoning; their records are.
        tally.records.update(result.tally.records)
        written(result)

    with (
        FindingsWriter(job.folder / "findings.csv", map(_rule_info, rules())) as writer,
        converters_for(workers, job, exports) as converters,
    ):

        def note(findings: Sequence[Finding]) -> None:
            writer.write(findings)
            for each in findings:
                tally.note(each)

        if memory is not None:
            memory.take_up(retaken, only)
        note(clocks.findings)
        for number, export in enumerate(exports, start=1):
            read_before = False
            if memory is not None:
                read_before, discarded = memory.begin_export(export)
                export = dataclasses.replace(export, discarded=discarded)
            if first.setdefault(export.sha256, number) != number:
                what = f"this export has the same content as export {first[export.sha256]}"
                note([finding(Noticed("export-same-content", what), export=number, line=0)])
            elif read_before:
                what = "an earlier run has read an export of the same content"
                note([finding(Noticed("export-read-before", what), export=number, line=0)])
            for result, block in converters.results(number, export, admit):
                tally.merge(result.tally)
                writer.write(result.findings)
                if isinstance(seen, Lists):
                    note([finding(each.noticed, export=each.export, line=each.line) for each in seen.losses()])
                written(result)
                if memory is not None:
                    memory.keep(block, result)
                done += len(block.text)
                if progress is not None:
                    progress(min(done, total), total)
    if devices and job.options.bundle == "ndjson":
        files.append(write_devices(job, devices.values()))
        stage.written(files[-1:])
        tally.records["Device"] = len(devices)
    if pairs and job.options.bundle == "ndjson":
        files.append(write_device_times(job, pairs))
        stage.written(files[-1:])
        tally.records[DEVICE_TIME] = len(pairs)
    if progress is not None:
        progress(total, total)
    return tally, files


def _rule_info(slug: str) -> RuleInfo:
    rule = rules()[slug]
    return RuleInfo(
        slug=slug, title=rule.title, severity=rule.severity, effect=rule.effect, why=rule.why, todo=rule.todo
    )


def _blocks(mapping: Mapping, exports: Sequence[Export]) -> Iterator[tuple[int, Iterator[Block]]]:
    """The blocks of every export, by its position."""
    for number, export in enumerate(exports, start=1):
        yield number, blocks_of(export, number, mapping)


def _report(
    job: Job,
    exports: Sequence[Export],
    tally: Tally,
    clocks: Clocks,
    files: Sequence[str],
    started: datetime,
    holds: HoldsTally | None,
) -> Report:
    mapping = job.loaded.mapping
    in_force = effects(mapping)
    words = [info.model_copy(update={"effect": in_force[info.slug]}) for info in map(_rule_info, rules())]
    info = BatchInfo(
        gateway=VERSION,
        mapping=MappingInfo(
            title=mapping.title, version=mapping.version, file=Path(job.loaded.path).name, sha256=job.loaded.sha256
        ),
        editions={**editions(), "IANA time zones": zone_edition()},
        started=started,
        finished=datetime.now(UTC),
        options={"records": job.options.records_as, "bundle": job.options.bundle, "verify": job.options.verify},
        associations=None
        if job.associations is None
        else FileInfo(name=Path(job.associations.path).name, sha256=job.associations.sha256),
        readings=tally.readings,
        unit="byte" if counts(mapping.form) == "bytes" else "line",
        failure="",
        holds=None
        if holds is None
        else HoldsInfo(
            before=holds.before,
            taken_up=holds.taken_up,
            released=holds.released,
            repeats=holds.repeats,
            opened=holds.opened,
            open=holds.open,
            reasons=dict(sorted(holds.reasons.items())),
            corrected=holds.corrected,
            readings={outcome.value: holds.readings[outcome] for outcome in Outcome},
        ),
        files=[WrittenFile(name=name, bytes=(job.folder / name).stat().st_size) for name in files],
    )
    listed = [
        ExportInfo(
            name=Path(export.name).name, path=export.name, sha256=export.sha256, bytes=export.size, lines=export.lines
        )
        for export in exports
    ]
    return report_module.build(
        info,
        tally,
        listed,
        words,
        plausibility=mapping.plausibility,
        category=mapping.category.fixed or "unknown",
        clocks=clocks.listed,
        lists=clocks.lists,
        patients=mapping.patient.pattern,
    )
