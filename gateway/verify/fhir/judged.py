"""Pieces of records that the plain reading has found good, each on its own, and which of them fit together."""

from __future__ import annotations

from collections.abc import Hashable
from typing import Any, Final, NamedTuple

from gateway.verify.fhir.bundles import check_request, read_request
from gateway.verify.fhir.datatypes import read_date_time
from gateway.verify.fhir.elements import SEARCH, facts_of, read_component
from gateway.verify.fhir.observation import check_observation
from gateway.verify.fhir.problems import Facts
from gateway.verify.fhir.resources import Resource, references_in
from gateway.verify.fhir.text import UnreadableError, no_blanks, parse

REMEMBERED: Final = 50_000
"""Pieces of each kind that are remembered; then they are forgotten, so that memory stays bounded."""

MASK: Final = b"\x00"
"""Stands in a piece for the identity of its set."""

_ANY: Final = b"6c1f09a2be7d4835d0a94e12f7b3c658"


class Piece(NamedTuple):
    """A run of members found good: the number of its facts, and the urn:uuid references in it with their type."""

    facts: int
    references: tuple[tuple[str, str], ...]


class Judged:
    """Judges pieces of Observations, and remembers what it found.

    Args:
        us_core: the records are meant to follow the US Core profiles as well.

    Attributes:
        pieces: runs of members, from the comma on -> what they are worth; None for what is not known as good.
        parts: components, without the name of their first element -> the number of their facts, or None.
        fits: whether the record is in a bundle, and the numbers of its pieces -> whether they fit together.
        by_number: number -> facts.
    """

    def __init__(self, us_core: bool) -> None:
        self.pieces: dict[bytes, Piece | None] = {}
        self.parts: dict[bytes, int | None] = {}
        self.fits: dict[tuple[int, ...], bool] = {}
        self.by_number: list[tuple[tuple[str, Any], ...]] = []
        self._us_core = us_core
        self._numbers: dict[Hashable, int] = {}
        self._days: set[bytes] = set()
        self._clocks: set[bytes] = set()

    @property
    def full(self) -> bool:
        """Whether so much is remembered that it is time to begin anew."""
        return len(self.by_number) >= REMEMBERED or len(self.fits) >= REMEMBERED

    def number(self, facts: tuple[tuple[str, Any], ...]) -> int:
        """The number of some facts; equal ones have one number."""
        number = self._numbers.get(facts)
        if number is None:
            number = self._numbers[facts] = len(self.by_number)
            self.by_number.append(facts)
        return number

    def time(self, text: bytes) -> bool:
        """Whether a text is a dateTime."""
        # Day and time of day are good or bad on their own, and there are few of each.
        day, clock = text[:10], text[10:]
        if day in self._days and clock in self._clocks:
            return True
        said: list[str] = []
        read_date_time(text.decode("ascii", "replace"), said.append, "effectiveDateTime")
        if not said and len(day) == 10:
            for remembered, part in ((self._days, day), (self._clocks, clock)):
                if len(remembered) >= REMEMBERED:
                    remembered.clear()
                remembered.add(part)
        return not said

    def piece(self, cut: bytes) -> Piece | None:
        """Judge a run of members on its own, with a stand-in for the identity of the set."""
        said: list[str] = []
        piece: Piece | None = None
        try:
            members = parse(b"{" + cut[1:].replace(MASK, _ANY) + b"}")
            request = members.pop("request", None)
            facts = facts_of(members, said.append)
            if request is not None:
                no_blanks(request, said.append, "request")
                facts["request"] = read_request(request, said.append)
            literal = references_in(members)
            # What may stand in one kind of bundle only is left to the plain reading.
            if not said and not any(item[0].startswith(SEARCH) for item in literal):
                inside = tuple(item for item in literal if item[0].startswith("urn:"))
                piece = Piece(self.number(tuple(facts.items())), inside)
        except UnreadableError:
            piece = None
        if len(self.pieces) >= REMEMBERED:
            self.pieces.clear()
        self.pieces[cut] = piece
        return piece

    def part(self, part: bytes) -> int | None:
        """Judge one component on its own."""
        said: list[str] = []
        number: int | None = None
        try:
            members = parse(b'{"code":' + part.replace(MASK, _ANY) + b"}")
            no_blanks(members, said.append, "component")
            component = read_component(members, said.append)
            if not said:
                number = self.number((("component", (component,)),))
        except UnreadableError:
            number = None
        if len(self.parts) >= REMEMBERED:
            self.parts.clear()
        self.parts[part] = number
        return number

    def fit(self, key: tuple[int, ...]) -> bool:
        """Whether pieces found good one by one also fit together."""
        facts: Facts = {}
        for number in key[1:]:
            for name, fact in self.by_number[number]:
                if name == "component":
                    fact = (*facts.get(name, ()), *fact)
                elif name in facts:
                    return False
                facts[name] = fact
        if facts.get("resourceType") != "Observation":
            return False
        said: list[str] = []
        request = facts.pop("request", None)
        check_observation(facts, said.append, us_core=self._us_core, bundled=bool(key[0]))
        if request is not None:
            known, status = facts.get("identifier") or ("", ""), facts.get("status") or ""
            resource = Resource("Observation", known, facts.get("id", ""), status=status)
            check_request(request, resource, said.append)
        return not said
