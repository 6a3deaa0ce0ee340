"""What becomes of sets of which something is known: a person discarded them, or they were seen before."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import TypeAlias

from gateway.checks import effects, finding
from gateway.conversion.understanding.candidate import Candidate, held, marked
from gateway.mapping import Mapping as MappingFile
from gateway.model import Effect, Noticed, Outcome
from gateway.normalise.clocks import Dump, Older
from gateway.once import Grouping, Judge, Key, Said, Seen, Verdict

_CLOSE = "patients-close-together"

Admit: TypeAlias = Callable[[Sequence[Key]], Mapping[int, Seen]]
"""Remembers the keys of sets and says, by position, which were seen before and where."""


@dataclass(frozen=True, slots=True)
class Retaken:
    """Held sets of an earlier run that are taken up again.

    Attributes:
        lines: their first lines; nothing else of the block is looked at.
        patients: line -> patient identifier and its system ("" for the mapping's own), where a person has assigned one.
        reinstated: lines of sets that a person has confirmed, or assigned, although they were retracted.
        sent: when the list was sent, as it was given then.
        older: which of its entries have no defensible time.
    """

    lines: frozenset[int]
    patients: Mapping[int, tuple[str, str]]
    reinstated: frozenset[int] = frozenset()
    sent: datetime | None = None
    older: Mapping[tuple[int, Dump], Older] = field(default_factory=dict)


class SeenBefore:
    """Settles what becomes of sets of which something is known. What it is, `gateway.once` decides.

    Args:
        mapping: the mapping.
        grouping: how readings share records.
    """

    def __init__(self, mapping: MappingFile, grouping: Grouping) -> None:
        self._judge = Judge(grouping, mapping.corrections == "accept", mapping.output.fhir.panel)
        self._effects = effects(mapping)
        self._times_move = mapping.time.age is not None
        self._marked = marked()

    def settle(
        self,
        candidates: Sequence[Candidate],
        export: int,
        admit: Admit,
        discarded: frozenset[int] = frozenset(),
        retaken: Retaken | None = None,
    ) -> list[Key]:
        """Settle sets, in their order.

        Args:
            candidates: the sets; what is known changes them.
            export: position of their export in the batch.
            admit: asked about their keys.
            discarded: first lines of sets that a person has discarded.
            retaken: what was decided about sets of an earlier run that are taken up again.

        Returns:
            The keys of those sets that could be recorded.
        """
        if discarded:
            for candidate in candidates:
                if candidate.item.line in discarded:
                    _discard(candidate, export)
        keyed = [(candidate, candidate.key) for candidate in candidates if candidate.key is not None]
        keys = [key for _, key in keyed]
        for position, seen in admit(keys).items():
            candidate, key = keyed[position]
            said = self._said(candidate, key, export, retaken)
            self._carry_out(self._judge.verdict(said, seen), candidate, export)
        return keys

    def _said(self, candidate: Candidate, key: Key, export: int, retaken: Retaken | None) -> Said:
        """What a set says, for the judge."""
        item = candidate.item
        return Said(
            candidate.readings,
            candidate.outcomes or [Outcome.RECORDED] * len(candidate.readings),
            item.readings,
            export,
            key.how,
            retaken is not None,
            retaken is not None and item.line in retaken.reinstated,
            None if self._times_move else item.moment.epoch,
        )

    def _carry_out(self, verdict: Verdict, candidate: Candidate, export: int) -> None:
        """Make a set what the verdict says it is."""
        told = [(each, self._effects[each.rule]) for each in verdict.noticed]
        findings = [] if verdict.alone else candidate.findings
        findings += [
            finding(each, export=export, line=candidate.item.line, effect=effect)
            for each, effect in told
            if effect is not Effect.OFF
        ]
        readings, outcomes, recorded = candidate.readings, verdict.outcomes, verdict.recorded
        close = {effect for each, effect in told if each.rule == _CLOSE}
        if Effect.HOLD in close:
            outcomes, recorded = held(outcomes), ()
        elif Effect.FLAG in close:
            marks = {
                each: self._marked[each] for each in readings if each.outcome is Outcome.RECORDED and not each.flagged
            }
            readings = [marks.get(each, each) for each in readings]
            recorded = tuple([marks.get(each, each) for each in recorded])

        candidate.readings, candidate.outcomes, candidate.findings = readings, outcomes, findings
        candidate.earlier, candidate.chain = verdict.earlier, verdict.chain
        candidate.item.readings, candidate.item.revised = recorded, verdict.revised
        if verdict.earlier is not None:
            candidate.item.identity = verdict.earlier.identity.hex()


def _discard(candidate: Candidate, export: int) -> None:
    """A person has looked at this set and discarded it: it waits for nobody any more."""
    candidate.hold()
    candidate.key = None
    noticed = Noticed("discarded-before", "a person has discarded the set")
    candidate.findings = [finding(noticed, export=export, line=candidate.item.line)]
