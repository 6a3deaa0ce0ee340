"""Rows for the tests of the ledger; every name and number is invented."""

from __future__ import annotations

import hashlib
from datetime import UTC, datetime
from pathlib import Path

from gateway.ledger import HoldRow, Ledger, Run, RunInfo, SetRow

STARTED = datetime(2026, 3, 14, 9, 30, tzinfo=UTC)
SHA = "5a" * 32


def info(**changes: object) -> RunInfo:
    plain = RunInfo(
        "ab" * 32, "Ward monitors", "1.0", "urn:example:ward", "title = 'Ward'\n", "0.1.0", "{}", "", STARTED
    )
    return plain._replace(**changes)  # type: ignore[arg-type]


def identity(number: int) -> bytes:
    return hashlib.sha256(b"set %d" % number).digest()[:16]


def a_set(number: int, **changes: object) -> SetRow:
    plain = SetRow(
        identity(number), number // 10, number + 2, f"MON-{number % 3:02}", 1_770_000_000 + 60 * number,
        f"0{number % 5:05}", "urn:example:patients", str(number), bytes([number % 256] * 8),
        "diastolic=80 mm[Hg];systolic=120 mm[Hg]", "", "blood_pressure", "fhir/1-0001.json", "", "final",
    )  # fmt: skip
    return plain._replace(**changes)  # type: ignore[arg-type]


def a_hold(line: int, **changes: object) -> HoldRow:
    plain = HoldRow(0, line, "MON-01", 1_770_000_000 + line, identity(line), "patient-missing", "spo2,pulse", 2)
    return plain._replace(**changes)  # type: ignore[arg-type]


def begin(ledger: Ledger, **changes: object) -> tuple[Run, int]:
    run = ledger.run(info(**changes))
    export_id, _ = run.export(SHA, 1000, 100, "delimited")
    return run, export_id


def finish(run: Run, folder: Path) -> None:
    """End a run as a conversion does, the moving of its folder included."""
    stage, target = folder / f".stage-{run.id}", folder / f"result-{run.id}"
    stage.mkdir()
    (stage / ".run").write_text(run.token + "\n")
    run.prepare(stage, target, "{}")
    stage.rename(target)
    run.finish()
