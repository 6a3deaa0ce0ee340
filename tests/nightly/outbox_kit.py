"""A ledger with something to send, and listeners in processes of their own; everything is invented."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from gateway.ledger import Ledger
from gateway.model import Party
from tests.delivery import mllp_kit
from tests.ledger.ledger_kit import begin, finish
from tests.records.made_sets import mapping, one_set, renderer, value, whole_bundle

REPOSITORY = Path(__file__).resolve().parents[2]


def messages(count: int, first: int = 0) -> list[bytes]:
    return [mllp_kit.message(f"C{number:05}") for number in range(first, first + count)]


def bundles(count: int) -> list[bytes]:
    made = renderer(mapping(), "transaction")
    return [
        whole_bundle(
            made,
            one_set(value("heart_rate", f"{60 + number % 40}"), identity=f"{number:032x}", device=Party("SN-1", "")),
        )
        for number in range(count)
    ]


def queue(
    ledger: Ledger,
    folder: Path,
    *,
    oru: Sequence[bytes] = (),
    fhir: Sequence[bytes] = (),
    targets: Sequence[tuple[str, str]] = (("lab", "oru"), ("ehr", "fhir")),
) -> None:
    """A run that leaves these to be sent."""
    run, _ = begin(ledger)
    if oru:
        head, tail = b"FHS|^~\\&\rBHS|^~\\&\r", b"BTS|%d\rFTS|1\r" % len(oru)
        run.add_content("oru/0001.hl7", head + b"".join(oru) + tail)
    for number, data in enumerate(fhir):
        run.add_content(f"fhir/0001-{number:04}.bundle.json", data)
    run.queue([*targets])  # type: ignore[list-item]
    finish(run, folder)


@contextmanager
def listener(kind: str, file: Path, port: int = 0, *more: str) -> Iterator[int]:
    """A listener's port; the listener ends with the block."""
    words = [sys.executable, "-m", f"tests.nightly.{kind}_listener", str(file), str(port), *more]
    environment = {**os.environ, "PYTHONPATH": str(REPOSITORY)}
    with subprocess.Popen(words, stdout=subprocess.PIPE, text=True, env=environment, cwd=REPOSITORY) as process:
        try:
            assert process.stdout is not None
            yield int(process.stdout.readline())
        finally:
            process.kill()
