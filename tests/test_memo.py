"""One memory for what is found once: bounded, and the same after it was emptied."""

from __future__ import annotations

import pytest

from gateway.memo import Memo


def test_a_key_is_found_once() -> None:
    asked: list[str] = []

    def length(text: str) -> int:
        asked.append(text)
        return len(text)

    memo: Memo[str, int] = Memo(length)
    assert [memo[text] for text in ("a", "bb", "a", "bb")] == [1, 2, 1, 2]
    assert asked == ["a", "bb"]


def test_that_nothing_belongs_to_a_key_is_kept_too() -> None:
    asked: list[str] = []
    memo: Memo[str, None] = Memo(asked.append)
    for _ in range(2):
        memo["a"]
    assert memo == {"a": None}
    assert asked == ["a"]


def test_it_never_holds_more_than_it_may() -> None:
    memo: Memo[int, int] = Memo(lambda number: number * number, most=3)
    for number in (*range(10), *range(10)):
        assert memo[number] == number * number
        assert len(memo) <= 3


def test_what_cannot_be_found_is_not_kept() -> None:
    def refuse(_: str) -> str:
        raise LookupError

    memo: Memo[str, str] = Memo(refuse)
    with pytest.raises(LookupError):
        memo["a"]
    assert not memo
