"""Killed at any moment and run again, a night gives the same records, each once."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from tests.nightly.night_kit import REPOSITORY, bring, latest, make_site, observations


def start(home: Path) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        [sys.executable, "-m", "gateway", "nightly", str(home / "site.toml")],
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, env={**os.environ, "PYTHONPATH": str(REPOSITORY)},
        start_new_session=True,
    )  # fmt: skip


@pytest.mark.slow
def test_killed_and_run_again(tmp_path: Path) -> None:
    whole, cut = tmp_path / "whole", tmp_path / "cut"
    for home in (whole, cut):
        make_site(home)
        bring(home)
    begun = time.monotonic()
    assert start(whole).wait(timeout=120) == 0
    took = time.monotonic() - begun
    expected = observations(whole)
    assert len(expected) == len(set(expected)) > 0
    chance = random.Random(20260314)
    kills = 0
    for part in (0.35, 0.5, 0.65, 0.8, 0.95):
        process = start(cut)
        time.sleep(took * part * chance.uniform(0.9, 1.1))
        if process.poll() is None:
            os.killpg(process.pid, signal.SIGKILL)
            kills += 1
        process.wait(timeout=60)
    assert kills > 0
    assert start(cut).wait(timeout=120) in (0, 1)
    assert observations(cut) == expected
    report = latest(cut)
    assert report.targets[0].waiting == 0
    assert not list((cut / "results").glob(".*.unfinished-*"))
    assert not list((cut / "results").glob(".scratch-*"))
    assert not list((cut / "clinic").glob("*.csv"))
