"""A text cut at its slots loses nothing, and its parts put together again are the whole."""

from __future__ import annotations

import re

from hypothesis import given
from hypothesis import strategies as st

from gateway.records.pieces import Pieces

_MARK = re.compile(r"<(\w)>")
_PARTS = st.lists(st.tuples(st.text("xyz|", max_size=4), st.sampled_from("abcd")), max_size=8)


def _cut(text: str) -> Pieces:
    return Pieces.of(text, _MARK, lambda match: match[1])


def _whole(pieces: Pieces) -> str:
    assert len(pieces.texts) == len(pieces.slots) + 1
    return pieces.texts[0] + "".join(
        f"<{slot}>{text}" for slot, text in zip(pieces.slots, pieces.texts[1:], strict=True)
    )


@given(_PARTS, st.text("xyz|", max_size=4))
def test_nothing_is_lost(parts: list[tuple[str, str]], end: str) -> None:
    text = "".join(f"{before}<{slot}>" for before, slot in parts) + end
    pieces = _cut(text)
    assert _whole(pieces) == text
    assert pieces.slots == tuple(slot for _, slot in parts)
    for slot in set(pieces.slots):
        before, after = pieces.before(slot), pieces.after(slot)
        assert f"{_whole(before)}<{slot}>{_whole(after)}" == text
        assert slot not in before.slots
    if {"a", "b"} & set(pieces.slots):
        run, rest = pieces.around({"a", "b"}, "run")
        assert set(run.slots) <= {"a", "b"}
        assert rest.slots.count("run") == 1
        assert _whole(rest).replace("<run>", _whole(run)) == text


def test_the_run_is_the_first_one_and_ends_where_another_slot_stands() -> None:
    run, rest = _cut("1<c>2<a>3<b>4<d>5<a>6").around({"a", "b"}, "run")
    assert _whole(run) == "<a>3<b>"
    assert _whole(rest) == "1<c>2<run>4<d>5<a>6"


def test_parts_are_of_the_kind_of_the_whole() -> None:
    class Kind(Pieces):
        pass

    made = Kind.of("1<a>2<b>3", _MARK, lambda match: match[1])
    assert {type(part) for part in (made, made.before("b"), made.after("a"), *made.around({"a"}, "r"))} == {Kind}
