"""The one join of the stages: exports in, verified records and a report out.

    export -> adapter -> entries -> readings -> checks -> sets -> repeats -> render -> verify -> write -> report

An export is cut into blocks that never divide a set. A block is converted on its own (`BlockConverter.convert`), in
this process or in a worker; what depends on other blocks (has this set been seen before?) is settled here, in the
order of the export, so that any number of workers gives the same bytes.
"""

from __future__ import annotations

import hashlib
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import cast

from gateway import report as report_module
from gateway.checks import finding, rules
from gateway.conversion.exports import Export, find_exports
from gateway.conversion.options import Options, RecordsAs, Verify
from gateway.conversion.workers import converters_for
from gateway.errors import OutputError, UsageError
from gateway.identity.associations import Associations, load_associations
from gateway.mapping import LoadedMapping, load
from gateway.model import (
    Effect,
    Noticed,
    Outcome,
    Party,
    Severity,
    Tally,
)
from gateway.records.fhir import Container, FhirRenderer
from gateway.records.output import Stage, output_error
from gateway.records.repeats import Repeats
from gateway.records.verify_fhir import FhirVerifier
from gateway.report import BatchInfo, ExportInfo, FileInfo, FindingsWriter, MappingInfo, Report, RuleInfo
from gateway.version import VERSION
from gateway.vocabulary import editions


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
    identifiers: bool = False,
    replace: bool = False,
    progress: Callable[[int, int], None] | None = None,
) -> Batch:
    """Convert a batch of exports with one mapping and leave records and report in a folder.

    Args:
        exports: files, folders (their files, not those below), glob patterns, or "-" for standard input.
        mapping: the mapping file.
        out: folder for the result; it appears only when everything in it is complete.
        as_: "fhir", "oru" or "both".
        bundle: "transaction", "collection" or "ndjson".
        associations: CSV of who was on which device, or None.
        workers: processes that convert at the same time; the result is the same for any number.
        verify: "sample" or "full": which records go through the reference libraries besides our own checks.
        received: when the exports were received (with a zone); it is written into MSH-7 and Provenance and is the
            reference for times in the future. None: now for the check, and the records carry their own times.
        identifiers: let the report name the paths of the exports.
        replace: replace an earlier result in `out`.
        progress: called with bytes done and bytes in all.

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
    if received is not None and received.tzinfo is None:
        raise UsageError("--received has no zone", todo="Add an offset, such as 2026-03-14T09:30:00-05:00")
    loaded = load(mapping, known_rules=tuple(rules()))
    known = load_associations(associations) if associations is not None else None
    options = Options(
        records_as=cast(RecordsAs, as_),
        bundle=cast(Container, bundle),
        verify=cast(Verify, verify),
        received=int((received or started).timestamp()),
        received_fhir=received.isoformat(timespec="seconds") if received else "",
        received_dtm=received.strftime("%Y%m%d%H%M%S%z") if received else "",
    )
    stage = Stage(Path(out), replace=replace)
    try:
        with tempfile.TemporaryDirectory(prefix="index-", dir=stage.folder) as scratch:
            batch_exports = find_exports(exports, loaded.mapping.delimited.encoding, Path(scratch))
            tally, devices, files = _run(
                batch_exports, loaded, associations, known, options, workers, stage.folder, Path(scratch), progress
            )
        if bundle == "ndjson" and as_ != "oru" and devices:
            files.append(_write_devices(loaded, devices, stage.folder))
            tally.records["Device"] = len(devices)
        report = _report(loaded, associations, batch_exports, tally, files, stage.folder, started, options)
        report_module.write(report, stage.folder, identifiers=identifiers)
        stage.commit()
    except OSError as error:
        stage.discard()
        raise output_error(error, Path(out)) from error
    except BaseException:
        stage.discard()
        raise
    waiting = tally.outcomes.total() - sum(
        count
        for (_, outcome), count in tally.outcomes.items()
        if outcome in (Outcome.RECORDED, Outcome.REPEAT, Outcome.ABSENT)
    )
    serious = any(rules()[rule].severity in (Severity.ERROR, Severity.FATAL) for rule, _ in tally.rules)
    return Batch(1 if waiting or serious else 0, report, Path(out))


def _run(
    exports: Sequence[Export],
    loaded: LoadedMapping,
    associations_path: str | Path | None,
    associations: Associations | None,
    options: Options,
    workers: int,
    folder: Path,
    scratch: Path,
    progress: Callable[[int, int], None] | None,
) -> tuple[Tally, list[Party], list[str]]:
    """Convert every block of every export; settle repeats across blocks in the order of the exports."""
    tally = Tally()
    devices: dict[tuple[str, str, str], None] = {}
    files: list[str] = []
    total = sum(export.size for export in exports)
    repeats = Repeats(scratch / "seen")
    infos = [_rule_info(slug) for slug in rules()]
    seen_exports: dict[str, int] = {}
    with (
        FindingsWriter(folder / "findings.csv", infos) as writer,
        converters_for(workers, loaded, associations_path, options, folder, exports) as pool,
    ):
        done = 0
        for number, export in enumerate(exports, start=1):
            first = seen_exports.setdefault(export.sha256, number)
            if first != number:
                noticed = Noticed("export-same-content", f"This export has the same content as export {first}")
                same = finding(noticed, export=number, line=0, column="", vital="", effect=None)
                tally.note(same)
                writer.write([same])
            for result, size in pool.results(number, export, loaded, options, associations, repeats):
                tally.merge(result.tally)
                writer.write(result.findings)
                devices.update(result.devices)
                files.extend(result.files)
                done += size
                if progress is not None:
                    progress(min(done, total), total)
    repeats.close()
    if progress is not None:
        progress(total, total)
    return tally, [Party(*device) for device in devices], files


def _rule_info(slug: str) -> RuleInfo:
    rule = rules()[slug]
    return RuleInfo(
        slug=slug, title=rule.title, severity=rule.severity, effect=rule.effect, why=rule.why, todo=rule.todo
    )


def _write_devices(loaded: LoadedMapping, devices: Sequence[Party], folder: Path) -> str:
    renderer = FhirRenderer(loaded.mapping, "ndjson")
    name = "fhir/devices.ndjson"
    text = "".join(renderer.device(device) + "\n" for device in devices)
    for problem in FhirVerifier(False).lines(text.encode()):
        raise OutputError(f"A device record could not be verified: {problem.what}")
    (folder / name).write_text(text, encoding="utf-8")
    return name


def _report(
    loaded: LoadedMapping,
    associations: str | Path | None,
    exports: Sequence[Export],
    tally: Tally,
    files: Sequence[str],
    folder: Path,
    started: datetime,
    options: Options,
) -> Report:
    mapping = loaded.mapping
    effects = {slug: Effect(effect) for slug, effect in mapping.rules.items()}
    infos = [
        info.model_copy(update={"effect": effects[info.slug]}) if info.slug in effects else info
        for info in (_rule_info(slug) for slug in rules())
    ]
    list_of = None
    if associations is not None:
        data = Path(associations).read_bytes()
        list_of = FileInfo(name=Path(associations).name, sha256=hashlib.sha256(data).hexdigest(), bytes=len(data))
    info = BatchInfo(
        gateway=VERSION,
        mapping=MappingInfo(
            title=mapping.title, version=mapping.version, file=Path(loaded.path).name, sha256=loaded.sha256
        ),
        editions=dict(editions()),
        started=started,
        finished=datetime.now(UTC),
        options={"records": options.records_as, "bundle": options.bundle, "verify": options.verify},
        associations=list_of,
        readings=tally.readings,
        failure="",
        files=[FileInfo(name=name, bytes=(folder / name).stat().st_size) for name in files],
    )
    infos_of_exports = [
        ExportInfo(
            name=Path(export.name).name, path=export.name, sha256=export.sha256, bytes=export.size, lines=export.lines
        )
        for export in exports
    ]
    return report_module.build(
        info,
        tally,
        infos_of_exports,
        infos,
        plausibility=mapping.plausibility,
        category=mapping.category.fixed or "unknown",
    )
