"""Lists that are read more than once: which entries of a list were in an earlier one?

A monitor keeps its last entries and sends all of them each time, so lists overlap. Where entries carry an age, a time
is known to one step only, and the same entry moves by up to a step from one list to the next. Two lists of a device
are therefore aligned: entries of the same values, in the same order, at times that can be the same instant. Equal
values further apart are different readings. Where equal values stand too close together to tell which of them were
in the earlier list, nobody can tell, and they are not decided.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple


class Stamp(NamedTuple):
    """One entry of a list.

    Attributes:
        epoch: its time in seconds since 1970-01-01T00:00:00Z, as computed from its age.
        content: digest of its texts.
    """

    epoch: int
    content: bytes


class Match(NamedTuple):
    """What became of one entry of a new list: its place in the known one, -1 for a new entry; or undecided."""

    place: int
    undecided: bool = False


def align(known: Sequence[Stamp], new: Sequence[Stamp], tolerance: int) -> list[Match]:
    """Align a new list with what is known of the device.

    Args:
        known: entries known so far, oldest first.
        new: entries of the new list, oldest first.
        tolerance: seconds; times closer than this can be the same instant.

    Returns:
        For each entry of `new` its place in `known`, or that it is new, by an alignment that pairs as many entries as
        can be. An entry with a twin (the same content within two tolerances) is undecided, unless it, its twins and
        theirs are paired without exception, and entries without a twin are paired on both sides of them all.
    """
    places = [-1] * len(new)
    for content in {stamp.content for stamp in new}:
        old = [place for place, stamp in enumerate(known) if stamp.content == content]
        now = [place for place, stamp in enumerate(new) if stamp.content == content]
        for one, other in _pairs([known[place] for place in old], [new[place] for place in now], tolerance):
            places[now[other]] = old[one]
    certain = [place >= 0 and not _twins(known, new, j, place, tolerance) for j, place in enumerate(places)]
    return [
        Match(place, undecided=not certain[j] and _in_doubt(known, new, places, certain, j, tolerance))
        for j, place in enumerate(places)
    ]


def _pairs(known: Sequence[Stamp], new: Sequence[Stamp], tolerance: int) -> list[tuple[int, int]]:
    """Pair as many entries of equal content as can be, in order."""
    rows, columns = len(known), len(new)
    # best[i][j]: most pairs among known[i:] and new[j:].
    best = [[0] * (columns + 1) for _ in range(rows + 1)]
    for i in range(rows - 1, -1, -1):
        for j in range(columns - 1, -1, -1):
            pair = best[i + 1][j + 1] + 1 if _same(known[i], new[j], tolerance) else 0
            best[i][j] = max(best[i + 1][j], best[i][j + 1], pair)
    pairs = []
    i = j = 0
    while i < rows and j < columns:
        if _same(known[i], new[j], tolerance) and best[i][j] == best[i + 1][j + 1] + 1:
            pairs.append((i, j))
            i, j = i + 1, j + 1
        elif best[i][j] == best[i + 1][j]:
            i += 1
        else:
            j += 1
    return pairs


def _same(one: Stamp, other: Stamp, tolerance: int) -> bool:
    return one.content == other.content and abs(one.epoch - other.epoch) < tolerance


def _like(entries: Sequence[Stamp], stamp: Stamp, tolerance: int) -> list[int]:
    """Places of the entries that could be taken for `stamp`, itself among them."""
    return [place for place, each in enumerate(entries) if _same(each, stamp, 2 * tolerance)]


def _twins(known: Sequence[Stamp], new: Sequence[Stamp], j: int, place: int, tolerance: int) -> bool:
    return _like(known, new[j], tolerance) != [place] or _like(new, new[j], tolerance) != [j]


def _in_doubt(
    known: Sequence[Stamp], new: Sequence[Stamp], places: list[int], certain: list[bool], j: int, tolerance: int
) -> bool:
    """Whether nobody can tell if `new[j]` is known: its twins may have been dropped or added between the lists."""
    if not _like(known, new[j], tolerance):
        return False
    in_known, in_new = _chain(known, new, j, tolerance)
    enclosed = any(certain[: in_new[0]]) and any(certain[in_new[-1] + 1 :])
    return not (enclosed and len(in_known) == len(in_new) and all(places[each] >= 0 for each in in_new))


def _chain(known: Sequence[Stamp], new: Sequence[Stamp], j: int, tolerance: int) -> tuple[list[int], list[int]]:
    """Places in both lists of `new[j]`, its twins, their twins and so on: a pair more or less shifts them all."""
    epochs = sorted(each.epoch for each in (*known, *new) if each.content == new[j].content)
    first = last = new[j].epoch
    for epoch in epochs:
        last = epoch if last < epoch < last + 2 * tolerance else last
    for epoch in reversed(epochs):
        first = epoch if first > epoch > first - 2 * tolerance else first
    in_known, in_new = (
        [place for place, each in enumerate(entries) if each.content == new[j].content and first <= each.epoch <= last]
        for entries in (known, new)
    )
    return in_known, in_new
