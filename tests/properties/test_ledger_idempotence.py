"""With a ledger, runs in any order, repeated or broken off, lead to the same set of records."""

from __future__ import annotations

import shutil
import tempfile
from collections import Counter
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.conversion.batch import convert
from gateway.ledger import HoldFilter, SetFilter, open_ledger
from gateway.ledger.run import Run
from gateway.records.output import Stage
from tests.conversion.conversion_kit import LONG, LONG_HEADER, WIDE, WIDE_HEADER, Fact, fhir_facts, oru_facts

DEVICES = 3
VITALS = {"systolic": "121", "diastolic": "79", "heart_rate": "64", "spo2": "97", "temperature": "36.8"}


@dataclass(frozen=True)
class Step:
    """One run.

    Attributes:
        exports: the readings of each export, by number, in the order in which they stand there.
        known: associations are known of so many devices.
        long: the exports are in the long layout.
        broken: where the run is broken off, "" for nowhere.
        confirm: what is held for its values is confirmed before the run.
    """

    exports: tuple[tuple[int, ...], ...]
    known: int
    long: bool
    broken: str
    confirm: bool


STEPS = st.builds(
    Step,
    exports=st.lists(st.lists(st.integers(0, 9), max_size=7).map(tuple), max_size=2).map(tuple),
    known=st.integers(0, DEVICES),
    long=st.booleans(),
    broken=st.sampled_from(["", "", "", "prepare", "move", "finish"]),
    confirm=st.booleans(),
)


def values(number: int) -> dict[str, str]:
    """What a reading says; some have a pulse that a person must confirm."""
    return VITALS | {"heart_rate": "640" if number % 4 == 3 else str(60 + number)}


def text(numbers: tuple[int, ...], *, long: bool) -> str:
    lines = [LONG_HEADER if long else WIDE_HEADER]
    if long:
        # Rows of one set that stand twice together are one set that says everything twice, and not a repeat.
        numbers = tuple(dict.fromkeys(numbers))
    for number in numbers:
        when, device = f"2026-03-14 09:{10 + number}", f"M{number % DEVICES}"
        said = values(number)
        if long:
            labels = ("Sys", "Dia", "HR", "SpO2", "Temp")
            units = ("mmHg", "mmHg", "/min", "%", "C")
            lines += [f"{when};;{device};{label};{value};{unit}"
                      for label, value, unit in zip(labels, said.values(), units, strict=True)]  # fmt: skip
        else:
            lines.append(f"{when},,{device},{','.join(said.values())},")
    return "\n".join([*lines, ""])


class BrokenOffError(Exception):
    """Stands for whatever ends a run."""


def stop(*_: object) -> None:
    raise BrokenOffError


def take(folder: Path, number: int, step: Step) -> None:
    """Do one run."""
    ledger = folder / "ledger.db"
    if step.confirm and ledger.exists():
        with open_ledger(ledger) as opened:
            ids = [hold.id for hold in opened.holds(HoldFilter(reason="outside-hold-limits"))]
            opened.settle(ids, "confirm", "", "N. Ole", "seen", at=datetime.now(UTC))
    exports = []
    for place, numbers in enumerate(step.exports):
        exports.append(folder / f"{number}-{place}.csv")
        exports[-1].write_text(text(numbers, long=step.long))
    associations = folder / f"{step.known}-devices.csv"
    lines = [f"M{device},P-{device},2026-03-01T00:00:00-06:00,,scan,N. Ole" for device in range(step.known)]
    associations.write_text("\n".join(["device,patient,from,to,established,by", *lines, ""]))
    with pytest.MonkeyPatch.context() as patch:
        if step.broken:
            owner = Stage if step.broken == "move" else Run
            patch.setattr(owner, "commit" if step.broken == "move" else step.broken, stop)
        try:
            convert(exports, folder / ("long.toml" if step.long else "wide.toml"), folder / f"out-{number}",
                    as_="both", associations=associations, ledger=ledger)  # fmt: skip
        except BrokenOffError:
            assert step.broken


def facts_of(number: int) -> list[tuple[str, str, str, str, str]]:
    return [(f"P-{number % DEVICES}", f"M{number % DEVICES}", f"09:{10 + number}", vital, value)
            for vital, value in values(number).items()]  # fmt: skip


def plain(fact: Fact) -> tuple[str, str, str, str, str]:
    time = fact.time[11:16] if "T" in fact.time else f"{fact.time[8:10]}:{fact.time[10:12]}"
    return fact.patient, fact.device, time, fact.vital, fact.value


@settings(max_examples=12)
@given(st.lists(STEPS, min_size=1, max_size=4))
def test_each_reading_once_whatever_the_runs(steps: list[Step]) -> None:
    folder = Path(tempfile.mkdtemp(prefix="once-"))
    try:
        for name, mapping in (("wide", WIDE), ("long", LONG)):
            mapping = mapping.replace('column = "Who"\n', "")
            (folder / f"{name}.toml").write_text(mapping)
        for number, step in enumerate(steps):
            take(folder, number, step)
        offered = {reading for step in steps for numbers in step.exports for reading in numbers}
        # At last every patient is known, everything is confirmed, and a run of each kind is left alone.
        last = Step(tuple(numbers for step in steps for numbers in step.exports), DEVICES, False, "", True)
        empty = replace(last, exports=())
        for number, step in enumerate((last, replace(empty, long=True), empty), start=len(steps)):
            take(folder, number, step)
        expected = Counter(fact for number in offered for fact in facts_of(number))
        results = sorted(path for path in folder.iterdir() if path.name.startswith("out-") and path.is_dir())
        assert Counter(plain(fact) for result in results for fact in fhir_facts(result)) == expected
        assert Counter(plain(fact) for result in results for fact in oru_facts(result)) == expected
        with open_ledger(folder / "ledger.db", readonly=True) as ledger:
            assert not ledger.holds(HoldFilter())
            assert len(list(ledger.sets(SetFilter(state=None)))) == len(offered)
            assert {run.state for run in ledger.runs()} == {"done"}
            assert ledger.verify_audit() is None
    finally:
        shutil.rmtree(folder)
