"""A list that is read again and again gives each reading once."""

from __future__ import annotations

from collections import Counter

from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.once import Key, Lists

STEP = 60


@st.composite
def histories(draw: st.DrawFn, contents: int, gap: int) -> tuple[list[tuple[int, int]], list[int], int]:
    """Readings (instant, content) in order, instants of sending, and how many entries the monitor keeps."""
    gaps = draw(st.lists(st.integers(gap, 900), min_size=1, max_size=14))
    instants = [1_773_480_000]
    for each in gaps:
        instants.append(instants[-1] + each)
    readings = [(at, draw(st.integers(0, contents - 1))) for at in instants]
    sent = sorted(draw(st.lists(st.integers(instants[0], instants[-1] + 4000), min_size=1, max_size=5, unique=True)))
    return readings, sent, draw(st.integers(2, 20))


def recorded(
    readings: list[tuple[int, int]], sent: list[int], kept: int, *, newest_first: bool, anchor_step: int = 1
) -> tuple[Counter[int], Counter[int], set[int]]:
    """How often each reading was recorded, how often undecided, and which were in a list at all."""
    lists = Lists(STEP + anchor_step)
    new: Counter[int] = Counter()
    undecided: Counter[int] = Counter()
    listed: set[int] = set()
    for export, anchor in enumerate(sent, start=1):
        inside = [number for number, (at, _) in enumerate(readings) if at <= anchor][-kept:]
        if newest_first:
            inside.reverse()
        stated = anchor // anchor_step * anchor_step
        keys = []
        for line, number in enumerate(inside, start=1):
            at, content = readings[number]
            epoch = stated - (anchor - at) // STEP * STEP
            digest = f"{epoch}|{content}".encode()
            keys.append(Key(epoch, digest, bytes([content]), export, line, "M1"))
        seen = lists.admit(keys)
        for position, number in enumerate(inside):
            listed.add(number)
            if position not in seen:
                new[number] += 1
            elif seen[position].undecided or not seen[position].same:
                undecided[number] += 1
    return new, undecided, listed


@settings(max_examples=400, deadline=None)
@given(histories(contents=200, gap=1), st.booleans())
def test_different_readings_are_recorded_once_each(
    history: tuple[list[tuple[int, int]], list[int], int], newest_first: bool
) -> None:
    readings = [(at, number) for number, (at, _) in enumerate(history[0])]
    new, undecided, listed = recorded(readings, history[1], history[2], newest_first=newest_first)
    assert new == Counter(listed)
    assert not undecided


@settings(max_examples=400, deadline=None)
@given(histories(contents=2, gap=5 * STEP), st.booleans())
def test_equal_readings_minutes_apart_are_recorded_once_each(
    history: tuple[list[tuple[int, int]], list[int], int], newest_first: bool
) -> None:
    new, undecided, listed = recorded(*history, newest_first=newest_first)
    assert new == Counter(listed)
    assert not undecided


@settings(max_examples=400, deadline=None)
@given(histories(contents=2, gap=5 * STEP))
def test_a_time_of_sending_to_the_minute_is_good_enough(
    history: tuple[list[tuple[int, int]], list[int], int],
) -> None:
    new, _, listed = recorded(*history, newest_first=True, anchor_step=60)
    assert new == Counter(listed)


@settings(max_examples=400, deadline=None)
@given(histories(contents=2, gap=1), st.booleans())
def test_nothing_is_recorded_twice_and_nothing_is_lost_in_silence(
    history: tuple[list[tuple[int, int]], list[int], int], newest_first: bool
) -> None:
    """Equal readings a minute or less apart cannot always be told apart: then they are held, not dropped."""
    readings, sent, kept = history
    new, undecided, listed = recorded(readings, sent, kept, newest_first=newest_first)
    by_content: Counter[int] = Counter()
    for number in listed:
        by_content[readings[number][1]] += 1
        assert new[number] + undecided[number] >= 1 or any(
            new[other] or undecided[other]
            for other in listed
            if readings[other][1] == readings[number][1] and abs(readings[other][0] - readings[number][0]) < 4 * STEP
        )
    for content, count in by_content.items():
        assert sum(new[number] for number in listed if readings[number][1] == content) <= count
