"""What becomes of a set that was seen before, or whose measurement was: decided here and nowhere else."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, field
from typing import Protocol

from gateway.model import Noticed, Outcome, Reading, Revised
from gateway.once.source import Close, Earlier, Other, Seen, canonical, is_absent

_HOW = {
    "column": "by the export's own column",
    "scan": "by a scanned code",
    "association": "by an association",
    "person": "by a person's decision",
    "merge": "by a merge of identifiers",
    "": "in a way that was not kept",
}


class Grouping(Protocol):
    """How readings share records."""

    def groups(self, readings: Sequence[Reading]) -> Iterator[tuple[str, list[str]]]:
        """The records that readings go into: key of each, and the vitals in it."""

    def members(self, key: str) -> Sequence[str]:
        """All vitals that can be in a record."""

    def optional(self, key: str) -> frozenset[str]:
        """Those of them that need not be there."""


@dataclass(frozen=True, slots=True)
class Said:
    """What a set says, before anything is known of it.

    Attributes:
        readings: every reading of the set.
        outcomes: what becomes of each of them so far.
        recorded: the readings that go into records.
        export: position of the export in the batch, 0 for sets of earlier runs.
        how: how its patient was established.
        retaken: it was held by an earlier run and is looked at again.
        reinstated: a person has confirmed it, or assigned it, although it was retracted.
        epoch: its time in seconds since 1970-01-01T00:00:00Z; None where the time of an entry moves by a step from one
            list to the next.
    """

    readings: Sequence[Reading]
    outcomes: Sequence[Outcome]
    recorded: tuple[Reading, ...]
    export: int
    how: str = ""
    retaken: bool = False
    reinstated: bool = False
    epoch: int | None = None


@dataclass(slots=True)
class Verdict:
    """What becomes of a set.

    Attributes:
        outcomes: what becomes of each of its readings.
        recorded: the readings that go into records.
        noticed: what there is to say about it.
        alone: what was noticed before is no longer of interest.
        earlier: what the ledger holds of this very set, whose identity it then has.
        revised: what is new in it, where something of it was recorded before.
        chain: names the measurement, where it was another patient's first.
    """

    outcomes: list[Outcome]
    recorded: tuple[Reading, ...]
    noticed: list[Noticed] = field(default_factory=list)
    alone: bool = False
    earlier: Earlier | None = None
    revised: Revised | None = None
    chain: bytes | None = None

    def hold(self, rule: str, message: str) -> Verdict:
        """Hold everything that would have been recorded."""
        self.outcomes = [Outcome.HELD if each is Outcome.RECORDED else each for each in self.outcomes]
        self.recorded = ()
        self.noticed.append(Noticed(rule, message))
        return self

    def repeats(self, rule: str, message: str) -> Verdict:
        """What would have been recorded is not new; what is held waits on."""
        if Outcome.HELD not in self.outcomes:
            return self.repeat(rule, message)
        if self.recorded:
            self.outcomes = [each if each is Outcome.HELD else Outcome.REPEAT for each in self.outcomes]
            self.recorded = ()
            self.noticed.append(Noticed(rule, message))
        return self

    def repeat(self, rule: str, message: str) -> Verdict:
        """Nothing in it is new."""
        self.outcomes = [Outcome.REPEAT] * len(self.outcomes)
        self.recorded = ()
        self.alone = True
        self.noticed.append(Noticed(rule, message))
        return self


@dataclass(frozen=True, slots=True)
class Judge:
    """Decides about sets that were seen before.

    Attributes:
        grouping: how readings share records.
        corrections: the mapping accepts corrections.
        panel: all readings of a set are members of one record.
    """

    grouping: Grouping
    corrections: bool
    panel: bool

    def verdict(self, said: Said, seen: Seen) -> Verdict:
        """What becomes of a set, by what is known of it."""
        verdict = Verdict(list(said.outcomes), said.recorded)
        if seen.undecided:
            what = "an earlier list of the device has an entry of the same values at about the same time"
            return verdict.hold("overlap-undecided", what)
        verdict.earlier = seen.earlier
        if seen.fresh or seen.earlier is not None:
            if seen.close is not None:
                verdict.noticed.append(Noticed("patients-close-together", _close(seen.close, said.export)))
            if seen.earlier is not None and seen.earlier.moved and not said.reinstated and _adds_nothing(said, seen):
                what = f"the set was recorded {_by(seen.earlier)}, taken back, and assigned to another patient since"
                return verdict.repeat("repeat-of-earlier-run", what)
            if (
                seen.earlier is not None
                and seen.earlier.retracted
                and not said.reinstated
                and _says_nothing_new(said, seen.earlier)
            ):
                what = f"the set was recorded {_by(seen.earlier)} and has been retracted since"
                return verdict.hold("retracted-before", what)
            if seen.other is not None and said.recorded:
                return verdict.hold("other-patient", _other(seen.other, said))
            if seen.blocked is not None and said.recorded and not said.reinstated:
                what = (
                    "the same measurement was recorded for another patient by run "
                    f"{seen.blocked.run} on {seen.blocked.day} and has been retracted since, not because of the patient"
                )
                return verdict.hold("retracted-before", what)
            verdict.chain = seen.chain
        if seen.earlier is not None:
            return self._recorded_before(verdict, said, seen.earlier, same=seen.same)
        if seen.fresh:
            return verdict
        where = _where(seen.export, seen.line, said.export)
        if seen.same:
            return verdict.repeat("repeat-in-batch", f"the same set stands {where}")
        if seen.covered:
            return verdict.repeats("repeat-in-batch", f"a set that says all of this stands {where}")
        return verdict.hold("same-identity-other-content", f"a set of the same identity stands {where}")

    def _recorded_before(self, verdict: Verdict, said: Said, earlier: Earlier, *, same: bool) -> Verdict:
        """A set that an earlier run recorded: what it says again is a repeat, what it adds or changes is looked at."""
        when = _by(earlier)
        if earlier.retracted:
            verdict.revised = self._revised(earlier, frozenset(), {reading.vital for reading in verdict.recorded})
        else:
            # What a person has confirmed is recorded, though its rule holds it each time that it is read.
            verdict.outcomes = [
                Outcome.REPEAT
                if outcome is Outcome.HELD and earlier.readings.get(reading.vital) == canonical(reading)
                else outcome
                for reading, outcome in zip(said.readings, verdict.outcomes, strict=True)
            ]
            if not same or said.retaken or Outcome.HELD in verdict.outcomes:
                verdict.revised = self._revision(verdict, said, earlier, when)
        if verdict.revised is None:
            if Outcome.HELD not in verdict.outcomes:
                return verdict.repeat("repeat-of-earlier-run", f"the same set was recorded {when}")
            # What is held still was never recorded, and is no repeat.
            verdict.recorded = ()
        if Outcome.REPEAT in verdict.outcomes:
            verdict.noticed.append(Noticed("repeat-of-earlier-run", f"the same set was recorded {when}"))
        return verdict

    def _revision(self, verdict: Verdict, said: Said, earlier: Earlier, when: str) -> Revised | None:
        """What a set says that was not recorded so; marks what was as repeats, and holds what may not be changed."""
        says = {reading.vital: canonical(reading) for reading in verdict.recorded}
        known = earlier.readings
        # An export is no news about what was recorded with it, or after it: a person says which of the two is right.
        accepted = self.corrections and not earlier.since
        fresh = {vital for vital in says if vital not in known}
        other = {vital for vital in says if vital in known and known[vital] != says[vital]}
        refused: set[str] = set()
        # Of what is fresh, too: the set was taken back once, and recorded anew without it.
        news = {vital: says[vital] for vital in fresh | other}
        before, back = _said_by(earlier.ever, news), _said_by(earlier.taken_back, news)
        stale = (_said_by(earlier.outdated, news) & other) - back
        elsewhen = said.epoch is not None and said.epoch != earlier.epoch
        if elsewhen:
            # The records of a set have one time; what was sent already would keep the old one.
            refused |= fresh | other
        if before - stale:
            # Going back to what was corrected is for a person to decide.
            refused |= fresh | other
        other -= stale
        for key, vitals_of in self.grouping.groups(verdict.recorded):
            touched = fresh.union(other).intersection(vitals_of)
            recorded = [vital for vital in self.grouping.members(key) if vital in known]
            if not touched or not recorded:
                continue
            # The record changes as a whole: it must still be there under this key, and none of it may be missing now.
            whole = key in earlier.keys and stale.isdisjoint(recorded) and all(vital in says for vital in recorded)
            # What need not be there and joins it corrects nothing of it.
            joins = touched <= fresh & self.grouping.optional(key)
            if not (whole and (accepted or joins)):
                refused.update(touched)
        fresh -= refused
        other -= refused
        if self.panel and (set(known).difference(says) or stale) and (fresh or other):
            # The panel of the set names all its members, and cannot be written anew from some of them.
            refused |= fresh | other
            fresh, other = set(), set()
        refused -= stale
        for place, reading in enumerate(said.readings):
            if verdict.outcomes[place] is not Outcome.RECORDED:
                continue
            if reading.vital in refused:
                verdict.outcomes[place] = Outcome.HELD
            elif reading.vital not in fresh and reading.vital not in other:
                verdict.outcomes[place] = Outcome.REPEAT
        if refused:
            rule = "same-identity-other-content"
            what = f"a set of the same identity with other values was recorded {when}"
            if back:
                rule = "retracted-before"
                what = f"it says what was recorded of the set and taken back, before the set was recorded anew {when}"
            elif elsewhen:
                what = f"the set was recorded {when} at another time than the mapping makes of it now"
            elif before - stale:
                what = f"it says what an earlier version of the set said, and what was recorded {when} corrects that"
            verdict.noticed.append(Noticed(rule, what))
        if not fresh and not other:
            return None
        if other:
            verdict.noticed.append(Noticed("correction-recorded", f"it corrects values recorded {when}"))
        left_out = refused | stale
        verdict.recorded = tuple(reading for reading in verdict.recorded if reading.vital not in left_out)
        return self._revised(earlier, fresh, other)

    def _revised(self, earlier: Earlier, fresh: AbstractSet[str], other: AbstractSet[str]) -> Revised:
        """What is new in a set, and what of it had been given out as a final result."""
        preliminary = earlier.preliminary
        records = {
            key for key in earlier.keys if preliminary.issuperset(self._recorded_members(key, earlier)) and preliminary
        }
        return Revised(
            frozenset(fresh),
            frozenset(other),
            earlier.keys,
            earlier.revision + 1,
            frozenset(vital for vital in other if is_absent(earlier.readings.get(vital, ""))),
            (preliminary & other) | records,
            earlier.withdrawn,
        )

    def _recorded_members(self, key: str, earlier: Earlier) -> Collection[str]:
        """The recorded vitals of which the record of a key was made; of the panel of the set, all of them."""
        members = self.grouping.members(key)
        return [vital for vital in members if vital in earlier.readings] or earlier.readings


def _adds_nothing(said: Said, seen: Seen) -> bool:
    assert seen.earlier is not None
    return all(seen.earlier.readings.get(each.vital) == canonical(each) for each in said.recorded)


def _says_nothing_new(said: Said, earlier: Earlier) -> bool:
    says = {each.vital: canonical(each) for each in said.recorded}
    return _said_by(earlier.ever, says) == says.keys()


def _said_by(versions: Sequence[Mapping[str, str]], says: Mapping[str, str]) -> set[str]:
    """The vitals of which one of the versions said the same."""
    return {vital for vital, text in says.items() if any(each.get(vital) == text for each in versions)}


def _by(earlier: Earlier) -> str:
    return f"by run {earlier.run} on {earlier.day}"


def _where(export: int, line: int, own: int) -> str:
    if export == own and export:
        return f"at line {line}"
    return f"at line {line} of export {export}" if export else "among the held sets of earlier runs"


def _close(close: Close, own: int) -> str:
    where = f"the set recorded by run {close.run}" if close.run else f"the set {_where(close.export, close.line, own)}"
    return f"{where} is of another patient, on the same device and {close.seconds} s away"


def _other(other: Other, said: Said) -> str:
    where = (
        f"was recorded by run {other.run} on {other.day}" if other.run else
        f"stands {_where(other.export, other.line, said.export)}"
    )  # fmt: skip
    if other.merged:
        return (
            f"the same measurement {where} under an identifier of this patient that has been merged since; "
            "move that set first"
        )
    return (
        f"the same measurement {where} for another patient, who was established {_HOW.get(other.how, _HOW[''])}; "
        f"this one was established {_HOW.get(said.how, _HOW[''])}"
    )
