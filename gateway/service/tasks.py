"""What is done in processes of their own: converting, and looking at a sample.

A mapping brings patterns of its own and an export is anybody's bytes: here they can take no more than their time, and
a crash takes nothing else with it.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

Progress = Callable[[int, int], None]


@dataclasses.dataclass(frozen=True, slots=True)
class Wanted:
    """What a conversion is asked for.

    Attributes:
        exports: the uploaded exports, under names of ours.
        mapping: the mapping file.
        associations: the uploaded associations, or None.
        out: folder of the result.
        records: "fhir", "oru" or "both".
        bundle: "transaction", "collection" or "ndjson".
        received: when the exports were received, or None.
        sent: when the lists were sent, or None.
        ledger: the ledger to remember the records in, or None.
    """

    exports: tuple[Path, ...]
    mapping: Path
    associations: Path | None
    out: Path
    records: str = "fhir"
    bundle: str = "transaction"
    received: datetime | None = None
    sent: datetime | None = None
    ledger: str | None = None


def run_conversion(wanted: Wanted, progress: Progress) -> dict[str, int]:
    """Convert; the readings by outcome."""
    from gateway.conversion import convert

    batch = convert(
        wanted.exports,
        wanted.mapping,
        wanted.out,
        as_=wanted.records,
        bundle=wanted.bundle,
        associations=wanted.associations,
        received=wanted.received,
        sent=wanted.sent,
        ledger=wanted.ledger,
        progress=progress,
        # The whole conversion has a limit of its own: `job_seconds`.
        export_seconds=math.inf,
    )
    total = batch.report.reckoning.readings.all
    return {name: getattr(total, name) for name in ("recorded", "held", "repeat", "absent", "unreadable")}


def run_look(mapping: Path, sample: Path, associations: Path | None, entries: int, progress: Progress) -> Any:
    """Look at the first sets of a sample."""
    from gateway.inspection.samples import look

    progress(0, 1)
    return look(mapping, sample, entries, associations)
