"""Decisions of people about the outbox: what is checked before something is sent again, parked, released or left out.

Each is checked as a whole when it is made, and carried out with its entry in the audit trail, or not at all.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Collection, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Literal, NamedTuple, TypeAlias

from gateway.conversion.options import need_words
from gateway.conversion.payloads import sets_in
from gateway.errors import UsageError
from gateway.ledger import SETTLED_FROM, OutboxFilter, OutboxItem, Recovered, open_ledger

if TYPE_CHECKING:
    from gateway.ledger import Ledger

QueueAction: TypeAlias = Literal["park", "release", "skip"]

_WORDS = {
    "park": "does not wait",
    "release": "is not parked",
    "skip": "neither waits nor is parked",
    "replay": "is not delivered, parked or skipped",
}
_IDENTITY = re.compile(r"[0-9a-f]{32}", re.ASCII)


class Listed(NamedTuple):
    """An item that somebody has to look at.

    Attributes:
        item: the item.
        sets: how many sets it carries.
        blocked_by: number of the item that it waits for, 0 for none.
    """

    item: OutboxItem
    sets: int
    blocked_by: int


def resend(
    ledger: str | Path,
    which: OutboxFilter,
    *,
    who: str,
    why: str,
    sets: Collection[str] = (),
    dry_run: bool = False,
    where: str = "outbox",
    recovered: Callable[[Sequence[Recovered]], None] | None = None,
) -> int:
    """Bring a receiver to what is true of everything that some items are about, all of it or nothing.

    What has not changed since is sent again as it was; what has, as it is now, or taken back.

    Args:
        ledger: file or URL.
        which: the items meant, of one target; those named by number must all be delivered, parked or skipped there.
        who: who decides, for the audit trail.
        why: why, for the audit trail.
        sets: only these sets (32 hex digits each); with no item named, the newest item of each.
        dry_run: only count.
        where: where the decision was made, for errors.
        recovered: told of the runs that had been cut off and were completed when the ledger was opened.

    Returns:
        How many items wait again, or would.

    Raises:
        UsageError: nothing was changed, because nothing fits or something does not.
        LedgerError: the ledger cannot be used.
    """
    _check_words(who, why, sets, where)
    with open_ledger(ledger, create=False, readonly=dry_run) as opened:
        if recovered is not None:
            recovered(opened.recovered)
        _known_target(opened, which.target, where)
        if sets and which == OutboxFilter(target=which.target):
            which = replace(which, ids=_newest(opened, which.target or "", sets, where))
        found = _fitting(opened, "replay", which, where)
        if not dry_run and sets:
            return opened.settle_items([item.id for item in found], "replay", who, why, sets_in, sets)
        if not dry_run:
            opened.replay(which, who, why)
    return len(found)


def settle_items(
    ledger: str | Path,
    action: QueueAction,
    which: OutboxFilter,
    *,
    who: str,
    why: str,
    sets: Collection[str] = (),
    dry_run: bool = False,
    where: str = "outbox",
    recovered: Callable[[Sequence[Recovered]], None] | None = None,
) -> int:
    """Park what waits, release what is parked, or skip either, all of it or nothing.

    The arguments are those of `resend`.

    Returns:
        How many items were changed, or would be.
    """
    _check_words(who, why, sets, where)
    with open_ledger(ledger, create=False, readonly=dry_run) as opened:
        if recovered is not None:
            recovered(opened.recovered)
        _known_target(opened, which.target, where)
        found = _fitting(opened, action, which, where)
        if sets:
            carried = opened.carried([item.id for item in found], sets_in)
            absent = sorted(set(sets).difference(*carried.values()))
            if absent:
                raise UsageError(f"set {absent[0]} is in none of these items", where=where, todo="See gateway trace")
        if dry_run:
            return sum(not sets or not set(sets).isdisjoint(carried[item.id]) for item in found)
        return opened.settle_items([item.id for item in found], action, who, why, sets_in, sets)


def stop_or_resume(
    ledger: str | Path,
    action: Literal["stop", "resume"],
    target: str,
    *,
    who: str,
    why: str,
    dry_run: bool = False,
    where: str = "outbox",
    recovered: Callable[[Sequence[Recovered]], None] | None = None,
) -> int:
    """Send nothing to a target until it is resumed, or resume it.

    The arguments are those of `resend`.

    Returns:
        How many items wait for it.
    """
    _check_words(who, why, (), where)
    with open_ledger(ledger, create=False, readonly=dry_run) as opened:
        if recovered is not None:
            recovered(opened.recovered)
        _known_target(opened, target, where)
        stopped = opened.stopped()
        if (target in stopped) == (action == "stop"):
            state = "is stopped already" if target in stopped else "is not stopped"
            raise UsageError(f"target '{target}' {state}", where=where, todo="See gateway outbox")
        if not dry_run:
            (opened.stop_target if action == "stop" else opened.resume_target)(target, who, why)
        counts = opened.outbox_counts(OutboxFilter(target=target, state="waiting"))
        return sum(count.items for count in counts)


def listed(opened: Ledger, items: Sequence[OutboxItem]) -> list[Listed]:
    """Items with how many sets they carry, and what they wait for."""
    carried = opened.carried([item.id for item in items], sets_in)
    blocked: dict[int, int] = {}
    for target in {item.target for item in items if item.state == "waiting"}:
        blocked |= opened.blocked(target, sets_in)
    return [Listed(item, len(carried[item.id]), blocked.get(item.id, 0)) for item in items]


def blocked_in(opened: Ledger, target: str | None = None) -> list[Listed]:
    """Every item that waits for another one."""
    targets = {count.target for count in opened.outbox_counts(OutboxFilter(target=target, state="waiting"))}
    blocked: dict[int, int] = {}
    for each in sorted(targets):
        blocked |= opened.blocked(each, sets_in)
    return listed(opened, opened.outbox(OutboxFilter(ids=tuple(blocked)))) if blocked else []


def _fitting(opened: Ledger, action: str, which: OutboxFilter, where: str) -> list[OutboxItem]:
    """The items that are meant, all of which must be in a state that fits the decision."""
    found = [item for item in opened.outbox(which) if item.state in SETTLED_FROM[action]]
    missing = set(which.ids or ()) - {item.id for item in found}
    if missing or not found:
        named = f"item {min(missing)} {_WORDS[action]} there" if missing else "nothing fits"
        todo = "See gateway outbox" + ("; what waits is sent without this" if action == "replay" else "")
        raise UsageError(named, where=where, todo=todo)
    return found


def _newest(opened: Ledger, target: str, sets: Collection[str], where: str) -> tuple[int, ...]:
    """The newest item of a target that was sent, for each of some sets."""
    found = opened.carrying(target, sets, sets_in)
    ids = set()
    for identity in sets:
        sent = [number for number, state in found.get(identity, []) if state in SETTLED_FROM["replay"]]
        if not sent:
            raise UsageError(
                f"set {identity} was not sent to '{target}'", where=where, todo="See gateway trace for the set"
            )
        ids.add(sent[-1])
    return tuple(sorted(ids))


def _check_words(who: str, why: str, sets: Collection[str], where: str) -> None:
    need_words(who, "--who")
    need_words(why, "--why")
    for each in sets:
        if not _IDENTITY.fullmatch(each):
            raise UsageError("a set is named by 32 hex digits", where=where, todo="Take them from gateway trace")


def _known_target(opened: Ledger, target: str | None, where: str) -> None:
    targets = {count.target for count in opened.outbox_counts()}
    if target not in targets:
        near = difflib.get_close_matches(target or "", targets, n=1)
        meant = f"; did you mean '{near[0]}'" if near else ""
        raise UsageError(
            f"there is no target '{target}'{meant}",
            where=where,
            todo="See gateway outbox for the targets of this ledger",
        )
