"""What a held or recorded set would be now: its own lines, understood again as the next run would."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple, TypeAlias

from gateway.checks import rules
from gateway.conversion.blocks import BlockConverter
from gateway.conversion.options import Job, Options, load_mapping
from gateway.conversion.remembering import unpacked
from gateway.conversion.seen import Retaken
from gateway.errors import MappingError, UsageError
from gateway.ledger import HoldFilter, SetFilter
from gateway.model import Effect as RuleEffect

if TYPE_CHECKING:
    from gateway.identity import Associations
    from gateway.ledger import Hold, KnownSet, Ledger
    from gateway.mapping import LoadedMapping

Owner: TypeAlias = "tuple[str, str]"
"""Identifier and system of a patient, the system "" for the mapping's own."""


class Place(NamedTuple):
    """Where a set begins, as the ledger numbers it."""

    export: int
    block: int
    line: int


class Now(NamedTuple):
    """A set as it is understood now.

    Attributes:
        owner: its patient; None where it has none.
        usable: whether it has a patient, a time and a device that can be used.
        held: rules that hold something of it, each with its message: those about the patient, then about the entry.
    """

    owner: Owner | None
    usable: bool
    held: dict[str, str]

    @property
    def why(self) -> str:
        """Why it cannot be used, in words."""
        return next(iter(self.held.values()), "it has no usable time")


def about_patient(slug: str) -> bool:
    """Whether a rule holds a set because of whose it is."""
    known = rules()
    return slug in known and known[slug].about == "patient"


class Again:
    """Understands sets of earlier runs once more.

    Args:
        ledger: the ledger.
        given: the mapping that was named, for everything; None for those of the ledger.
        where: where the decision was made, for errors.
    """

    def __init__(self, ledger: Ledger, given: LoadedMapping | None, where: str) -> None:
        self._ledger = ledger
        self._given = given
        self._where = where
        self._stored: dict[str, LoadedMapping] = {}
        self._exports: dict[int, str] | None = None
        self._newest: dict[tuple[str, str], str] | None = None

    def newest(self) -> dict[tuple[str, str], str]:
        """The hash of the newest mapping of each title and namespace that something was converted with."""
        if self._newest is None:
            # A retraction goes by the mapping of what it takes back.
            made = [run for run in self._ledger.runs() if "retracted" not in json.loads(run.counts or "{}")]
            self._newest = {(run.mapping_title, run.namespace): run.mapping_sha256 for run in made}
        return self._newest

    def mapping(self, sha256: str, title: str, namespace: str) -> LoadedMapping:
        """The mapping that a set made with a mapping of this hash, title and namespace is taken up with: the newest.

        Raises:
            UsageError: the mapping that was named is another one, or the one of the ledger cannot be used any more.
        """
        if self._given is not None:
            mine = self._given.mapping
            if (mine.title, mine.namespace) != (title, namespace):
                raise UsageError(
                    f"the mapping that was named does not take up what was made with '{title}'",
                    where=self._where,
                    todo="Name a version of that mapping, with the same title and namespace; or leave --mapping out",
                )
            return self._given
        return self.stored(self.newest().get((title, namespace), sha256))

    def stored(self, sha256: str) -> LoadedMapping:
        """A mapping as the ledger keeps it.

        Raises:
            UsageError: this version of the program cannot use it any more.
        """
        found = self._stored.get(sha256)
        if found is None:
            try:
                found = load_mapping(self._ledger.mapping_text(sha256) + "\n", earlier=True)
            except MappingError:
                raise UsageError(
                    f"the mapping {sha256[:12]} that the ledger keeps cannot be used by this version any more",
                    where=self._where,
                    todo="Name a newer version of the mapping with --mapping",
                ) from None
            self._stored[sha256] = found
        return found

    def understood(
        self,
        loaded: LoadedMapping,
        places: Mapping[Place, Owner | None],
        associations: Associations | None = None,
    ) -> dict[Place, Now]:
        """What sets would be, taken up with a mapping.

        Args:
            loaded: the mapping.
            places: the sets, each with the patient it is assigned to; None to let export and associations say it.
            associations: who was on which device.

        Returns:
            By place; those that the mapping does not find any more are not in it.
        """
        if self._exports is None:
            self._exports = {export.id: export.form for export in self._ledger.exports()}
        options = Options(received=int(datetime.now(UTC).timestamp()))
        job = Job(loaded, options, associations, Path(), merged=self._ledger.merged())
        converter: BlockConverter | None = None
        found: dict[Place, Now] = {}
        by_block: dict[tuple[int, int], dict[int, Owner | None]] = {}
        for place, owner in places.items():
            by_block.setdefault(place[:2], {})[place.line] = owner
        for (export, number), mine in sorted(by_block.items()):
            if self._exports.get(export) != loaded.mapping.form:
                continue
            stored = self._ledger.block(export, number)
            block, sent, older = unpacked(stored)
            converter = converter or BlockConverter(job, stored.export_sha256)
            if not converter.fits(block):
                continue
            assigned = {line: owner for line, owner in mine.items() if owner is not None}
            retaken = Retaken(frozenset(mine), assigned, frozenset(), sent, older)
            sets, *_ = converter.sets(block, retaken)
            for candidate in sets:
                held = {each.rule: each.message for each in candidate.findings if each.effect is RuleEffect.HOLD}
                first = sorted(held, key=lambda slug: (not about_patient(slug), rules()[slug].subject != "entry"))
                who = candidate.item.patient
                found[Place(export, number, candidate.item.line)] = Now(
                    (who.value, who.system) if who.value else None,
                    candidate.key is not None,
                    {slug: held[slug] for slug in first},
                )
        return found


def systems_of(loaded: LoadedMapping) -> list[str]:
    """The systems of patients' identifiers that a mapping names, its own first."""
    patient = loaded.mapping.patient
    others = patient.systems.values.values() if patient.systems is not None else ()
    return list(dict.fromkeys([patient.system, *(each.system for each in others)]))


def need_system(loaded: LoadedMapping, system: str, where: str) -> None:
    """Refuse a patient of whom it is not said in which system, or in one that the mapping does not know.

    Raises:
        UsageError: so it is.
    """
    known = systems_of(loaded)
    if system and system not in known:
        raise UsageError(
            "the mapping does not know this system of patients' identifiers", where=where,
            todo=f"Name one that it knows with --system: {', '.join(known)}",
        )  # fmt: skip
    if not system and len(known) > 1:
        raise UsageError(
            f"the mapping names {len(known)} systems of patients' identifiers", where=where,
            todo=f"Say with --system which of them the patient's is of: {', '.join(known)}",
        )  # fmt: skip


def current_at(ledger: Ledger, hold: Hold) -> list[KnownSet]:
    """What is recorded of the measurement that a hold is about: of its lines, of its identity, of its chain."""
    at_line = ledger.at_line(hold.export_sha256, hold.line).sets
    # Another mapping may have read the same line.
    found = {known.identity: known for known in at_line if known.export_id == hold.export_id}
    known = ledger.find(hold.identity) if hold.identity is not None else None
    if known is not None:
        found[known.identity] = known
    for each in list(found.values()):
        begun = each.chain or each.identity
        here = SetFilter(device=each.device, since=each.epoch, until=each.epoch + 1)
        for other in ledger.sets(here):
            same_line = (other.export_id, other.line) == (each.export_id, each.line)
            if same_line or (other.chain or other.identity) == begun:
                found[other.identity] = other
    if "other-patient" in hold.reasons.split(",") and hold.epoch is not None:
        runs = {run.id: run.namespace for run in ledger.runs()}
        for other in ledger.sets(SetFilter(device=hold.device, since=hold.epoch, until=hold.epoch + 1)):
            if runs[other.run] == hold.namespace:
                found[other.identity] = other
    return [each for each in found.values() if each.state == "recorded"]


def promised_elsewhere(ledger: Ledger, owners: Mapping[int, Owner], found: Sequence[Hold]) -> tuple[int, int] | None:
    """A hold whose measurement goes to somebody else, as another hold of it was decided; the numbers of both.

    Args:
        ledger: the ledger.
        owners: number of a hold -> whom it is to go to; ("", "") for whom its own export and the associations say.
        found: these holds.
    """
    decided = [
        hold
        for device in sorted({hold.device for hold in found})
        for hold in ledger.holds(HoldFilter(device=device))
        if hold.action and hold.id not in owners
    ]
    if not decided:
        return None
    promised: dict[tuple[int, int], list[Hold]] = {}
    for hold in decided:
        promised.setdefault(_measurement(ledger, hold), []).append(hold)
    for hold in found:
        for other in promised.get(_measurement(ledger, hold), ()):
            if (other.patient, other.patient_system) != owners[hold.id]:
                return hold.id, other.id
    return None


def _measurement(ledger: Ledger, hold: Hold) -> tuple[int, int]:
    """Where the first set of a hold's measurement begins: export and line; its own place where there is none."""
    known = ledger.find(hold.identity) if hold.identity is not None else None
    if known is not None and known.chain is not None:
        known = ledger.find(known.chain) or known
    return (known.export_id, known.line) if known is not None else (hold.export_id, hold.line)


def belongs(known: KnownSet, owner: Owner, loaded: LoadedMapping) -> bool:
    """Whether a set is recorded for this patient."""
    return (known.patient, known.patient_system) == (owner[0], owner[1] or loaded.mapping.patient.system)


def of_mappings(ledger: Ledger, sets: Iterable[KnownSet]) -> dict[tuple[str, str, str], list[KnownSet]]:
    """Sets by the mapping that recorded them: its hash, title and namespace."""
    runs = {run.id: (run.mapping_sha256, run.mapping_title, run.namespace) for run in ledger.runs()}
    found: dict[tuple[str, str, str], list[KnownSet]] = {}
    for each in sets:
        found.setdefault(runs[each.run], []).append(each)
    return found
