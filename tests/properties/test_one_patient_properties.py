"""Whatever order exports and associations come in, a measurement is current for one patient at most."""

from __future__ import annotations

import shutil
import tempfile
from collections import defaultdict
from pathlib import Path
from typing import NamedTuple

from hypothesis import example, given, settings
from hypothesis import strategies as st

from gateway.decisions import Reason
from gateway.ledger import KnownSet, SetFilter, open_ledger
from tests.conversion.conversion_kit import WIDE, WIDE_HEADER, retract, run

DEVICES, TIMES, PATIENTS = ("M1", "M2"), ("09:10", "09:11", "09:30"), ("A1", "B2", "C3")
VALUES = ("121,79,64,97,36.8,71.4", "131,79,65,98,36.9,71.5", "141,89,75,93,37.9,")
ASSOCIATED = WIDE.replace('column = "Who"\n', "")
ACCEPT = 'version = "1"\ncorrections = "accept"'


class Night(NamedTuple):
    """One run: rows of (device, time, values, patient); who they are of is told by the column, or by associations."""

    rows: tuple[tuple[int, int, int, int], ...]
    associated: bool = False
    taken_back: int | None = None


NIGHTS = st.builds(
    Night,
    st.lists(st.tuples(st.integers(0, 1), st.integers(0, 2), st.integers(0, 2), st.integers(0, 2)), max_size=6).map(
        tuple
    ),
    st.booleans(),
    st.one_of(st.none(), st.none(), st.integers(0, 2)),
)


def agree(one: KnownSet, other: KnownSet) -> bool:
    return bool(set(one.readings.split(";")) & set(other.readings.split(";")))


def lived(nights: list[Night], accept: bool) -> None:
    folder = Path(tempfile.mkdtemp(prefix="patients-"))
    try:
        ledger = folder / "l.db"
        seen: dict[bytes, bytes | None] = {}
        for number, night in enumerate(nights):
            mapping = ASSOCIATED if night.associated else WIDE
            if accept:
                mapping = mapping.replace('version = "1"', ACCEPT)
            lines = [
                f"2026-03-14 {TIMES[time]},{PATIENTS[who]},{DEVICES[device]},{VALUES[values]}"
                for device, time, values, who in night.rows
            ]
            export, stays = folder / f"{number}.csv", folder / f"{number}.assoc.csv"
            export.write_text("\n".join([WIDE_HEADER, *lines, ""]))
            last = {(device, time): who for device, time, _, who in night.rows}
            stays.write_text(
                "device,patient,from,to,established,by\n"
                + "".join(
                    f"{DEVICES[device]},{PATIENTS[who]},2026-03-14T{TIMES[time]}:00-05:00,"
                    f"2026-03-14T{TIMES[time]}:59-05:00,scan,N. Ole\n"
                    for (device, time), who in last.items()
                )
            )
            given_ = {"associations": stays} if night.associated else {}
            batch = run(folder, [export], mapping, f"out-{number}", ledger=ledger, **given_)
            assert batch.report.reckoning.readings.adds_up
            held = batch.report.reckoning.readings.all
            assert batch.status == (1 if held.held + held.unreadable else 0)
            check(ledger, seen)
            if night.taken_back is not None:
                which = SetFilter(patient=PATIENTS[night.taken_back])
                with open_ledger(ledger, readonly=True) as opened:
                    there = any(opened.sets(which))
                if there:
                    reason: Reason = "wrong-patient" if number % 2 else "error"
                    retract(ledger, which, folder / f"back-{number}", who="N", why="w", reason=reason)
                    check(ledger, seen)
    finally:
        shutil.rmtree(folder)


def check(ledger: Path, seen: dict[bytes, bytes | None]) -> None:
    """At most one patient is current for a measurement, and a chain names one measurement for its life."""
    places: dict[tuple[str, int], list[KnownSet]] = defaultdict(list)
    chains: dict[bytes, list[KnownSet]] = defaultdict(list)
    with open_ledger(ledger, readonly=True) as opened:
        for each in opened.sets():
            places[each.device, each.wall].append(each)
            chains[each.chain or each.identity].append(each)
        known = [*opened.sets(), *opened.sets(SetFilter(state="retracted"))]
    for there in places.values():
        for one in there:
            assert not [other for other in there if other.patient != one.patient and agree(one, other)]
    assert all(len(each) == 1 for each in chains.values())
    for each in known:
        assert seen.setdefault(each.identity, each.chain) == each.chain, "a set goes on with its chain"


@settings(max_examples=40, deadline=None)
@given(st.lists(NIGHTS, min_size=1, max_size=4), st.booleans())
@example([Night(((0, 0, 0, 0),)), Night(((0, 0, 0, 1),))], False)
@example([Night(((0, 0, 0, 0), (0, 0, 0, 1)))], False)
@example([Night(((0, 0, 0, 0),), True), Night(((0, 0, 0, 1),), True)], False)
@example(
    [Night(()), Night(((0, 0, 0, 0),), False, 0), Night(((0, 0, 0, 1),)), Night(((0, 0, 0, 0), (0, 0, 0, 2)))], False
)
@example([Night(((0, 0, 0, 0),)), Night(((0, 0, 1, 0), (0, 0, 0, 1), (0, 0, 1, 2)))], True)
def test_at_most_one_patient_is_current(nights: list[Night], accept: bool) -> None:
    lived(nights, accept)
