"""The report of a conversion, from what was counted on the way."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

from gateway import report as report_module
from gateway.adapters import counts
from gateway.checks import effects, rules
from gateway.conversion.clocks import Clocks
from gateway.conversion.exports import Export
from gateway.conversion.options import Job
from gateway.conversion.remembering import HoldsTally
from gateway.model import Outcome, Tally
from gateway.normalise.times import zone_edition
from gateway.report import (
    BatchInfo,
    ExportInfo,
    FileInfo,
    HoldsInfo,
    MappingInfo,
    Report,
    RuleInfo,
    WrittenFile,
)
from gateway.version import VERSION
from gateway.vocabulary import editions


def rule_info(slug: str) -> RuleInfo:
    """What the report says of a rule."""
    rule = rules()[slug]
    return RuleInfo(
        slug=slug, title=rule.title, severity=rule.severity, effect=rule.effect, why=rule.why, todo=rule.todo
    )


def summary(
    job: Job,
    exports: Sequence[Export],
    tally: Tally,
    clocks: Clocks,
    files: Sequence[str],
    started: datetime,
    holds: HoldsTally | None,
) -> Report:
    """The report.

    Args:
        job: the run.
        exports: what was converted.
        tally: counts of lines, readings, sets and records.
        clocks: what was found out about the monitors' clocks.
        files: names of the record files.
        started: when the conversion began.
        holds: what became of the holds of earlier runs; None without a ledger.
    """
    mapping = job.loaded.mapping
    in_force = effects(mapping)
    words = [info.model_copy(update={"effect": in_force[info.slug]}) for info in map(rule_info, rules())]
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
