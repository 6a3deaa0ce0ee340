"""Commands about what is sent: outbox, replay."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Annotated

import typer

from gateway.entry.holding import DryRunOption, LedgerOption, WhoOption, WhyOption, say_recovered
from gateway.entry.terminal import instant, look_up, say, say_table
from gateway.errors import UsageError

if TYPE_CHECKING:
    from gateway.ledger import Ledger


def register(app: typer.Typer) -> None:
    """Add the commands to the command line."""
    app.command(epilog="Exit status: 0, 2 the ledger cannot be read.")(outbox)
    app.command(epilog="Exit status: 0 the items wait again, 2 nothing was changed.")(replay)


def outbox(
    ledger: LedgerOption,
    target: Annotated[str | None, typer.Option("--target", metavar="NAME", help="Only this target.")] = None,
    everything: Annotated[
        bool, typer.Option("--all", help="List everything that is parked, not only the oldest 50.")
    ] = False,
) -> None:
    """Show what waits to be sent, was delivered or is parked, by target; patients are not named."""
    from gateway.ledger import OutboxFilter, open_ledger

    with open_ledger(ledger, readonly=True) as opened:
        if target is not None:
            _known_target(opened, target)
        counts = opened.outbox_counts(OutboxFilter(target=target))
        parked = opened.outbox(OutboxFilter(target=target, state="parked"))
        waiting = dict.fromkeys(count.target for count in counts if count.state == "waiting")
        stuck = [opened.first_waiting(each) for each in waiting]
    if not counts:
        say("The outbox is empty.")
        return
    now = datetime.now(UTC)
    rows = [
        (count.target, count.owner, count.kind, count.state, f"{count.items:,}",
         "" if count.state == "delivered" else _age(now - count.oldest))
        for count in counts
    ]  # fmt: skip
    say_table(("target", "owner", "takes", "state", "items", "oldest"), rows)
    for item in stuck:
        if item is not None and item.tried is not None:
            tries = f"{item.attempts:,} {'try' if item.attempts == 1 else 'tries'}"
            say(f"\n{item.target} waits at item {item.id} after {tries}, the last {_age(now - item.tried)} ago: "
                f"{item.code}: {item.message}")  # fmt: skip
    if not parked:
        return
    shown = parked if everything else parked[:50]
    say("\nParked, until somebody has looked at it; gateway replay sends it again:\n")
    say_table(
        ("item", "target", "owner", "run", "age", "reason", "in words"),
        [
            (str(item.id), item.target, item.owner, str(item.run), _age(now - item.queued), item.code, item.message)
            for item in shown
        ],
    )
    if len(shown) < len(parked):
        say(f"{len(shown)} of {len(parked):,} parked items are listed; --all lists every one.")


def replay(
    ledger: LedgerOption,
    target: Annotated[str, typer.Option("--target", metavar="NAME", help="The target, as gateway outbox names it.")],
    who: WhoOption,
    why: WhyOption,
    items: Annotated[list[int] | None, typer.Argument(metavar="ITEM", help="Numbers from gateway outbox.")] = None,
    run: Annotated[int | None, typer.Option("--run", metavar="NUMBER", help="What this run recorded.")] = None,
    since: Annotated[
        str | None, typer.Option("--from", metavar="TIME", help="What was put into the outbox from this time on.")
    ] = None,
    until: Annotated[str | None, typer.Option("--to", metavar="TIME", help="Until before this time.")] = None,
    parked: Annotated[bool, typer.Option("--parked", help="Only what is parked.")] = False,
    dry_run: DryRunOption = False,
) -> None:
    """Let what was delivered or parked wait again, so that the next delivery sends it once more.

    The same bytes are sent, in their old order and before what is newer. A receiver that has them knows them by their
    identifiers. Who and why go into the audit trail.
    """
    from gateway.conversion.resending import resend
    from gateway.ledger import OutboxFilter

    if items and (run is not None or since is not None or until is not None or parked):
        raise UsageError(
            "name items, or choose them in another way", where="gateway replay",
            todo="Leave out the numbers, or --run, --from, --to and --parked",
        )  # fmt: skip
    if not items and run is None and since is None and until is None and not parked:
        raise UsageError(
            "nothing was named to send again", where="gateway replay",
            todo="Name items by number, or choose them with --run, --from and --to, or --parked",
        )  # fmt: skip
    which = OutboxFilter(
        ids=tuple(items) if items else None,
        target=target,
        run=run,
        state="parked" if parked else None,
        since=None if since is None else instant(since, "--from"),
        until=None if until is None else instant(until, "--to"),
    )
    found = resend(ledger, which, who=who, why=why, dry_run=dry_run, where="gateway replay", recovered=say_recovered)
    count = f"{found:,} {'item' if found == 1 else 'items'} for {target}"
    if dry_run:
        say(f"{count} would wait again.")
    else:
        verb = "waits" if found == 1 else "wait"
        say(f"{count} {verb} again. The next delivery sends {'it' if found == 1 else 'them'}.")


def _known_target(ledger: Ledger, target: str) -> None:
    known = {count.target: count for count in ledger.outbox_counts()}
    look_up(target, known, "target", "--target", "See gateway outbox for the targets of this ledger")


def _age(age: timedelta) -> str:
    # A clock that was put back gives no age below nothing.
    minutes = max(0, int(age.total_seconds() // 60))
    if minutes < 60:
        return f"{minutes} min"
    return f"{minutes // 60} h" if minutes < 48 * 60 else f"{minutes // 1440} d"
