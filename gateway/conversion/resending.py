"""Decisions of people about the outbox: what is checked before something is sent again."""

from __future__ import annotations

import difflib
from collections.abc import Callable, Sequence
from pathlib import Path

from gateway.conversion.options import need_words
from gateway.errors import UsageError
from gateway.ledger import OutboxFilter, Recovered, open_ledger


def resend(
    ledger: str | Path,
    which: OutboxFilter,
    *,
    who: str,
    why: str,
    dry_run: bool = False,
    where: str = "outbox",
    recovered: Callable[[Sequence[Recovered]], None] | None = None,
) -> int:
    """Let what was delivered or parked wait again, all of it or nothing.

    Args:
        ledger: file or URL.
        which: the items meant, of one target; those named by number must all be delivered or parked there.
        who: who decides, for the audit trail.
        why: why, for the audit trail.
        dry_run: only count.
        where: where the decision was made, for errors.
        recovered: told of the runs that had been cut off and were completed when the ledger was opened.

    Returns:
        How many items wait again, or would.

    Raises:
        UsageError: nothing was changed, because nothing fits or something does not.
        LedgerError: the ledger cannot be used.
    """
    need_words(who, "--who")
    need_words(why, "--why")
    with open_ledger(ledger, create=False, readonly=dry_run) as opened:
        if recovered is not None:
            recovered(opened.recovered)
        targets = {count.target for count in opened.outbox_counts()}
        if which.target not in targets:
            near = difflib.get_close_matches(which.target or "", targets, n=1)
            meant = f"; did you mean '{near[0]}'" if near else ""
            raise UsageError(
                f"there is no target '{which.target}'{meant}",
                where=where,
                todo="See gateway outbox for the targets of this ledger",
            )
        found = [item for item in opened.outbox(which) if item.state != "waiting"]
        missing = set(which.ids or ()) - {item.id for item in found}
        if missing or not found:
            named = f"item {min(missing)} is not delivered or parked there" if missing else "nothing fits"
            raise UsageError(named, where=where, todo="See gateway outbox; what waits is sent without this")
        if not dry_run:
            opened.replay(which, who, why)
    return len(found)
