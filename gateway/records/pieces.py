"""A record that a library made once, cut at its slots: what templates of FHIR and of HL7 v2 are put together from."""

from __future__ import annotations

import re
from collections.abc import Callable, Collection
from typing import NamedTuple, Self


class Pieces(NamedTuple):
    """A serialised text in pieces: texts[0] slots[0] texts[1] ... texts[-1].

    Attributes:
        texts: what is the same in every record; one more than there are slots.
        slots: the names of what differs.
    """

    texts: tuple[str, ...]
    slots: tuple[str, ...]

    @classmethod
    def of(cls, text: str, mark: re.Pattern[str], slot: Callable[[re.Match[str]], str]) -> Self:
        """Cut a text.

        Args:
            text: the text with a mark in place of each value.
            mark: matches a mark.
            slot: the name of the slot that a mark stands for.
        """
        texts, slots, position = [], [], 0
        for match in mark.finditer(text):
            texts.append(text[position : match.start()])
            slots.append(slot(match))
            position = match.end()
        return cls((*texts, text[position:]), tuple(slots))

    def before(self, slot: str) -> Self:
        """The part in front of a slot."""
        at = self.slots.index(slot)
        return type(self)(self.texts[: at + 1], self.slots[:at])

    def after(self, slot: str) -> Self:
        """The part behind a slot."""
        at = self.slots.index(slot) + 1
        return type(self)(self.texts[at:], self.slots[at:])

    def around(self, members: Collection[str], slot: str) -> tuple[Self, Self]:
        """The first run of slots that are `members`, without text around it, and the whole with `slot` in its place."""
        start = next(at for at, each in enumerate(self.slots) if each in members)
        end = start
        while end < len(self.slots) and self.slots[end] in members:
            end += 1
        run = type(self)(("", *self.texts[start + 1 : end], ""), self.slots[start:end])
        rest = type(self)(self.texts[: start + 1] + self.texts[end:], (*self.slots[:start], slot, *self.slots[end:]))
        return run, rest
