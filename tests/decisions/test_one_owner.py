"""After any sequence of decisions, runs and exports read again, a measurement is current for one patient at most."""

from __future__ import annotations

import tempfile
from pathlib import Path

from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from gateway.errors import InputError, UsageError
from gateway.ledger import SetFilter
from tests.decisions.decisions_kit import Ward

ROWS = (
    "2026-03-14 09:30,A1,M1,121,79,64,97,36.8,",
    "2026-03-14 10:00,B2,M1,118,76,71,98,54.1,",
    "2026-03-14 10:30,,M2,119,77,70,96,36.9,",
)
PATIENTS = ("A1", "B2", "C3")

ACTIONS = st.lists(
    st.one_of(
        st.tuples(st.just("move"), st.sampled_from(["M1", "M2", *PATIENTS]), st.sampled_from(PATIENTS), st.booleans()),
        st.tuples(st.just("retract"), st.sampled_from(["M1", "M2", *PATIENTS])),
        st.tuples(st.just("assign"), st.integers(0, 3), st.sampled_from(PATIENTS)),
        st.tuples(st.just("confirm"), st.integers(0, 3)),
        st.tuples(st.just("merge"), st.permutations(PATIENTS)),
        st.tuples(st.just("run")),
        st.tuples(st.just("read again")),
        st.tuples(st.just("read elsewhere")),
    ),
    min_size=2,
    max_size=7,
)


def act(ward: Ward, action: tuple[object, ...]) -> None:
    what = action[0]
    if what in ("move", "retract"):
        name = str(action[1])
        which = SetFilter(device=name) if name.startswith("M") else SetFilter(patient=name)
        if what == "move":
            ward.move(which, str(action[2]), now=bool(action[3]))
        else:
            ward.retract(which)
    elif what in ("assign", "confirm"):
        holds = ward.holds()
        number = action[1]
        assert isinstance(number, int)
        if number < len(holds):
            patient = str(action[2]) if what == "assign" else ""
            ward.settle("assign" if what == "assign" else "confirm", holds[number].id, patient=patient)
    elif what == "merge":
        assert isinstance(action[1], list | tuple)
        old, surviving = map(str, action[1][:2])
        ward.merge(f"old,surviving\n{old},{surviving}\n")
    elif what == "run":
        ward.convert()
    elif what == "read again":
        ward.convert(*ROWS)
    else:
        ward.convert(*ROWS, "2026-03-15 09:30,D4,M3,,,,97,,")


@example([("move", "A1", "B2", True), ("move", "B2", "A1", True), ("run",)])
@example([("confirm", 0), ("retract", "B2"), ("run",), ("assign", 0, "C3"), ("run",)])
@example([("move", "B2", "C3", False), ("confirm", 0), ("run",), ("read again",), ("run",)])
@example([("assign", 1, "A1"), ("run",), ("merge", ("A1", "C3", "B2")), ("run",), ("read again",)])
@example([("move", "A1", "B2", True), ("read elsewhere",), ("retract", "B2"), ("assign", 1, "C3"), ("confirm", 3)])
@settings(max_examples=10, suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture])
@given(ACTIONS)
def test_one_patient_at_most(actions: list[tuple[object, ...]]) -> None:
    with tempfile.TemporaryDirectory() as name:
        ward = Ward(Path(name), str(Path(name) / "ward.ledger"))
        ward.convert(*ROWS)
        for action in (*actions, ("run",)):
            before = ward.sets(None), len(ward.audit())
            try:
                act(ward, action)
            except (UsageError, InputError):
                assert (ward.sets(None), len(ward.audit())) == before, "what is refused changes nothing"
            current: dict[int, set[str]] = {}
            for each in ward.sets():
                current.setdefault(each.epoch, set()).add(each.patient)
            assert all(len(owners) == 1 for owners in current.values())
        # What is current for nobody waits, and can still be decided about.
        waiting = {hold.epoch for hold in ward.holds()}
        assert waiting | set(current) >= {each.epoch for each in ward.sets(None)}
