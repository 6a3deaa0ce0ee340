"""Lists that are read more than once: losses between them."""

from __future__ import annotations

import pytest

from gateway.mapping.model import Memory
from gateway.once import Key, Lists

NOON = 1_773_489_600  # 2026-03-14 12:00 UTC


def listed(export: int, *minutes: int) -> list[Key]:
    """Entries at so many minutes after noon, each with values of its own."""
    return [
        Key(NOON + 60 * at, f"{at}".encode(), f"{at}".encode(), export, line, "M1")
        for line, at in enumerate(minutes, start=1)
    ]


def losses(memory: Memory, *lists: list[Key]) -> list[tuple[str, int]]:
    kept = Lists(61, memory)
    for each in lists:
        kept.admit(each)
    return [(found.noticed.rule, found.export) for found in kept.losses()]


@pytest.mark.parametrize(
    ("second", "expected"),
    [
        ((40, 50, 60), [("entries-lost", 2)]),
        ((30, 40, 50), []),  # the last entry of the first list is there
        ((40, 50), []),  # not full: nothing was forgotten
        ((-60, -50, -40), []),  # an older list, read late
    ],
)
def test_a_full_list_must_reach_back(second: tuple[int, ...], expected: list[tuple[str, int]]) -> None:
    assert losses(Memory(entries=3), listed(1, 10, 20, 30), listed(2, *second)) == expected


def test_the_message_says_between_which_times() -> None:
    kept = Lists(61, Memory(entries=3))
    kept.admit(listed(1, 10, 20, 30))
    kept.admit(listed(2, 100, 110, 120))
    (found,) = kept.losses()
    assert "between 2026-03-14 12:30 and 2026-03-14 13:40 UTC" in found.noticed.message
    assert kept.losses() == []


def test_a_gap_in_a_cycle_is_told() -> None:
    assert losses(Memory(cycle_minutes=15), listed(1, 0, 15, 31, 75, 90)) == [("cycle-missed", 1)]
    assert losses(Memory(cycle_minutes=15), listed(1, 0, 15, 36, 57)) == []


def test_without_a_statement_nothing_is_said() -> None:
    assert losses(Memory(), listed(1, 10, 20), listed(2, 400, 500)) == []


def test_other_devices_are_other_lists() -> None:
    kept = Lists(61)
    kept.admit(listed(1, 10, 20))
    others = [key._replace(device="M2", identity=key.identity + b"2") for key in listed(2, 10, 20)]
    assert kept.admit(others) == {}
    assert set(kept.admit(listed(3, 10, 20))) == {0, 1}


def test_an_entry_of_the_same_number_that_says_something_else_is_no_new_one() -> None:
    """In one of two lists the entry lost a line on the way."""
    kept = Lists(61)
    whole = Key(NOON, b"1", b"whole", 1, 1, "M1", "17")
    kept.admit([whole])
    (damaged,) = kept.admit([Key(NOON + 30, b"2", b"half", 2, 1, "M1", "17")]).values()
    assert (damaged.export, damaged.same, damaged.undecided) == (1, False, False)
    assert kept.admit([Key(NOON + 3600, b"3", b"half", 3, 1, "M1", "17")]) == {}, "numbers start again"


def test_a_number_tells_equal_entries_apart() -> None:
    kept = Lists(61)
    first = [Key(NOON + 60 * at, f"{at}".encode(), b"same", 1, at + 1, "M1", f"{at}") for at in range(3)]
    assert kept.admit(first) == {}
    again = [key._replace(export=2, wall=key.wall + 20, identity=key.identity + b"x") for key in first[1:]]
    seen = kept.admit([*again, Key(NOON + 180, b"new", b"same", 2, 9, "M1", "3")])
    assert {place: (each.line, each.same) for place, each in seen.items()} == {0: (2, True), 1: (3, True)}
