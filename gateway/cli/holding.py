"""Commands that work on a ledger: holds, resolve, retract, move, merge, trace, audit."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from gateway.cli.terminal import instant, say, say_details, say_table
from gateway.errors import UsageError

if TYPE_CHECKING:
    from gateway.decisions import Effect
    from gateway.inspection.holds import HeldSet
    from gateway.ledger import HoldFilter, Recovered, SetFilter

LedgerOption = Annotated[
    str, typer.Option("--ledger", metavar="FILE|URL", help="The ledger: SQLite file or postgresql:// URL.")
]
ReasonOption = Annotated[str | None, typer.Option("--reason", metavar="SLUG", help="Only holds by this rule.")]
DeviceOption = Annotated[str | None, typer.Option("--device", metavar="ID", help="Only this device.")]
OlderOption = Annotated[
    float | None, typer.Option("--older-than", metavar="DAYS", min=0, help="Only holds opened so many days ago.")
]
WhoOption = Annotated[str, typer.Option("--who", metavar="NAME", help="Who decides this.")]
WhyOption = Annotated[str, typer.Option("--why", metavar="TEXT", help="Why, in words, without identifiers.")]
SystemOption = Annotated[
    str | None,
    typer.Option("--system", metavar="URI", help="With --patient: the system it is of, where the mapping has several."),
]
SetsArgument = Annotated[
    list[str] | None,
    typer.Argument(metavar="SET", help="Sets, by the first 32 characters of a record's identifier."),
]
SinceOption = Annotated[
    str | None, typer.Option("--from", metavar="TIME", help="Recorded time: from this on, with offset.")
]
UntilOption = Annotated[str | None, typer.Option("--to", metavar="TIME", help="Recorded time: until before this.")]
OutOption = Annotated[str | None, typer.Option("--out", metavar="DIR", help="Folder for the records.")]
AnewOption = Annotated[
    str | None,
    typer.Option("--mapping", metavar="FILE", help="Record the sets anew with this mapping, where it can."),
]
DryRunOption = Annotated[bool, typer.Option("--dry-run", help="Show what would happen, and change nothing.")]


class Action(StrEnum):
    """How a hold is settled."""

    ASSIGN = "assign"
    CONFIRM = "confirm"
    DISCARD = "discard"


class Reason(StrEnum):
    """Why records are taken back."""

    WRONG_PATIENT = "wrong-patient"
    ERROR = "error"


def register(app: typer.Typer) -> None:
    """Add the commands to the command line."""
    app.command(epilog="Exit status: 0, 2 the ledger cannot be read.")(holds)
    app.command(epilog="Exit status: 0 settled, 2 nothing was settled.")(resolve)
    app.command(epilog="Exit status: 0 retracted, 2 nothing was retracted.")(retract)
    app.command(epilog="Exit status: 0 moved, 2 nothing was moved.")(move)
    app.command(epilog="Exit status: 0 merged, 2 nothing was merged.")(merge)
    app.command(epilog="Exit status: 0, 1 nothing is known of it, 2 the ledger cannot be read.")(trace)
    app.command(epilog="Exit status: 0 the trail is whole, 1 it has been tampered with, 2 it cannot be read.")(audit)


def say_recovered(recovered: Sequence[Recovered]) -> None:
    """Tell of runs that had been cut off, one line for each."""
    for each in recovered:
        if each.how:
            say(f"Run {each.run} had been cut off; its result is complete now: {each.target}")
        else:
            say(f"Run {each.run} was cut off, and its result cannot be put in place: {each.target}: {each.problem}. "
                "The next run with this ledger tries again.")  # fmt: skip


def holds(
    ledger: LedgerOption,
    numbers: Annotated[
        list[int] | None, typer.Argument(metavar="HOLD", help="Show these with everything one decides on.")
    ] = None,
    reason: ReasonOption = None,
    device: DeviceOption = None,
    older_than: OlderOption = None,
    everyone: Annotated[bool, typer.Option("--all", help="List every hold, not only the first 50.")] = False,
) -> None:
    """List what is held, possible true extremes first, then the oldest; patients are not named.

    With numbers: each of these with its values, the other readings of its set, and what the device gave before and
    after.
    """
    from gateway.inspection.holds import held_set, ordered
    from gateway.ledger import open_ledger

    with open_ledger(ledger, readonly=True) as opened:
        found = ordered(opened.holds(_filter(numbers or (), reason, device, older_than)))
        missing = set(numbers or ()) - {hold.id for hold in found}
        if missing:
            raise UsageError(f"hold {min(missing)} is not open", where="gateway holds", todo="Leave out the numbers")
        told = [held_set(hold, opened if numbers else None) for hold in (found if everyone or numbers else found[:50])]
    if not found:
        say("Nothing is held.")
        return
    if numbers:
        for number, each in enumerate(told):
            say(("" if number == 0 else "\n") + f"Hold {each.hold.id}")
            say_details([(f"  {name}", words) for name, words in _hold_rows(each)])
        return
    now = datetime.now(UTC)
    _say_groups("By reason", Counter(slug for hold in found for slug in hold.reasons.split(",")))
    _say_groups("By age", Counter(_age(now - hold.opened_at) for hold in found))
    _say_groups("By device", Counter(hold.device or "(no device)" for hold in found))
    rows = [
        (
            str(each.hold.id),
            f"{(now - each.hold.opened_at).days} d",
            each.hold.device,
            _time(each.hold.epoch),
            _few([str(reading) for reading in each.waiting]),
            each.hold.reasons,
            f"{each.hold.export_sha256[:12]} line {each.hold.line}",
            each.hold.action,
        )
        for each in told
    ]
    say_table(("hold", "age", "device", "time (UTC)", "what waits", "held by", "export", "decision"), rows)
    if len(told) < len(found):
        say(f"{len(told)} of {len(found):,} holds are listed; --all lists every one.")


def _hold_rows(each: HeldSet) -> list[tuple[str, str]]:
    """Everything one decides on, as names and texts."""
    hold = each.hold
    return [
        ("waits", ", ".join(map(str, each.waiting))),
        ("held by", "; ".join(f"{title} ({slug})" for slug, title in each.reasons)),
        ("same set", ", ".join(f"{reading} ({reading.outcome})" for reading in each.others)),
        ("time", _time(hold.epoch) + " UTC" if hold.epoch is not None else "not known"),
        ("device", hold.device or "(no device)"),
        ("before", f"{each.before.time:%Y-%m-%d %H:%M} UTC: {each.before.readings}" if each.before else ""),
        ("after", f"{each.after.time:%Y-%m-%d %H:%M} UTC: {each.after.readings}" if each.after else ""),
        ("export", f"{hold.export_sha256[:12]}, line {hold.line}"),
        ("mapping", hold.mapping_title),
        ("opened", f"{hold.opened_at:%Y-%m-%d %H:%M} UTC, by run {hold.opened_run}"),
        ("decision", hold.action),
    ]


def resolve(
    action: Annotated[
        Action,
        typer.Argument(
            metavar="ACTION",
            help="assign: the readings belong to the patient named by --patient; confirm: the values are plausible "
            "as they are; discard: they are not wanted.",
        ),
    ],
    ledger: LedgerOption,
    who: WhoOption,
    why: WhyOption,
    numbers: Annotated[list[int] | None, typer.Argument(metavar="HOLD", help="Numbers from gateway holds.")] = None,
    patient: Annotated[
        str | None, typer.Option("--patient", metavar="ID", help="With assign: the patient's identifier.")
    ] = None,
    system: SystemOption = None,
    mapping: Annotated[
        str | None,
        typer.Option("--mapping", metavar="FILE", help="With assign: the mapping the next run has, if it is newer."),
    ] = None,
    reason: ReasonOption = None,
    device: DeviceOption = None,
    older_than: OlderOption = None,
    dry_run: DryRunOption = False,
) -> None:
    """Settle holds: assign a patient, confirm values as plausible, or discard them.

    Who and why go into the audit trail. Assigned and confirmed sets are recorded by the next run with this ledger.
    """
    from gateway.decisions import Settle, decide

    decision = Settle(
        action=action.value,
        which=_filter(numbers or (), reason, device, older_than),
        patient=patient or "",
        system=system or "",
        who=who,
        why=why,
        where="gateway resolve",
    )
    if mapping is not None and action is not Action.ASSIGN:
        raise UsageError(f"{action.value} does not use --mapping", where="gateway resolve", todo="Leave --mapping out")
    found = decide(ledger, decision, mapping=mapping, dry_run=dry_run, recovered=say_recovered)
    done = "would be settled" if dry_run else "settled"
    later = "" if action is Action.DISCARD or dry_run else " The next run with this ledger records them."
    from gateway.report.model import counted

    count = f"{counted(found.holds, 'hold')} with {counted(found.readings, 'reading')}"
    say(f"{count} {done}: {action.value}.{later}")


def retract(
    ledger: LedgerOption,
    who: WhoOption,
    why: WhyOption,
    sets: SetsArgument = None,
    reason: Annotated[
        Reason,
        typer.Option("--reason", help="wrong-patient: v2 OBX-11 W; error: OBX-11 D. FHIR: entered-in-error in both."),
    ] = Reason.ERROR,
    device: DeviceOption = None,
    since: SinceOption = None,
    until: UntilOption = None,
    patient: Annotated[str | None, typer.Option("--patient", metavar="ID", help="Recorded for this patient.")] = None,
    mapping_version: Annotated[
        str | None, typer.Option("--mapping-version", metavar="TEXT", help="Recorded with this version of a mapping.")
    ] = None,
    run: Annotated[int | None, typer.Option("--run", metavar="NUMBER", help="Recorded by this run.")] = None,
    out: OutOption = None,
    mapping: AnewOption = None,
    associations: Annotated[
        str | None, typer.Option("--associations", metavar="FILE", help="With --mapping: who was on which device.")
    ] = None,
    dry_run: DryRunOption = False,
) -> None:
    """Take records back, and record their sets rightly where that is known.

    Writes retractions for everything that was recorded of the sets: FHIR status entered-in-error, v2 result status W
    or D. The sets are held from then on. With --mapping they are taken up at once, after the retractions.
    """
    from gateway.decisions import Retract, decide

    where = "gateway retract"
    decision = Retract(
        which=_sets(sets, device, since, until, patient, where, mapping_version, run),
        reason=reason.value,
        associations=_path(associations),
        who=who,
        why=why,
        where=where,
    )
    _need_folder(out, dry_run, where)
    done = decide(ledger, decision, mapping=mapping, out=_path(out), dry_run=dry_run, recovered=say_recovered)
    _say_done(done, "Retracted", dry_run)


def move(
    ledger: LedgerOption,
    who: WhoOption,
    why: WhyOption,
    sets: SetsArgument = None,
    patient: Annotated[str | None, typer.Option("--patient", metavar="ID", help="Whose the sets are.")] = None,
    system: SystemOption = None,
    associations: Annotated[
        str | None,
        typer.Option("--associations", metavar="FILE", help="Instead: each set goes to whom this list names."),
    ] = None,
    device: DeviceOption = None,
    since: SinceOption = None,
    until: UntilOption = None,
    recorded_for: Annotated[
        str | None, typer.Option("--recorded-for", metavar="ID", help="Only sets recorded for this patient.")
    ] = None,
    out: OutOption = None,
    mapping: AnewOption = None,
    dry_run: DryRunOption = False,
) -> None:
    """Give recorded sets to another patient: taken back there and recorded here, in one decision.

    The retractions (FHIR entered-in-error, v2 W) go to the targets that got the records. With --mapping the sets are
    recorded for the other patient at once, otherwise by the next run. Sets that are the patient's already stay.
    """
    from gateway.decisions import Move, decide

    where = "gateway move"
    decision = Move(
        which=_sets(sets, device, since, until, recorded_for, where),
        patient=patient or "",
        system=system or "",
        associations=_path(associations),
        who=who,
        why=why,
        where=where,
    )
    _need_folder(out, dry_run, where)
    done = decide(ledger, decision, mapping=mapping, out=_path(out), dry_run=dry_run, recovered=say_recovered)
    _say_given(done, "Moved", dry_run)


def merge(
    merges: Annotated[
        Path,
        typer.Argument(
            metavar="LIST",
            help="CSV with the header old,surviving (and old_system,surviving_system), or HL7 v2 messages ADT^A40.",
        ),
    ],
    ledger: LedgerOption,
    who: WhoOption,
    why: WhyOption,
    out: OutOption = None,
    mapping: AnewOption = None,
    dry_run: DryRunOption = False,
) -> None:
    """Merge identifiers of patients: what is recorded for an old one goes to the one that survives.

    The list is remembered, so that what comes later for an old identifier is the surviving one's as well. The same
    list again changes nothing.
    """
    from gateway.decisions import Merge, decide

    decision = Merge(merges=merges, who=who, why=why, where="gateway merge")
    done = decide(ledger, decision, mapping=mapping, out=_path(out), dry_run=dry_run, recovered=say_recovered)
    _say_given(done, "Merged", dry_run)


def _say_done(done: Effect, what: str, dry_run: bool) -> None:
    """Say what a decision about recorded sets did, or would do."""
    say("Dry run: nothing was changed. It would be:\n" if dry_run else f"{what}:\n")
    say_details(done.words())


def _say_given(done: Effect, what: str, dry_run: bool) -> None:
    """The same of a decision that gives sets to other patients, and who records them for these."""
    _say_done(done, what, dry_run)
    if done.moved and done.anew is None and not dry_run:
        say("\nThe next run with this ledger records them for their patients.")


def trace(
    ledger: LedgerOption,
    record: Annotated[
        str | None,
        typer.Argument(
            metavar="RECORD-ID",
            help="Identifier or id of a FHIR record, filler number (OBR-3), or control id (MSH-10) of a v2 message.",
        ),
    ] = None,
    export: Annotated[
        Path | None, typer.Option("--export", metavar="FILE", help="Instead: an export, with --line.")
    ] = None,
    line: Annotated[int | None, typer.Option("--line", metavar="N", min=1, help="Line of the export, from 1.")] = None,
    verbatim: Annotated[
        bool, typer.Option("--verbatim", help="Show the text of the export's lines, which may identify people.")
    ] = False,
) -> int:
    """Show the way of a record back to its line in the export, or of a line forward to its records."""
    from gateway.inspection import tracing

    if (record is None) == (export is None) or (export is None) != (line is None):
        raise UsageError(
            "name either a record, or an export and a line of it", where="gateway trace",
            todo="gateway trace RECORD-ID, or gateway trace --export FILE --line N",
        )  # fmt: skip
    if record is not None:
        found = tracing.back(ledger, record, verbatim=verbatim)
    else:
        assert export is not None
        assert line is not None
        found = tracing.forward(ledger, export, line, verbatim=verbatim)
    for number, part in enumerate(found):
        say(("" if number == 0 else "\n") + part.title)
        say_details([(f"  {name}", words) for name, words in part.rows])
    if not found:
        say("The ledger knows nothing of it.")
    return 0 if found else 1


def audit(
    ledger: LedgerOption,
    subject: Annotated[
        str | None, typer.Option("--subject", metavar="TEXT", help="Only entries about this hold, set or run.")
    ] = None,
) -> int:
    """Show the audit trail, and check that nobody has changed it."""
    from gateway.ledger import open_ledger

    with open_ledger(ledger, readonly=True) as opened:
        entries = opened.audit(subject=subject) if subject is not None else opened.audit()
        broken = opened.verify_audit()
    for entry in entries:
        say(f"{entry.id}  {entry.at:%Y-%m-%d %H:%M:%S} UTC  {entry.who}: {entry.action} {entry.subject}: {entry.why}")
    if broken is not None:
        say(f"The trail is broken: entry {broken} does not fit the one before it.")
        return 1
    say(f"{len(entries):,} {'entry' if len(entries) == 1 else 'entries'}; the trail is whole.")
    return 0


def _filter(numbers: Sequence[int], reason: str | None, device: str | None, older_than: float | None) -> HoldFilter:
    from gateway.checks import rules
    from gateway.cli.terminal import look_up
    from gateway.ledger import HoldFilter

    if reason is not None:
        look_up(reason, rules(), "rule", "--reason", "Run gateway rules for the list")
    return HoldFilter(
        ids=tuple(numbers) or None,
        reason=reason,
        device=device,
        older_than=None if older_than is None else datetime.now(UTC) - timedelta(days=older_than),
    )


def _sets(
    sets: Sequence[str] | None,
    device: str | None,
    since: str | None,
    until: str | None,
    patient: str | None,
    where: str,
    mapping_version: str | None = None,
    run: int | None = None,
) -> SetFilter:
    from gateway.ledger import SetFilter

    which = SetFilter(
        identities=tuple(_identity(each) for each in sets) if sets else None,
        device=device,
        since=None if since is None else int(instant(since, "--from").timestamp()),
        until=None if until is None else int(instant(until, "--to").timestamp()),
        patient=patient,
        mapping_version=mapping_version,
        run=run,
    )
    if which == SetFilter():
        what, among = (
            ("retract", "--patient, --mapping-version or --run")
            if where == "gateway retract"
            else ("move", "or --recorded-for")
        )
        raise UsageError(
            f"nothing was named to {what}",
            where=where,
            todo=f"Name sets, or choose them with --device, --from and --to, {among}",
        )
    return which


def _path(text: str | None) -> Path | None:
    return None if text is None else Path(text)


def _need_folder(out: str | None, dry_run: bool, where: str) -> None:
    if out is None and not dry_run:
        raise UsageError("no folder was named", where=where, todo="Name one with --out, or try --dry-run")


def _identity(text: str) -> bytes:
    digits = text.removeprefix("Observation/")[:32]
    try:
        identity = bytes.fromhex(digits)
    except ValueError:
        identity = b""
    if len(identity) != 16:
        raise UsageError(
            "this is not the identifier of a record", where="SET", todo="It begins with 32 hexadecimal digits"
        )
    return identity


def _age(age: timedelta) -> str:
    for days, words in ((1, "up to a day"), (7, "up to a week"), (30, "up to 30 days")):
        if age <= timedelta(days=days):
            return words
    return "older than 30 days"


def _few(words: Sequence[str]) -> str:
    return ", ".join(words) if len(words) <= 3 else f"{', '.join(words[:2])} and {len(words) - 2} more"


def _time(epoch: int | None) -> str:
    return "" if epoch is None else datetime.fromtimestamp(epoch, UTC).strftime("%Y-%m-%d %H:%M")


def _say_groups(title: str, counts: Counter[str]) -> None:
    say(f"{title}: " + ", ".join(f"{count:,} {words}" for words, count in counts.most_common(10)) + "\n")
