"""Lists aligned, against every alignment there is.

What is asked of an alignment stands in the module's own words; the oracles here count on their fingers. They are for
lists of a few entries only.
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import combinations

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from gateway.once.alignment import Match, Stamp, align

Entries = list[tuple[int, str]]
Pairs = dict[int, int]
"""Places in the known list by the place in the new one."""


def aligned(known: Entries, new: Entries, tolerance: int) -> list[Match]:
    def stamps(entries: Entries) -> list[Stamp]:
        return [Stamp(epoch, content.encode()) for epoch, content in entries]

    return align(stamps(known), stamps(new), tolerance)


def best(known: Entries, new: Entries, content: str, tolerance: int) -> list[Pairs]:
    """Of all ways to pair entries of a content, in order and nearer than the tolerance, those with the most pairs."""
    old = [at for at, entry in enumerate(known) if entry[1] == content]
    now = [at for at, entry in enumerate(new) if entry[1] == content]
    for size in range(min(len(old), len(now)), -1, -1):
        found = [
            dict(zip(columns, rows, strict=True))
            for rows in combinations(old, size)
            for columns in combinations(now, size)
            if all(abs(known[i][0] - new[j][0]) < tolerance for i, j in zip(rows, columns, strict=True))
        ]
        if found:
            return found
    raise AssertionError("no pairs at all is a way, too")


def like(entries: Entries, entry: tuple[int, str], tolerance: int) -> set[int]:
    """Where entries stand that are equal, and so near that a third could be taken for either of them."""
    return {
        at
        for at, (epoch, content) in enumerate(entries)
        if content == entry[1] and abs(epoch - entry[0]) < 2 * tolerance
    }


# Known and new list as times and contents, the tolerance, and what each new entry is: a place in the known list, "new",
# or "?" where nobody can tell. Worked by hand.
CASES: dict[str, tuple[str, str, int, str]] = {
    "the same list again": ("10A 40B 70A", "10A 40B 70A", 10, "0 1 2"),
    "a new entry behind": ("10A 40B", "10A 40B 70C", 10, "0 1 new"),
    "the oldest dropped": ("10A 40B 70C", "40B 70C 99D", 10, "1 2 new"),
    "moved by less than the tolerance": ("10A 40B", "19A 31B", 10, "0 1"),
    "moved by the tolerance": ("10A", "20A", 10, "?"),
    "moved by just less than two tolerances": ("10A", "29A", 10, "?"),
    "moved by two tolerances": ("10A", "30A", 10, "new"),
    "other content": ("10A", "10B", 10, "new"),
    "nothing known": ("", "10A 12A", 10, "new new"),
    "nothing new": ("10A", "", 10, ""),
    # The known ones may both have been this one.
    "two known, one new": ("24A 34A", "25A", 10, "?"),
    "two known, one new, the other nearer": ("24A 34A", "33A", 10, "?"),
    "one known, two new": ("25A", "24A 34A", 10, "? ?"),
    "two known, one new, far enough": ("24A 44A", "24A", 10, "0"),
    "two known, one new, almost far enough": ("24A 43A", "24A", 10, "?"),
    "one known, two new, far enough": ("24A", "24A 44A", 10, "0 new"),
    # As many twins in both lists, but one may have been dropped and another added.
    "twins at either end": ("24A 34A", "24A 34A", 10, "? ?"),
    "twins at the new end": ("0X 24A 34A", "0X 24A 34A", 10, "0 ? ?"),
    "twins at the old end": ("24A 34A 60Y", "24A 34A 60Y", 10, "? ? 2"),
    "twins between what is certain": ("0X 24A 34A 60Y", "0X 24A 34A 60Y", 10, "0 1 2 3"),
    "twins between what is certain, shifted": ("0X 24A 34A 60Y", "5X 29A 39A 65Y", 10, "0 1 2 3"),
    "twins that became more": ("0X 24A 34A 60Y", "0X 24A 34A 44A 60Y", 10, "0 ? ? ? 3"),
    "twins that became fewer": ("0X 24A 34A 44A 60Y", "0X 24A 34A 60Y", 10, "0 ? ? 4"),
    "twins that are too far to be paired": ("0X 24A 60Y", "0X 36A 60Y", 10, "0 ? 2"),
    "twins between one that is new and one that is certain": ("24A 34A 60Y", "0X 24A 34A 60Y", 10, "new ? ? 2"),
    "twins with a new one far enough behind": ("0X 24A 34A 60Y", "0X 24A 34A 54A 60Y", 10, "0 1 2 new 3"),
    "twins with a new one far enough before": ("0X 24A 34A 60Y", "0X 4A 24A 34A 60Y", 10, "0 new 1 2 3"),
    "twins beside one that changed places": ("5A 6X 12A 60Y", "4X 6A 13A 60Y", 10, "1 0 2 3"),
    # Twins of twins: which of them is the added one cannot be told for any.
    "a chain that became longer": ("1A 7A 8A 11A 12B", "1A 7A 8A 9A 12B 13A", 3, "0 ? ? ? 4 ?"),
    "a chain of which not all are paired": ("0X 24A 30A 60Y", "0X 27A 45A 60Y", 10, "0 ? ? 3"),
    "twins between other twins": ("0X 3X 24A 34A 60Y", "0X 3X 24A 34A 60Y", 10, "? ? ? ? 4"),
}


def read(text: str) -> Entries:
    return [(int(word[:-1]), word[-1]) for word in text.split()]


@pytest.mark.parametrize(("known", "new", "tolerance", "expected"), CASES.values(), ids=CASES)
def test_what_becomes_of_each_entry(known: str, new: str, tolerance: int, expected: str) -> None:
    found = aligned(read(known), read(new), tolerance)
    said = ["?" if match.undecided else "new" if match.place < 0 else str(match.place) for match in found]
    assert said == expected.split()


@st.composite
def lists(draw: st.DrawFn) -> tuple[Entries, Entries, int]:
    """Two lists that overlap: each entry was in the first, in the second or in both, and moved a little."""
    tolerance = draw(st.integers(1, 4))
    known, new = [], []
    at = 0
    for _ in range(draw(st.integers(0, 6))):
        at += draw(st.integers(1, 3 * tolerance))
        content, where = draw(st.sampled_from("AAB")), draw(st.sampled_from(("both", "both", "known", "new")))
        if where != "new":
            known.append((at, content))
        if where != "known":
            new.append((at + draw(st.integers(1 - tolerance, tolerance - 1)), content))
    return known, sorted(new), tolerance


def kept(test: Callable[..., None]) -> Callable[..., None]:
    """The cases above as examples of a property."""
    for known, new, tolerance, _ in CASES.values():
        test = example((read(known), read(new), tolerance))(test)
    return test


@kept
@settings(max_examples=400)
@given(lists())
def test_as_many_are_paired_as_can_be(lists: tuple[Entries, Entries, int]) -> None:
    known, new, tolerance = lists
    found = aligned(*lists)
    assert len(found) == len(new)
    for content in {content for _, content in new}:
        pairs = {at: match.place for at, match in enumerate(found) if match.place >= 0 and new[at][1] == content}
        assert pairs in best(known, new, content, tolerance)


@kept
@settings(max_examples=400)
@given(lists())
def test_what_is_decided_is_so_in_every_alignment(lists: tuple[Entries, Entries, int]) -> None:
    """Whether an entry was in the earlier list is left open unless all ways to pair as many agree."""
    known, new, tolerance = lists
    for at, match in enumerate(aligned(*lists)):
        if not match.undecided:
            places = {pairs.get(at, -1) for pairs in best(known, new, new[at][1], tolerance)}
            assert places == {match.place}


@kept
@settings(max_examples=400)
@given(lists())
def test_what_is_left_open(lists: tuple[Entries, Entries, int]) -> None:
    """An entry with a twin, unless it, its twins and theirs are all paired, between entries without one."""
    known, new, tolerance = lists
    found = aligned(*lists)
    alone = [
        at
        for at, entry in enumerate(new)
        if like(known, entry, tolerance) == {found[at].place} and like(new, entry, tolerance) == {at}
    ]
    for at, match in enumerate(found):
        before, beside, size = set[int](), {at}, 0
        while len(before) + len(beside) > size:
            size = len(before) + len(beside)
            for entry in [new[each] for each in beside] + [known[each] for each in before]:
                before |= like(known, entry, tolerance)
                beside |= like(new, entry, tolerance)
        between = any(each < min(beside) for each in alone) and any(each > max(beside) for each in alone)
        told = between and {found[each].place for each in beside} == before
        assert match.undecided == (bool(like(known, new[at], tolerance)) and at not in alone and not told)
