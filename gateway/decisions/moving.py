"""Sets go to another patient: taken back there and recorded here, in one decision.

The retraction and the assignment are one transaction of the ledger. What is killed after it is completed by the next
run with the mapping, which records the sets for the patient they are assigned to.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar

from gateway.decisions.again import Again, Owner, need_system, of_mappings
from gateway.decisions.base import Decision, Effect, Plan
from gateway.decisions.retraction import Taking, owner_of, owners_by_associations, place_of, recorded_sets
from gateway.errors import InputError, UsageError
from gateway.identity import Identifiers, Issuers, load_merges, settled
from gateway.identity.merges import Who
from gateway.ledger.rows import HoldFilter, KnownSet, SetFilter

if TYPE_CHECKING:
    from gateway.ledger import Hold, Ledger, Run
    from gateway.mapping import LoadedMapping


@dataclass(frozen=True, kw_only=True)
class Move(Decision):
    """Recorded sets go to another patient.

    Attributes:
        which: the sets; those that are the patient's already are left alone.
        patient: identifier of the patient they go to; "" to let the associations say it.
        system: the system that it is of; "" for the mapping's own.
        associations: file of who was on which device: each set goes to whom it names, those of nobody wait.
    """

    name: ClassVar[str] = "move"

    which: SetFilter
    patient: str = ""
    system: str = ""
    associations: Path | None = None

    def check(self, ledger: Ledger, mapping: LoadedMapping | None) -> Plan:
        """See `Decision.check`."""
        if bool(self.patient) == (self.associations is not None):
            raise UsageError(
                "a move needs to know where to", where=self.where,
                todo="Name the patient with --patient, or who was on which device with --associations",
            )  # fmt: skip
        if self.system and not self.patient:
            raise UsageError("--system goes with --patient", where=self.where, todo="Leave --system out")
        found = recorded_sets(ledger, self.which, self.where)
        again = Again(ledger, mapping, self.where)
        owners: dict[bytes, Owner | None] = {}
        if self.associations is not None:
            owners = owners_by_associations(ledger, again, found, self.associations)
        else:
            asked = dict.fromkeys([each.identity for each in found], (self.patient, self.system))
            owners = {**owners_as_assigned(ledger, again, found, asked, self.where)}
        going = [each for each in found if owners[each.identity] != owner_of(each)]
        if not going:
            count = "the set is" if len(found) == 1 else f"all {len(found):,} sets are"
            raise UsageError(
                f"nothing is to be moved: {count} recorded for that patient already", where=self.where,
                todo="See gateway trace, or choose other sets",
            )  # fmt: skip
        to = {identity: owner for identity, owner in owners.items() if owner is not None}
        taken = Taking(self, ledger, going, "wrong-patient", to, at_once=mapping is not None)
        taken.effect.left = True
        taken.effect.kept = len(found) - len(going)
        taken.effect.moved = sum(each.identity in to for each in going)
        return taken


def owners_as_assigned(
    ledger: Ledger, again: Again, found: Sequence[KnownSet], asked: Mapping[bytes, Owner], where: str
) -> dict[bytes, Owner]:
    """Whose each set would be, were it assigned to the patient that was asked for.

    Raises:
        UsageError: a set cannot go to that patient.
    """
    owners: dict[bytes, Owner] = {}
    for made_with, sets in of_mappings(ledger, found).items():
        loaded = again.mapping(*made_with)
        for system in {asked[each.identity][1] for each in sets}:
            need_system(loaded, system, where)
        now = again.understood(loaded, {place_of(each): asked[each.identity] for each in sets})
        for each in sets:
            then = now.get(place_of(each))
            named = f"set {each.identity.hex()}"
            if then is None:
                raise UsageError(
                    f"the mapping does not find the entry of {named} any more", where=where,
                    todo="Name with --mapping a version that does, or use gateway retract",
                )  # fmt: skip
            if then.owner is None or not then.usable:
                raise UsageError(
                    f"{named} cannot be moved: {then.why}", where=where,
                    todo="Check the identifier against the wristband and [patient] of the mapping"
                    if then.owner is None
                    else "Name with --mapping a version with which it can be recorded, or use gateway retract",
                )  # fmt: skip
            owners[each.identity] = then.owner
    return owners


@dataclass(frozen=True, kw_only=True)
class Merge(Decision):
    """A list of merged identifiers: what is recorded for an old one goes to the one that survives.

    Attributes:
        merges: the list, CSV or HL7 v2 messages ADT^A40 (`gateway.identity.merges`).
    """

    name: ClassVar[str] = "merge"

    merges: Path

    def check(self, ledger: Ledger, mapping: LoadedMapping | None) -> Plan:
        """See `Decision.check`."""
        again = Again(ledger, mapping, self.where)
        loaded = self._mappings(again) if mapping is None else [mapping]
        listed, sha256 = load_merges(self.merges, Issuers.together(each.mapping for each in loaded))
        for merge in listed:
            self._fits(merge.surviving, loaded, merge.place)
        known = ledger.merged()
        ends = settled(listed, known, str(self.merges))
        pairs = {old: end for old, end in ends.items() if known.get(old) != end}
        found = [
            each
            for system, patient in sorted(ends)
            for each in ledger.sets(SetFilter(patient=patient, patient_system=system))
        ]
        asked = {each.identity: _owner(ends[each.patient_system, each.patient]) for each in found}
        owners = owners_as_assigned(ledger, again, found, asked, self.where) if found else {}
        assigned = self._assigned(ledger, again, ends)
        new = sum(old not in known for old in pairs)
        merged = _Merged(pairs, assigned, new, sha256)
        if not found:
            return _Remembering(self, merged)
        return _Merging(self, ledger, found, owners, merged, at_once=mapping is not None)

    def _mappings(self, again: Again) -> list[LoadedMapping]:
        """The newest mapping of each title and namespace in the ledger."""
        newest = again.newest()
        if not newest:
            raise UsageError("the ledger knows no run yet", where=self.where, todo="Convert an export first")
        return [again.stored(sha256) for sha256 in newest.values()]

    def _fits(self, who: Who, loaded: Sequence[LoadedMapping], place: str) -> None:
        """Refuse a surviving identifier that no mapping of its system would record."""
        system, value = who
        faults = []
        for each in loaded:
            patient = each.mapping.patient
            others = patient.systems.values.values() if patient.systems is not None else ()
            if system in (patient.system, *(other.system for other in others)):
                faults.append(Identifiers.of(patient).judged(value).fault)
        if faults and all(faults):
            what = {
                "nobody": "is nobody's",
                "form": "does not have the form that the mapping declares",
                "check-digit": "fails its check digit",
            }
            raise InputError(
                f"the surviving identifier {what[faults[0]]}", where=f"{self.merges}, {place}", todo="Mend the list"
            )

    def _assigned(self, ledger: Ledger, again: Again, ends: Mapping[Who, Who]) -> dict[int, Who]:
        """Open holds that were assigned to an old identifier, with the surviving one."""
        found: dict[int, Who] = {}
        olds = {patient for _, patient in ends}
        for hold in ledger.holds(HoldFilter()):
            if hold.patient in olds:
                old = (hold.patient_system or self._own_system(again, hold), hold.patient)
                if old in ends:
                    found[hold.id] = ends[old]
        return found

    def _own_system(self, again: Again, hold: Hold) -> str:
        return again.stored(hold.mapping_sha256).mapping.patient.system


def _owner(who: Who) -> Owner:
    system, patient = who
    return patient, system


@dataclass(slots=True)
class _Merged:
    """What a list of merges says to the ledger.

    Attributes:
        pairs: what is not known yet.
        assigned: open holds that were assigned to an old identifier.
        new: old identifiers that were not known.
        sha256: hash of the list.
    """

    pairs: Mapping[Who, Who]
    assigned: Mapping[int, Who]
    new: int
    sha256: str

    def enter(self, ledger: Ledger, decision: Merge, detail: Mapping[str, object]) -> None:
        """Into the ledger, with the entry in the audit trail."""
        told = {"identifiers": self.new, "holds": len(self.assigned), **detail}
        subject = f"list {self.sha256[:12]}"
        ledger.add_merged(self.pairs, self.assigned, decision.who, decision.why, subject, told)


class _Remembering(Plan):
    """Merged identifiers for which nothing is recorded."""

    def __init__(self, decision: Merge, merged: _Merged) -> None:
        self.effect = Effect(merged=merged.new, holds=len(merged.assigned))
        self._decision = decision
        self._merged = merged

    def carry_out(self, ledger: Ledger, out: Path | None) -> None:
        """See `Plan.carry_out`."""
        if self._merged.pairs or self._merged.assigned:
            self._merged.enter(ledger, self._decision, {"sets": 0})


class _Merging(Taking):
    """Merged identifiers for which something is recorded."""

    def __init__(
        self,
        decision: Merge,
        ledger: Ledger,
        found: Sequence[KnownSet],
        owners: Mapping[bytes, Owner],
        merged: _Merged,
        *,
        at_once: bool,
    ) -> None:
        super().__init__(decision, ledger, found, "wrong-patient", owners, at_once=at_once)
        self.effect.merged, self.effect.holds = merged.new, len(merged.assigned)
        self.effect.moved, self.effect.left = len(found), True
        self._made = decision
        self._merged = merged
        self._ledger = ledger

    def entered(self, run: Run) -> None:
        """See `Taking.entered`."""
        self._merged.enter(self._ledger, self._made, {**self.detail(), "run": run.id})
