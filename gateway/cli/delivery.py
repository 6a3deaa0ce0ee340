"""Commands about what is sent: outbox, replay, queue, send."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from gateway.cli.holding import DryRunOption, LedgerOption, WhoOption, WhyOption, say_recovered
from gateway.cli.terminal import instant, look_up, say, say_table
from gateway.errors import UsageError

if TYPE_CHECKING:
    from gateway.decisions.queue import QueueAction
    from gateway.ledger import Ledger


def register(app: typer.Typer) -> None:
    """Add the commands to the command line."""
    app.command(epilog="Exit status: 0, 2 the ledger cannot be read.")(outbox)
    app.command(epilog="Exit status: 0 the items wait again, 2 nothing was changed.")(replay)
    app.command(epilog="Exit status: 0 it is done, 2 nothing was changed.")(queue)
    app.command(epilog="Exit status: 0 everything was sent, 1 something waits or was parked, 2 nothing could be sent.")(
        send
    )


class Action(StrEnum):
    """What is done with the queue of a target."""

    PARK = "park"
    RELEASE = "release"
    SKIP = "skip"
    STOP = "stop"
    RESUME = "resume"


SetOption = Annotated[
    list[str] | None,
    typer.Option("--set", metavar="IDENTITY", help="Only this set, of 32 hex digits; may be given several times."),
]
TargetOption = Annotated[str, typer.Option("--target", metavar="NAME", help="The target, as gateway outbox names it.")]


def outbox(
    ledger: LedgerOption,
    target: Annotated[str | None, typer.Option("--target", metavar="NAME", help="Only this target.")] = None,
    everything: Annotated[
        bool, typer.Option("--all", help="List everything that is parked, not only the oldest 50.")
    ] = False,
) -> None:
    """Show what waits to be sent, was delivered or is parked, by target; patients are not named."""
    from gateway.decisions.queue import blocked_in, listed
    from gateway.ledger import OutboxFilter, open_ledger

    with open_ledger(ledger, readonly=True) as opened:
        if target is not None:
            _known_target(opened, target)
        counts = opened.outbox_counts(OutboxFilter(target=target))
        parked = opened.outbox(OutboxFilter(target=target, state="parked"))
        shown = listed(opened, parked if everything else parked[:50])
        waiting = dict.fromkeys(count.target for count in counts if count.state == "waiting")
        stuck = [opened.first_waiting(each) for each in waiting]
        stopped = {name: by for name, by in opened.stopped().items() if target in (None, name)}
        blocked = blocked_in(opened, target)
    if not counts and not stopped:
        say("The outbox is empty.")
        return
    now = datetime.now(UTC)
    rows = [
        (count.target, count.owner, count.kind, count.state, f"{count.items:,}",
         _age(now - count.oldest) if count.state in ("waiting", "parked") else "")
        for count in counts
    ]  # fmt: skip
    say_table(("target", "owner", "takes", "state", "items", "oldest"), rows)
    for name, by in stopped.items():
        say(f"\n{name} was stopped by {by.who} {_age(now - by.at)} ago: {by.why}. Nothing is sent to it until "
            f"gateway queue resume.")  # fmt: skip
    for item in stuck:
        if item is not None and item.tried is not None:
            tries = f"{item.attempts:,} {'try' if item.attempts == 1 else 'tries'}"
            say(f"\n{item.target} waits at item {item.id} after {tries}, the last {_age(now - item.tried)} ago: "
                f"{item.code}: {item.message}")  # fmt: skip
    if blocked:
        say("\nWaiting for another item, which belongs to the same measurement and has its turn before:\n")
        say_table(
            ("item", "target", "run", "sets", "waits for item"),
            [(str(each.item.id), each.item.target, str(each.item.run), str(each.sets), str(each.blocked_by))
             for each in (blocked if everything else blocked[:50])],
        )  # fmt: skip
    if not parked:
        return
    say("\nParked, until somebody has looked at it; gateway replay sends it again:\n")
    say_table(
        ("item", "target", "owner", "run", "sets", "age", "reason", "in words"),
        [
            (str(item.id), item.target, item.owner, str(item.run), str(sets), _age(now - item.queued), item.code,
             item.message)
            for item, sets, _ in shown
        ],
    )  # fmt: skip
    if len(shown) < len(parked):
        say(f"{len(shown)} of {len(parked):,} parked items are listed; --all lists every one.")


def replay(
    ledger: LedgerOption,
    target: TargetOption,
    who: WhoOption,
    why: WhyOption,
    items: Annotated[list[int] | None, typer.Argument(metavar="ITEM", help="Numbers from gateway outbox.")] = None,
    run: Annotated[int | None, typer.Option("--run", metavar="NUMBER", help="What this run recorded.")] = None,
    since: Annotated[
        str | None, typer.Option("--from", metavar="TIME", help="What was put into the outbox from this time on.")
    ] = None,
    until: Annotated[str | None, typer.Option("--to", metavar="TIME", help="Until before this time.")] = None,
    parked: Annotated[bool, typer.Option("--parked", help="Only what is parked.")] = False,
    sets: SetOption = None,
    dry_run: DryRunOption = False,
) -> None:
    """Let what was delivered, parked or skipped wait again, so that the next delivery sends it once more.

    The receiver is brought to what is true now. What has not changed is sent again byte for byte, and a receiver that
    has it knows it by its identifiers. What was corrected or taken back since is sent as it is now, never as it was.
    Who and why go into the audit trail.
    """
    from gateway.decisions.queue import resend
    from gateway.ledger import OutboxFilter

    if items and (run is not None or since is not None or until is not None or parked):
        raise UsageError(
            "name items, or choose them in another way", where="gateway replay",
            todo="Leave out the numbers, or --run, --from, --to and --parked",
        )  # fmt: skip
    if not items and run is None and since is None and until is None and not parked and not sets:
        raise UsageError(
            "nothing was named to send again", where="gateway replay",
            todo="Name items by number, or choose them with --run, --from and --to, --parked, or --set",
        )  # fmt: skip
    which = OutboxFilter(
        ids=tuple(items) if items else None,
        target=target,
        run=run,
        state="parked" if parked else None,
        since=None if since is None else instant(since, "--from"),
        until=None if until is None else instant(until, "--to"),
    )
    found = resend(
        ledger, which, who=who, why=why, sets=sets or (), dry_run=dry_run, where="gateway replay",
        recovered=say_recovered,
    )  # fmt: skip
    count = f"{found:,} {'item' if found == 1 else 'items'} for {target}"
    if dry_run:
        say(f"{count} would wait again.")
    else:
        verb = "waits" if found == 1 else "wait"
        say(f"{count} {verb} again. The next delivery sends {'it' if found == 1 else 'them'}.")


def queue(
    action: Annotated[
        Action,
        typer.Argument(
            metavar="ACTION",
            help="park: hold items back until they are released; release: let parked items wait again; skip: never "
            "send them; stop: send nothing to the target; resume: send to it again.",
        ),
    ],
    ledger: LedgerOption,
    target: TargetOption,
    who: WhoOption,
    why: WhyOption,
    items: Annotated[list[int] | None, typer.Argument(metavar="ITEM", help="Numbers from gateway outbox.")] = None,
    sets: SetOption = None,
    dry_run: DryRunOption = False,
) -> None:
    """Park, release or skip items of a target, or stop and resume the target. Who and why go into the audit trail."""
    from gateway.decisions.queue import settle_items, stop_or_resume
    from gateway.ledger import OutboxFilter

    where = f"gateway queue {action.value}"
    if action is Action.STOP or action is Action.RESUME:
        if items or sets:
            raise UsageError("this is about the whole target", where=where, todo="Leave out items and sets")
        waiting = stop_or_resume(
            ledger,
            "stop" if action is Action.STOP else "resume",
            target, who=who, why=why, dry_run=dry_run,
            where=where, recovered=say_recovered,
        )  # fmt: skip
        done = "stopped" if action is Action.STOP else "resumed"
        say(f"{target} {'would be' if dry_run else 'is'} {done}; {waiting:,} {'item' if waiting == 1 else 'items'} "
            f"{'waits' if waiting == 1 else 'wait'} for it.")  # fmt: skip
        return
    if not items:
        raise UsageError("no item was named", where=where, todo="Name items by their numbers from gateway outbox")
    chosen: QueueAction = "park" if action is Action.PARK else "release" if action is Action.RELEASE else "skip"
    found = settle_items(
        ledger, chosen, OutboxFilter(ids=tuple(items), target=target), who=who, why=why, sets=sets or (),
        dry_run=dry_run, where=where, recovered=say_recovered,
    )  # fmt: skip
    words = {"park": "parked", "release": "released", "skip": "skipped"}[chosen]
    verb = "would be" if dry_run else ("is" if found == 1 else "are")
    say(f"{found:,} {'item' if found == 1 else 'items'} for {target} {verb} {words}.")


def send(
    site: Annotated[Path, typer.Argument(metavar="SITE.toml", help="The site file: feeds, targets, ledger.")],
    target: Annotated[str, typer.Option("--target", metavar="NAME", help="The target, as the site file names it.")],
) -> int:
    """Send what waits for one target now, and say how that went; nothing is taken from feeds."""
    from gateway.ledger import open_ledger
    from gateway.nightly.outbox import deliver
    from gateway.nightly.site import load_site

    loaded = load_site(site)
    known = {each.name: each for each in loaded.site.targets}
    look_up(target, known, "target", "--target", "See the targets of the site file")
    with open_ledger(loaded.ledger(), wait=loaded.site.wait_seconds, create=False) as opened:
        say_recovered(opened.recovered)
        if target in opened.stopped():
            raise UsageError(
                f"target '{target}' is stopped", where="gateway send", todo="Resume it first, with gateway queue resume"
            )
        (own,) = deliver(opened, loaded.senders([target]), owners=loaded.owners()).targets
    say(f"{target}: {own.delivered:,} delivered, {own.parked:,} parked, {own.waiting:,} waiting.")
    if own.stopped:
        say(f"The delivery ended early: {own.stopped}: {own.message}")
    return int(own.waiting > 0 or own.parked > 0)


def _known_target(ledger: Ledger, target: str) -> None:
    known = {count.target: count for count in ledger.outbox_counts()}
    look_up(target, known, "target", "--target", "See gateway outbox for the targets of this ledger")


def _age(age: timedelta) -> str:
    # A clock that was put back gives no age below nothing.
    minutes = max(0, int(age.total_seconds() // 60))
    if minutes < 60:
        return f"{minutes} min"
    return f"{minutes // 60} h" if minutes < 48 * 60 else f"{minutes // 1440} d"
