"""Decisions about holds: confirm that values are plausible as they are, assign a patient, discard."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar, Literal, TypeAlias

from gateway.checks import rules
from gateway.decisions.again import (
    Again,
    Owner,
    Place,
    about_patient,
    belongs,
    current_at,
    need_system,
    promised_elsewhere,
)
from gateway.decisions.base import Decision, Effect, Plan
from gateway.errors import UsageError
from gateway.ledger.rows import Hold, HoldFilter

if TYPE_CHECKING:
    from gateway.ledger import Ledger
    from gateway.mapping import LoadedMapping

Action: TypeAlias = Literal["assign", "confirm", "discard"]

_CONSEQUENCES = frozenset({"panel-member-held"})
"""Rules that only say what follows from another one."""


@dataclass(frozen=True, kw_only=True)
class Settle(Decision):
    """Open holds are settled, all of them or none.

    Attributes:
        action: "assign" a patient, "confirm" that the values are plausible as they are, "discard" them.
        which: the holds meant; those named by number must all be open.
        patient: the patient's identifier for "assign", "" for the others.
        system: the system that it is of; "" for the mapping's own.
    """

    name: ClassVar[str] = "settle"

    action: Action
    which: HoldFilter
    patient: str = ""
    system: str = ""

    def check(self, ledger: Ledger, mapping: LoadedMapping | None) -> Plan:
        """See `Decision.check`."""
        if (self.action == "assign") != bool(self.patient):
            todo = "Name the patient with --patient" if not self.patient else "Leave --patient out"
            needs = "needs" if not self.patient else "does not use"
            raise self._refused(f"{self.action} {needs} --patient", todo)
        if self.system and self.action != "assign":
            raise self._refused(f"{self.action} does not use --system", "Leave --system out")
        which = self.which
        if not which.ids and which.reason is None and which.device is None and which.older_than is None:
            raise self._refused(
                "no hold was named",
                "Name holds by number, or a group of them with --reason, --device or --older-than",
            )
        found = ledger.holds(which)
        missing = set(which.ids or ()) - {hold.id for hold in found}
        if missing or not found:
            named = f"hold {min(missing)} is not open" if missing else "no open hold fits"
            raise self._refused(named, "See gateway holds for what is open")
        if self.action == "assign":
            self._fits_assigned(ledger, mapping, found)
        elif self.action == "confirm":
            for hold in found:
                self._fits_confirmed(ledger, hold)
        if self.action != "discard":
            given = (self.patient, self.system)
            owners = {hold.id: given if self.patient else (hold.patient, hold.patient_system) for hold in found}
            two = promised_elsewhere(ledger, owners, found)
            if two is not None:
                raise self._refused(
                    f"hold {two[0]} is about the same measurement as hold {two[1]}, which goes to another patient",
                    "Discard one of the two",
                )
        return _Settling(self, found)

    def _fits_assigned(self, ledger: Ledger, given: LoadedMapping | None, found: Sequence[Hold]) -> None:
        """Refuse unless every hold is about its patient and would be recorded for the one who is named."""
        for hold in found:
            if not any(about_patient(slug) for slug in hold.reasons.split(",")):
                raise self._refused(
                    f"hold {hold.id} is about its values ({hold.reasons}), not about whose they are",
                    "Confirm or discard it; what is recorded for the wrong patient goes to the right one with "
                    "gateway move",
                )
        again = Again(ledger, given, self.where)
        owner: Owner = (self.patient, self.system)
        by_mapping: dict[tuple[str, str, str], list[Hold]] = {}
        for hold in found:
            by_mapping.setdefault((hold.mapping_sha256, hold.mapping_title, hold.namespace), []).append(hold)
        for made_with, holds in by_mapping.items():
            loaded = again.mapping(*made_with)
            need_system(loaded, self.system, self.where)
            places = {hold.id: Place(hold.export_id, hold.block, hold.line) for hold in holds}
            now = again.understood(loaded, dict.fromkeys(places.values(), owner))
            for hold in holds:
                then = now.get(places[hold.id])
                if then is None:
                    raise self._refused(
                        f"the mapping does not find the entry of hold {hold.id} any more",
                        "Name with --mapping a version that does, or discard it",
                    )
                if not then.usable:
                    what = then.why if then.owner is None else f"it would still be held: {then.why}"
                    raise self._refused(
                        f"hold {hold.id} cannot be assigned: {what}",
                        "Check the identifier against the wristband and [patient] of the mapping"
                        if then.owner is None
                        else "Settle that first, or discard it",
                    )
                if any(not belongs(known, owner, loaded) for known in current_at(ledger, hold)):
                    raise self._recorded(hold)

    def _fits_confirmed(self, ledger: Ledger, hold: Hold) -> None:
        """Refuse unless what holds it may be relaxed; whose it is may have been said before.

        A single value that cannot be confirmed (a mean that is no number) waits on, and withholds nothing else.
        """
        known = rules()
        own = [slug for slug in hold.reasons.split(",") if slug not in _CONSEQUENCES]
        retracted = "retracted-before" in own
        relaxed = {
            slug
            for slug in own
            if slug == "retracted-before"
            or (slug in known and known[slug].adjustable)
            or (about_patient(slug) and hold.patient)
        }
        for slug in own:
            if slug in relaxed or (relaxed and slug in known and known[slug].subject == "reading"):
                continue
            if about_patient(slug):
                todo = "Say whose the readings are with gateway resolve assign, or discard them"
            else:
                todo = f"Correct the export or the mapping, or discard it; gateway rules {slug} says more"
            raise self._refused(f"hold {hold.id} is held by {slug}, and cannot be released by confirming it", todo)
        if retracted and not hold.patient and current_at(ledger, hold):
            raise self._recorded(hold)

    def _recorded(self, hold: Hold) -> UsageError:
        return self._refused(
            f"what hold {hold.id} is about is recorded for a patient already",
            "Take it back there and record it here in one step, with gateway move; or discard the hold",
        )

    def _refused(self, what: str, todo: str) -> UsageError:
        return UsageError(what, where=self.where, todo=todo)


class _Settling(Plan):
    def __init__(self, decision: Settle, found: Sequence[Hold]) -> None:
        self.effect = Effect(holds=len(found), readings=sum(hold.readings for hold in found))
        self._decision = decision
        self._ids = [hold.id for hold in found]

    def carry_out(self, ledger: Ledger, out: Path | None) -> None:
        made = self._decision
        ledger.settle(
            self._ids, made.action, made.patient, made.who, made.why, at=datetime.now(UTC), system=made.system
        )
