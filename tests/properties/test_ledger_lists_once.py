"""A list that is dumped again and again, one run for each dump, gives each reading once with a ledger."""

from __future__ import annotations

import shutil
import tempfile
from collections import Counter
from datetime import UTC, datetime
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.conversion.options import Job, Options, load_mapping
from gateway.conversion.remembering import Remembering, run_info
from gateway.ledger import SetRow, open_ledger
from gateway.once import Key, Lists
from tests.properties.test_lists_once import STEP, histories

MAPPING = Path(__file__).resolve().parents[2] / "mappings" / "listing-example.toml"
LOADED = load_mapping(MAPPING)


def once(history: tuple[list[tuple[int, int]], list[int], int], *, newest_first: bool) -> None:
    """Dump the list at each instant of sending, oldest entries forgotten, and record what is new."""
    readings, sent, kept = history
    folder = Path(tempfile.mkdtemp(prefix="lists-"))
    recorded: Counter[int] = Counter()
    listed: set[int] = set()
    try:
        job = Job(LOADED, Options(remember=True), None, folder)
        with open_ledger(folder / "l.db") as ledger:
            for dump, anchor in enumerate(sent, start=1):
                inside = [number for number, (at, _) in enumerate(readings) if at <= anchor][-kept:]
                if newest_first:
                    inside.reverse()
                keys = []
                for line, number in enumerate(inside, start=1):
                    at, content = readings[number]
                    epoch = anchor - (anchor - at) // STEP * STEP
                    identity = f"{epoch}|{content}".encode().ljust(16, b".")
                    keys.append(Key(epoch, identity, content.to_bytes(8, "big"), 1, line, "M1"))
                listed.update(inside)
                # What a run remembers of earlier ones, it has from the ledger alone.
                with ledger.run(run_info(job, datetime.now(UTC))) as run:
                    remembering = Remembering(ledger, run, job, Lists(STEP + 1))
                    seen = remembering.admit(keys)
                    export, _ = run.export(f"{dump:064}", 1, 1, "listing")
                    new = [position for position in range(len(keys)) if position not in seen]
                    run.add_sets(export, [row(keys[position]) for position in new])
                    recorded.update(inside[position] for position in new)
                    run.prepare(folder / "stage", folder / f"out-{dump}", "{}")
                    run.finish()
        assert recorded == Counter(listed)
    finally:
        shutil.rmtree(folder)


def row(key: Key) -> SetRow:
    return SetRow(
        key.identity, 1, key.line, key.device, key.wall, "P-1", "", "", key.content, "spo2=97 %", "", "spo2",
        "", "", "final", key.wall,
    )  # fmt: skip


@settings(max_examples=40)
@given(histories(contents=200, gap=1), st.booleans())
def test_different_readings(history: tuple[list[tuple[int, int]], list[int], int], newest_first: bool) -> None:
    readings = [(at, number) for number, (at, _) in enumerate(history[0])]
    once((readings, history[1], history[2]), newest_first=newest_first)


@settings(max_examples=40)
@given(histories(contents=2, gap=5 * STEP), st.booleans())
def test_equal_readings_minutes_apart(
    history: tuple[list[tuple[int, int]], list[int], int], newest_first: bool
) -> None:
    once(history, newest_first=newest_first)
