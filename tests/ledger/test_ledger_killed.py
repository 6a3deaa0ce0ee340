"""Killed at any moment, a run loses nothing and doubles nothing."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from gateway.ledger import open_ledger

REPOSITORY = Path(__file__).resolve().parents[2]
SETS, SLICE, EXPORTS = 60, 10, 8
WORK = """
import random, shutil, sys
from pathlib import Path
from gateway.ledger import Sighting, open_ledger
from tests.ledger.ledger_kit import a_hold, a_set, info

where, folder = sys.argv[1], Path(sys.argv[2])
sets, slice_, exports = map(int, sys.argv[3:])
print("begun", flush=True)
with open_ledger(where, wait=60) as ledger:
    done = {export.sha256 for export in ledger.exports()}
    for number in range(exports):
        sha = f"{number:064}"
        if sha in done:
            continue
        stage, target = folder / f".stage-{number}", folder / f"night-{number}"
        shutil.rmtree(stage, ignore_errors=True)
        with ledger.run(info()) as run:
            export_id, known = run.export(sha, 1, 1, "delimited")
            assert not known
            # Every export says some sets of the one before again.
            first = number * (sets - 5)
            for at in range(first, first + sets, slice_):
                part = [a_set(each) for each in range(at, at + slice_)]
                seen = run.known([row.identity for row in part])
                run.add_sets(export_id, [row for row in part if row.identity not in seen])
                run.add_sightings(export_id, [Sighting(row.line, row.identity) for row in part if row.identity in seen])
                run.add_holds(export_id, [a_hold(at)])
            (stage / "fhir").mkdir(parents=True)
            data = sha.encode() * 1000
            (stage / "fhir" / "1-0001.json").write_bytes(data)
            run.add_content("fhir/1-0001.json", data)
            (stage / ".run").write_text(run.token)
            run.prepare(stage, target, "{}")
            stage.rename(target)
            run.finish()
print("done", flush=True)
"""


@pytest.mark.slow
def test_killed_at_random_moments(place: str, tmp_path: Path) -> None:
    chance = random.Random(4)
    words = [sys.executable, "-c", WORK, place, str(tmp_path), str(SETS), str(SLICE), str(EXPORTS)]
    environment = {**os.environ, "PYTHONPATH": str(REPOSITORY)}
    killed = 0
    for attempt in range(30):
        with subprocess.Popen(words, stdout=subprocess.PIPE, text=True, env=environment, cwd="/") as process:
            assert process.stdout is not None
            assert process.stdout.readline() == "begun\n"
            if killed < 8:
                time.sleep(chance.uniform(0, 0.25 + 0.05 * attempt))
                process.send_signal(signal.SIGKILL)
            rest = process.stdout.read()
        if process.returncode == -signal.SIGKILL:
            killed += 1
            continue
        assert (process.returncode, rest) == (0, "done\n")
        if killed:
            break
    assert killed
    with open_ledger(place, wait=10) as ledger:
        assert [export.sha256 for export in ledger.exports()] == [f"{number:064}" for number in range(EXPORTS)]
        past = ledger.runs()
        assert [run.state for run in past] == ["done"] * EXPORTS
        lines = sorted(known.line for known in ledger.sets())
        assert lines == list(range(2, 2 + EXPORTS * (SETS - 5) + 5))
        assert len(ledger.holds()) == EXPORTS * SETS // SLICE
        for number, run in enumerate(past):
            result = Path(run.target)
            assert result == tmp_path / f"night-{number}"
            assert (result / "fhir" / "1-0001.json").read_bytes() == ledger.content(run.id, "fhir/1-0001.json")
            assert (result / ".run").read_text().strip() == run.token
    assert {path.name for path in tmp_path.iterdir() if path.is_dir()} == {f"night-{n}" for n in range(EXPORTS)}
