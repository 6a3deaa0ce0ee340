"""Decisions of people about holds: what is checked before one goes into the ledger."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal, NamedTuple, TypeAlias

from gateway.checks import rules
from gateway.errors import UsageError
from gateway.ledger import Hold, HoldFilter, Recovered, open_ledger

Action: TypeAlias = Literal["assign", "confirm", "discard"]


class Settled(NamedTuple):
    """What was settled, or would be.

    Attributes:
        holds: how many holds.
        readings: how many readings they hold.
    """

    holds: int
    readings: int


def settle(
    ledger: str | Path,
    action: Action,
    which: HoldFilter,
    *,
    who: str,
    why: str,
    patient: str | None = None,
    dry_run: bool = False,
    where: str = "holds",
    recovered: Callable[[Sequence[Recovered]], None] | None = None,
) -> Settled:
    """Decide about open holds, all of them or none.

    Args:
        ledger: file or URL.
        action: "assign" a patient, "confirm" that the values are plausible as they are, "discard" them.
        which: the holds meant; those named by number must all be open.
        who: who decides, for the audit trail.
        why: why, for the audit trail.
        patient: the patient's identifier for "assign", None for the others.
        dry_run: only say what would be settled.
        where: where the decision was made, for errors.
        recovered: told of the runs that had been cut off and were completed when the ledger was opened.

    Raises:
        UsageError: nothing was settled, because the decision is not complete or does not fit a hold.
        LedgerError: the ledger cannot be used.
    """
    if (action == "assign") != bool(patient):
        todo = "Name the patient with --patient" if not patient else "Leave --patient out"
        raise UsageError(f"{action} {'needs' if not patient else 'does not use'} --patient", where=where, todo=todo)
    if not which.ids and which.reason is None and which.device is None and which.older_than is None:
        raise UsageError(
            "no hold was named", where=where,
            todo="Name holds by number, or a group of them with --reason, --device or --older-than",
        )  # fmt: skip
    need_words(who, "--who")
    need_words(why, "--why")
    with open_ledger(ledger, create=False) as opened:
        if recovered is not None:
            recovered(opened.recovered)
        found = opened.holds(which)
        missing = set(which.ids or ()) - {hold.id for hold in found}
        if missing or not found:
            named = f"hold {min(missing)} is not open" if missing else "no open hold fits"
            raise UsageError(named, where=where, todo="See gateway holds for what is open")
        unfit = [hold.id for hold in found if not fits(action, hold)]
        if unfit:
            what = "has no usable time or device to assign a patient to" if action == "assign" else (
                "is held for more than its values, and cannot be released by confirming them"
            )  # fmt: skip
            raise UsageError(f"hold {unfit[0]} {what}", where=where, todo="Settle it in another way")
        if not dry_run:
            opened.settle([hold.id for hold in found], action, patient or "", who, why, at=datetime.now(UTC))
    return Settled(len(found), sum(hold.readings for hold in found))


def fits(action: Action, hold: Hold) -> bool:
    """Whether a hold can be settled in this way at all."""
    if action == "assign":
        return hold.epoch is not None
    if action == "confirm":
        known = rules()
        own = [slug for slug in hold.reasons.split(",") if slug != "panel-member-held"]
        kept = [slug for slug in own if slug != "retracted-before" and not (slug in known and known[slug].adjustable)]
        # A single value that cannot be confirmed (a mean that is no number) waits on and withholds nothing else.
        return len(kept) < len(own) and all(slug in known and known[slug].subject == "reading" for slug in kept)
    return True


def need_words(text: str, where: str) -> None:
    """Refuse an empty name or reason.

    Raises:
        UsageError: there is nothing in it.
    """
    if not text.strip():
        raise UsageError("this must not be empty", where=where, todo="It goes into the audit trail")
