"""Lists of merged identifiers: what is recorded for the old one goes to the one that survives."""

from __future__ import annotations

from pathlib import Path

import pytest

from gateway.errors import GatewayError, InputError, UsageError
from gateway.ledger import open_ledger
from tests.decisions.decisions_kit import SYSTEMS, WHO, WHY, Ward, told

ROWS = (
    "2026-03-14 09:30,A1,M1,121,79,64,97,36.8,",
    "2026-03-14 10:00,A2,M1,118,76,71,98,36.6,",
    "2026-03-14 10:30,C3,M1,119,77,70,96,36.9,",
    "2026-03-14 11:00,,M1,119,77,70,96,36.9,",
)
SYSTEM = "https://kit.example.org/patients"


@pytest.fixture
def ward(place: str, tmp_path: Path) -> Ward:
    return Ward(tmp_path, place)


def who(ward: Ward) -> list[str]:
    return sorted(patient for patient, _ in ward.patients())


@pytest.mark.parametrize("now", [True, False])
def test_a_list_becomes_moves(both: str, tmp_path: Path, now: bool) -> None:
    ward = Ward(tmp_path, both)
    ward.convert(*ROWS)
    ward.settle("assign", ward.holds()[0].id, patient="A2")
    text = "old,surviving\nA1,B2\nA2,B2\nZ9,B2\n"
    dry = ward.merge(text, dry_run=True, now=now)
    assert (dry.merged, dry.sets, dry.moved, dry.holds) == (3, 2, 2, 1)
    done = ward.merge(text, now=now)
    assert told(done) == told(dry)
    with open_ledger(ward.place, readonly=True) as ledger:
        assert ledger.merged() == {(SYSTEM, old): (SYSTEM, "B2") for old in ("A1", "A2", "Z9")}
    assert ward.audit()[1:] == [(WHO, "merge", "list", WHY), (WHO, "merge", "set", WHY), (WHO, "merge", "set", WHY)]
    ward.convert()
    assert who(ward) == ["B2", "B2", "B2", "C3"]
    assert not ward.holds()
    before, trail, runs = ward.sets(None), ward.audit(), ward.queue("ehr")
    again = ward.merge(text, now=now)
    assert (again.merged, again.sets, again.holds) == (0, 0, 0)
    assert (ward.sets(None), ward.audit(), ward.queue("ehr")) == (before, trail, runs)


def test_chains_end_with_the_last(ward: Ward) -> None:
    ward.convert(*ROWS[:3])
    ward.merge("old,surviving\nA1,A2\n", now=True)
    assert who(ward) == ["A2", "A2", "C3"]
    ward.merge("old,surviving\nA2,C3\n", now=True)
    assert who(ward) == ["C3", "C3", "C3"]
    with open_ledger(ward.place, readonly=True) as ledger:
        assert ledger.merged() == {(SYSTEM, "A1"): (SYSTEM, "C3"), (SYSTEM, "A2"): (SYSTEM, "C3")}
    # Told again, one after the other or together, they say nothing new.
    for text in ("old,surviving\nA1,A2\n", "old,surviving\nA2,C3\nA1,A2\n"):
        assert (ward.merge(text).merged, len(ward.audit())) == (0, 5)


def test_what_contradicts_what_was_merged_before(ward: Ward) -> None:
    ward.convert(*ROWS[:3])
    ward.merge("old,surviving\nA1,A2\n", now=True)
    for text, what in (("A1,C3", "merged into 2 patients"), ("A2,A1", "go in a circle")):
        with pytest.raises(InputError, match=what):
            ward.merge(f"old,surviving\n{text}\n")
    assert who(ward) == ["A2", "A2", "C3"]


def test_the_surviving_identifier_must_be_one(ward: Ward) -> None:
    ward.convert(*ROWS[:3])
    with pytest.raises(InputError, match="surviving identifier does not have the form") as refused:
        ward.merge("old,surviving\nQ7,Q8\nA1,b2\n")
    assert refused.value.where.endswith("line 3")
    assert "b2" not in str(refused.value)
    ward.merge("old,surviving\ntemporary 7,B2\n")
    assert len(ward.audit()) == 1, "an old one need not be; nothing can be recorded for it"


def test_systems(ward: Ward) -> None:
    ward.mapping = SYSTEMS
    header = "When,Who,On,Sys,Dia,HR,SpO2,Temp,Weight,Issuer"
    ward.convert(f"{ROWS[0]},HOME", f"{ROWS[1]},AWAY", header=header)
    with pytest.raises(InputError, match="does not say its system, and the mapping names 2"):
        ward.merge("old,surviving\nA1,B2\n")
    away = "https://away.example.org/patients"
    ward.merge(f"old,old_system,surviving,surviving_system\nA1,{SYSTEM},B2,{away}\n", now=True)
    assert sorted((each.patient, each.patient_system) for each in ward.sets()) == [("A2", away), ("B2", away)]


def test_messages(ward: Ward) -> None:
    """ADT^A40 in the shape of IHE ITI-31: MRG-1 is the old identifier, PID-3 the surviving one."""
    ward.mapping = SYSTEMS
    header = "When,Who,On,Sys,Dia,HR,SpO2,Temp,Weight,Issuer"
    ward.convert(f"{ROWS[0]},HOME", f"{ROWS[1]},AWAY", header=header)
    message = "\r".join(
        [
            "MSH|^~\\&|ADT|CLINIC|GATEWAY|CLINIC|20260315080000-0500||ADT^A40^ADT_A39|1|P|2.5.1",
            "EVN||20260315080000-0500",
            "PID|||B2^^^HOME^MR~991^^^ELSEWHERE^PI||EXAMPLE^ONE",
            "MRG|A1^^^HOME^MR",
            "",
        ]
    )
    ward.merge(message, "merged.hl7", now=True)
    assert sorted((each.patient, each.patient_system) for each in ward.sets()) == [
        ("A2", "https://away.example.org/patients"), ("B2", SYSTEM)
    ]  # fmt: skip


def test_an_empty_ledger(ward: Ward) -> None:
    with open_ledger(ward.place):
        pass
    with pytest.raises(UsageError, match="knows no run yet"):
        ward.merge("old,surviving\nA1,B2\n")
    with pytest.raises(GatewayError, match="knows no run yet"):
        ward.merge("old,surviving\nA1,B2\n", dry_run=True)
