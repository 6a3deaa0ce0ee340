"""One run for all feeds: take what is complete, convert it, send what waits, and say what changed since the last run.

Whatever fails, fails for itself: a feed that is out of reach does not stop the others, nor the delivery. Cut off at
any moment, the next run takes up where this one stopped: the ledger knows what was recorded and what was sent, and an
export that was not moved away in time is read again, and adds nothing.
"""

from __future__ import annotations

import fcntl
import itertools
import json
import re
import shutil
import statistics
import tempfile
import time
from collections import Counter, defaultdict
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

from pydantic import ValidationError

from gateway import files
from gateway.checks import rules
from gateway.errors import GatewayError, InputError, InUseError, OutputError
from gateway.nightly.feeds import Fetched, Seen, Source
from gateway.nightly.model import (
    ClockChange,
    FeedResult,
    HoldsResult,
    MissingDevice,
    RunReport,
    TargetResult,
)
from gateway.nightly.site import Feed, LoadedSite, Stable
from gateway.report.model import DEVICE_WITHHELD, counted
from gateway.version import VERSION

if TYPE_CHECKING:
    from gateway.conversion import Batch
    from gateway.ledger import Ledger
    from gateway.nightly.outbox import TargetTally
    from gateway.report import Report

LATEST = "latest"
"""Name, without its end, of the newest run report in the results folder."""

_STAMP = re.compile(r"\d{8}T\d{6}Z-")
_HISTORY_DAYS = 90
_ACTIVE_DAYS = 4
"""A device with readings on fewer days has no usual interval yet (common practice, no source)."""
_TODO = "Check space and permissions"
_LATE = 2.0
"""A device is missed after so many of its usual intervals (common practice, no source)."""


@dataclass
class _Night:
    """The run under way."""

    loaded: LoadedSite
    ledger: str
    log: Any
    started: datetime
    previous: RunReport | None
    scratch: Path
    problems: list[str] = field(default_factory=list)
    offsets: dict[str, int] = field(default_factory=dict)
    removed: int = 0

    @property
    def results(self) -> Path:
        return self.loaded.site.results

    def last_of(self, feed: str) -> datetime | None:
        """When a run last took an export of the feed."""
        for each in self.previous.feeds if self.previous is not None else ():
            if each.name == feed:
                return each.last_export
        return None

    def silent(self, feed: Feed, last: datetime | None) -> bool:
        """Whether no export came for longer than the site expects."""
        return last is None or self.started - last > timedelta(hours=feed.silent_hours)

    def in_ledger(self, feed: str) -> datetime | None:
        """When an export of the feed was last read, as the ledger knows it from the folders of the results."""
        from gateway.ledger import open_ledger

        names = {each.name for each in self.loaded.site.feeds}
        with open_ledger(self.ledger, readonly=True) as ledger:
            found = ledger.last_reading()
        stamped = re.compile(r"[0-9]{8}T[0-9]{6}Z-(.+)").fullmatch
        last = None
        for target, started in found.items():
            name = stamped(Path(target).name)
            if name is None or Path(target).parent != self.results:
                continue
            own = name[1] if name[1] in names else re.sub(r"-[0-9]+$", "", name[1])
            if own == feed and (last is None or started > last):
                last = started
        return last


def nightly(loaded: LoadedSite, *, sleep: Callable[[float], None] = time.sleep) -> RunReport:
    """Run once over all feeds of a site.

    Args:
        loaded: the site.
        sleep: how to wait for files to become stable.

    Returns:
        The report; it is in the results folder as well, as `latest.json`, `latest.html`, and under its time.

    Raises:
        InUseError: another run is under way; nothing was done.
        GatewayError: ledger or results folder cannot be used; exports stay where they are.
    """
    import structlog

    site = loaded.site
    with _alone(site.results):
        started = datetime.now(UTC)
        log = structlog.get_logger("gateway.nightly").bind(site=site.name)
        log.info("run begins", feeds=len(site.feeds), targets=len(site.targets))
        ledger = loaded.ledger()
        _recover(ledger, site.wait_seconds, site.results, log)
        for left in site.results.glob(".scratch-*"):
            shutil.rmtree(left, ignore_errors=True)
        with tempfile.TemporaryDirectory(prefix=".scratch-", dir=site.results) as scratch:
            night = _Night(loaded, ledger, log, started, _last(site.results), Path(scratch))
            if night.previous is not None:
                night.offsets.update(night.previous.offsets)
            feeds = _feeds(night, sleep)
            targets, holds, missing = _after(night)
        _clean(night)
        report = _report(night, feeds, targets, holds, missing)
        _write(report, site.results)
        if site.metrics is not None:
            from gateway.nightly.metrics import write

            try:
                write(report, site.metrics)
            except OutputError as error:
                words = " ".join(str(error).split())
                told = {"problems": [*report.problems, words], "status": max(1, report.status)}
                report = report.model_copy(update=told)
                _write(report, site.results)
        log.info("run ends", status=report.status, seconds=round((report.finished - started).total_seconds(), 1))
        return report


@contextmanager
def _alone(results: Path) -> Iterator[IO[bytes]]:
    """Hold the lock of the results folder."""
    try:
        results.mkdir(parents=True, exist_ok=True)
        lock = (results / ".nightly.lock").open("ab")
    except OSError as error:
        raise _unwritable(error, results) from None
    with lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise InUseError(
                "another run of this site is under way", where=str(results), todo="Wait until it has ended"
            ) from None
        yield lock


def _recover(where: str, wait: float, results: Path, log: Any) -> None:
    """Open the ledger, which settles runs that were cut off, and clear away what those left behind."""
    from gateway.ledger import open_ledger
    from gateway.records.output import TOKEN

    with open_ledger(where, wait=wait) as ledger:
        for run in ledger.recovered:
            log.warning("a run was cut off", run=run.run, how=run.how or "not settled", problem=run.problem)
        unsettled = {run.token for run in ledger.runs() if run.state != "done"}
    for folder in results.glob(".*.unfinished-*"):
        # One that the ledger could not settle yet is needed; of a run that it never took in nothing else is left.
        token = folder / TOKEN
        if not token.exists() or token.read_text("utf-8", "replace").strip() not in unsettled:
            shutil.rmtree(folder, ignore_errors=True)


def _feeds(night: _Night, sleep: Callable[[float], None]) -> list[FeedResult]:
    """Every feed, one after the other; waiting for stable files is done once for all."""
    looked: dict[str, tuple[Source, list[Seen]] | str] = {}
    wait = 0.0
    for feed in night.loaded.site.feeds:
        with _noted(night, feed) as failed:
            source = Source(feed)
            found = source.look()
            looked[feed.name] = (source, found)
            if found and isinstance(feed.complete, Stable):
                wait = max(wait, feed.complete.seconds)
        if failed:
            looked[feed.name] = failed[0]
    if wait:
        sleep(wait)
    results = []
    for feed in night.loaded.site.feeds:
        begun = time.monotonic()
        at = looked[feed.name]
        result = FeedResult(name=feed.name, state="failed", problem=at if isinstance(at, str) else "")
        if not isinstance(at, str):
            source, found = at
            with _noted(night, feed) as failed, closing(source):
                result = _feed(night, feed, source, found)
            if failed:
                result = FeedResult(name=feed.name, state="failed", problem=failed[0])
        last = night.started if result.taken or result.aside else night.last_of(feed.name)
        if night.silent(feed, last):
            # A run that was cut off has no report, and a feed that fails half-way tells of nothing it took.
            last = max(filter(None, (last, night.in_ledger(feed.name))), default=None)
        silent = night.silent(feed, last)
        took = round(time.monotonic() - begun, 3)
        result = result.model_copy(update={"last_export": last, "silent": silent, "seconds": took})
        night.log.info(
            "feed ends", feed=feed.name, state=result.state, taken=result.taken, aside=result.aside,
            incomplete=result.incomplete, silent=silent, seconds=took, **result.readings,
        )  # fmt: skip
        results.append(result)
    return results


@contextmanager
def _noted(night: _Night, feed: Feed) -> Iterator[list[str]]:
    """Note what goes wrong with a feed, in the list that is given, and go on with the next."""
    failed: list[str] = []
    try:
        yield failed
    except GatewayError as error:
        failed.append(" ".join(str(error).split()))
    except (OSError, ValueError, RuntimeError, LookupError, TypeError, AttributeError) as error:
        # The words of an unforeseen error may hold identifiers.
        failed.append(
            f"A fault in the gateway itself ({type(error).__name__}). Please report it, without patient data."
        )
    if failed:
        night.problems.append(f"Feed {feed.name}: {failed[0]}")
        night.log.error("feed failed", feed=feed.name)


def _feed(night: _Night, feed: Feed, source: Source, before: list[Seen]) -> FeedResult:
    from gateway.conversion.options import load_mapping
    from gateway.identity import load_associations
    from gateway.mapping import signing

    ready = source.complete(before)
    # What is wrong with these is no fault of an export, and must not set any aside.
    mapping = load_mapping(feed.mapping).mapping
    if feed.signed:
        signing.signed(feed.mapping)
    if feed.associations is not None:
        load_associations(feed.associations, mapping)
    folder = night.scratch / feed.name
    folder.mkdir()
    fetched = []
    incomplete = len(before) - len(ready)
    for seen in ready:
        try:
            fetched.append(source.fetch(seen, folder))
        except InputError as error:
            incomplete += 1
            night.problems.append(" ".join(str(error).split()))
    if not fetched and not _holds_wait(night, mapping.namespace, mapping.title):
        return FeedResult(name=feed.name, state="failed" if ready else "nothing", incomplete=incomplete)
    batches: list[Batch] = []
    bad: list[tuple[Fetched, InputError]] = []
    try:
        batches.append(_convert(night, feed, fetched))
    except InputError as error:
        if not fetched:
            raise
        if len(fetched) == 1:
            bad.append((fetched[0], error))
        else:
            # One of them cannot be read; the others must not wait for it.
            for each in fetched:
                try:
                    batches.append(_convert(night, feed, [each]))
                except InputError as refused:
                    bad.append((each, refused))
    day = night.started.date()
    set_aside = {each.name for each, _ in bad}
    not_moved = 0
    for each in fetched:
        if each.name not in set_aside:
            try:
                source.done(each, day)
            except InputError as error:
                # It is read again by the next run, which finds everything recorded.
                not_moved += 1
                night.problems.append(" ".join(str(error).split()))
        (folder / each.name).unlink()
    for each, fault in bad:
        why: dict[str, object] = {"export": each.name, "sha256": each.sha256, "what": fault.what, "todo": fault.todo,
               "run": night.started.isoformat(timespec="seconds")}  # fmt: skip
        source.aside(each, day, why)
        night.log.warning("export set aside", feed=feed.name, sha256=each.sha256[:12])
    readings: Counter[str] = Counter()
    records: Counter[str] = Counter()
    taken_up = released = released_readings = unusual = 0
    for batch in batches:
        held = batch.report.batch.holds
        if held is not None:
            taken_up += held.taken_up
            released += held.released
            released_readings += held.readings.get("recorded", 0)
        row = batch.report.reckoning.readings.all
        readings.update({name: getattr(row, name) for name in ("recorded", "held", "repeat", "absent", "unreadable")})
        records.update(batch.report.records)
        unusual += sum(found.count for found in batch.report.rules if rules()[found.rule].unusual)
        _note_clocks(night, batch.report)
    return FeedResult(
        name=feed.name, state="done", taken=len(fetched) - len(bad), aside=len(bad), incomplete=incomplete,
        not_moved=not_moved, results=[batch.folder.name for batch in batches], readings=dict(readings), unusual=unusual,
        taken_up=taken_up, released=released, released_readings=released_readings,
        records=dict(sorted(records.items())), attention=any(batch.status for batch in batches),
    )  # fmt: skip


def _convert(night: _Night, feed: Feed, fetched: Sequence[Fetched]) -> Batch:
    from gateway.conversion import convert

    return convert(
        [each.path for each in fetched],
        feed.mapping,
        _new(night.results, night.started, feed.name),
        as_=feed.records,
        bundle=feed.bundle,
        associations=feed.associations,
        workers=feed.workers,
        ledger=night.ledger,
        wait=night.loaded.site.wait_seconds,
        targets=night.loaded.targets_of(feed),
        export_seconds=feed.export_seconds,
    )


def _new(results: Path, started: datetime, name: str) -> Path:
    """A folder that is not there yet; its name begins with the time of the run."""
    stem = f"{started:%Y%m%dT%H%M%SZ}-{name}"
    number = 1
    while (results / (stem if number == 1 else f"{stem}-{number}")).exists():
        number += 1
    return results / (stem if number == 1 else f"{stem}-{number}")


def _holds_wait(night: _Night, namespace: str, title: str) -> bool:
    from gateway.ledger import HoldFilter, open_ledger

    with open_ledger(night.ledger, readonly=True) as ledger:
        return bool(ledger.hold_counts(HoldFilter(namespace=namespace, mapping_title=title)).holds)


def _note_clocks(night: _Night, report: Report) -> None:
    for clock in report.clocks.listed:
        if clock.device not in ("", DEVICE_WITHHELD) and clock.offset is not None:
            night.offsets[clock.device] = clock.offset


def _after(night: _Night) -> tuple[list[TargetResult], HoldsResult, list[MissingDevice]]:
    """Deliver, and ask the ledger how things stand."""
    from gateway.ledger import open_ledger

    with open_ledger(night.ledger, wait=night.loaded.site.wait_seconds) as ledger:
        targets = _deliver(night, ledger)
        return targets, _holds(night, ledger), _missing(night, ledger)


def _deliver(night: _Night, ledger: Ledger) -> list[TargetResult]:
    from gateway.ledger import OutboxFilter
    from gateway.nightly.outbox import deliver

    site = night.loaded.site
    tallies: dict[str, TargetTally] = {}
    for target in site.targets:
        try:
            (tallies[target.name],) = deliver(ledger, [target.target()], owners=night.loaded.owners()).targets
        except GatewayError as error:
            night.problems.append(f"Target {target.name}: {' '.join(str(error).split())}")
        except (OSError, ValueError, RuntimeError, LookupError, TypeError, AttributeError) as error:
            night.problems.append(
                f"Target {target.name}: a fault in the gateway itself ({type(error).__name__}). Please report it."
            )
    found = []
    for target in site.targets:
        counts = [count for count in ledger.outbox_counts(OutboxFilter(target=target.name)) if count.items]
        open_ = [count for count in counts if count.state in ("waiting", "parked")]
        states: Counter[str] = Counter()
        for count in counts:
            states[count.state] += count.items
        tally = tallies.get(target.name)
        result = TargetResult(
            name=target.name,
            kind=target.takes,
            owner=target.owner,
            delivered=tally.delivered if tally else 0,
            parked=tally.parked if tally else 0,
            later=tally.later if tally else 0,
            blocked=tally.blocked if tally else 0,
            stopped=tally.stopped if tally else "failed",
            message=tally.message if tally else "",
            waiting=states["waiting"],
            all_parked=states["parked"],
            oldest_days=max((max(0, (night.started - count.oldest).days) for count in open_), default=0),
            items=dict(sorted((state, count) for state, count in states.items() if count)),
        )
        night.log.info(
            "target ends", target=target.name, delivered=result.delivered, parked=result.parked,
            waiting=result.waiting, stopped=result.stopped,
        )  # fmt: skip
        found.append(result)
    return found


def _holds(night: _Night, ledger: Ledger) -> HoldsResult:
    counts = ledger.hold_counts(now=night.started)
    limit = night.loaded.site.hold_days
    return HoldsResult(
        open=counts.holds,
        readings=counts.readings,
        before=night.previous.holds.open if night.previous is not None else None,
        aged=sum(count for days, count in counts.by_days.items() if days >= limit),
        oldest_days=max(counts.by_days, default=0),
        reasons=dict(counts.by_reason),
    )


def _missing(night: _Night, ledger: Ledger) -> list[MissingDevice]:
    """Devices that have not been seen for their usual interval, by the days on which they had readings."""
    from gateway.ledger import SetFilter

    now = int(night.started.timestamp())
    days: dict[str, set[int]] = defaultdict(set)
    last: dict[str, int] = {}
    for known in ledger.sets(SetFilter(since=now - _HISTORY_DAYS * 86400, until=now + 86400)):
        if known.device:
            days[known.device].add(known.epoch // 86400)
            last[known.device] = max(known.epoch, last.get(known.device, 0))
    found = []
    for device, active in sorted(days.items()):
        ordered = sorted(active)
        if len(ordered) < _ACTIVE_DAYS:
            continue
        usual = statistics.median(b - a for a, b in itertools.pairwise(ordered))
        since = now // 86400 - ordered[-1]
        if since > max(usual * _LATE, usual + 1):
            when = datetime.fromtimestamp(last[device], UTC)
            found.append(MissingDevice(device=device, last=when, usual_days=float(usual), days=since))
    return found


def _clean(night: _Night) -> None:
    """Remove results and moved exports whose time is over."""
    keep = night.loaded.site.keep_days
    previous = night.previous
    if previous is not None and not timedelta(0) <= night.started - previous.started <= timedelta(days=keep):
        # The clock of this machine may have jumped, and what is removed is gone.
        night.problems.append(
            "Nothing was removed: the time since the last run is negative or longer than keep_days. Check the clock of "
            "this machine; the next run removes again."
        )
        return
    for folder in night.results.iterdir():
        if folder.is_dir() and _STAMP.match(folder.name):
            with suppress(ValueError):
                made = datetime.strptime(folder.name[:16], "%Y%m%dT%H%M%SZ").replace(tzinfo=UTC)
                if night.started - made > timedelta(days=keep):
                    shutil.rmtree(folder, ignore_errors=True)
                    night.removed += 1
    for feed in night.loaded.site.feeds:
        try:
            with closing(Source(feed)) as source:
                night.removed += source.clean(night.started.date(), keep)
        except InputError as error:
            words = " ".join(str(error).split())
            if not any(words in problem for problem in night.problems):
                night.problems.append(words)


def _report(
    night: _Night,
    feeds: list[FeedResult],
    targets: list[TargetResult],
    holds: HoldsResult,
    missing: list[MissingDevice],
) -> RunReport:
    site, previous = night.loaded.site, night.previous
    clocks = []
    if previous is not None:
        for device, now in sorted(night.offsets.items()):
            before = previous.offsets.get(device)
            if before is not None and abs(now) - abs(before) >= site.clock_seconds:
                clocks.append(ClockChange(device=device, before=before, now=now))
    changes = _changes(night, feeds, targets, holds, missing, clocks)
    failed = [feed for feed in feeds if feed.state == "failed"]
    if failed and len(failed) == len(feeds):
        status, sentence = 2, "No feed could be used."
    elif changes or night.problems:
        status, sentence = 1, "Something asks for a look."
    else:
        status, sentence = 0, "Everything went as usual."
    taken, recorded = sum(feed.taken for feed in feeds), sum(feed.readings.get("recorded", 0) for feed in feeds)
    delivered = sum(target.delivered for target in targets)
    sentence += f" {counted(taken, 'export')} taken, {counted(recorded, 'reading')} recorded, "
    if any(feed.taken_up for feed in feeds):
        from_holds = counted(sum(feed.released_readings for feed in feeds), "reading")
        sentence += f"{counted(sum(feed.taken_up for feed in feeds), 'set')} taken up from holds, "
        sentence += f"{sum(feed.released for feed in feeds):,} released with {from_holds} recorded, "
    sentence += f"{counted(delivered, 'message')} delivered."
    return RunReport(
        site=site.name,
        gateway=VERSION,
        started=night.started,
        finished=datetime.now(UTC),
        previous=previous.started if previous is not None else None,
        status=status,
        sentence=sentence,
        changes=changes,
        problems=night.problems,
        feeds=feeds,
        targets=targets,
        holds=holds,
        missing=missing,
        clocks=clocks,
        offsets=dict(sorted(night.offsets.items())),
        removed=night.removed,
    )


def _changes(
    night: _Night,
    feeds: list[FeedResult],
    targets: list[TargetResult],
    holds: HoldsResult,
    missing: list[MissingDevice],
    clocks: list[ClockChange],
) -> list[str]:
    """What a person should know, in sentences: whatever makes the status 1 is among them, or among the problems."""
    found = []
    for feed in feeds:
        if feed.aside:
            found.append(
                f"{counted(feed.aside, 'export')} of feed {feed.name} set aside: the reason stands beside each."
            )
        if feed.attention:
            held, unread = feed.readings.get("held", 0), feed.readings.get("unreadable", 0)
            parts = [f"{counted(held, 'reading')} held back"] if held else []
            parts += [f"{counted(unread, 'reading')} not readable"] if unread else []
            what = " and ".join(parts) or "lines that could not be read"
            found.append(f"Feed {feed.name}: {what}; see {', '.join(feed.results)}.")
        if feed.silent:
            since = f"since {feed.last_export:%Y-%m-%d %H:%M} UTC" if feed.last_export else "at any time"
            found.append(f"Feed {feed.name} is silent: no export {since}.")
    for device in missing:
        found.append(
            f"Device {device.device} was last seen on {device.last:%Y-%m-%d}, {counted(device.days, 'day')} ago; "
            f"usual are {device.usual_days:g}."
        )
    for clock in clocks:
        found.append(f"The clock of device {clock.device} is off by {clock.now:+,} s; it was {clock.before:+,} s.")
    if holds.aged:
        limit = night.loaded.site.hold_days
        found.append(
            f"{counted(holds.aged, 'hold')} of {holds.open:,} have been open for {counted(limit, 'day')} or longer, "
            f"the oldest for {counted(holds.oldest_days, 'day')}."
        )
    earlier = {target.name: target for target in night.previous.targets} if night.previous is not None else {}
    for target in targets:
        before = earlier[target.name].all_parked if target.name in earlier else 0
        if target.all_parked > before:
            more = target.all_parked - before
            found.append(f"{counted(more, 'message')} more parked for {target.name}; ask {target.owner}.")
        elif target.all_parked:
            found.append(f"{counted(target.all_parked, 'message')} still parked for {target.name}; ask {target.owner}.")
        if target.stopped == "stopped":
            found.append(f"Nothing is sent to {target.name}: {target.message}")
        if target.waiting:
            why = f" ({target.stopped})" if target.stopped else ""
            count = counted(target.waiting, "message waits", "messages wait")
            found.append(f"{count} for {target.name}{why}; ask {target.owner}.")
    return found


def _last(results: Path) -> RunReport | None:
    """The report of the run before; None when there is none that can be read."""
    try:
        return RunReport.model_validate_json((results / f"{LATEST}.json").read_bytes())
    except (OSError, ValidationError, json.JSONDecodeError):
        return None


def _write(report: RunReport, results: Path) -> None:
    """Write the report under its time, and as the latest one; the latter is replaced only when complete."""
    from gateway.nightly.page import html

    folder = _new(results, report.started, "run")
    texts = {"json": report.model_dump_json(indent=2) + "\n", "html": html(report)}
    try:
        folder.mkdir()
    except OSError as error:
        raise _unwritable(error, results) from None
    for end, text in texts.items():
        for path in (folder / f"run.{end}", results / f"{LATEST}.{end}"):
            files.write(path, text, what="the results folder", where=results, todo=_TODO)


def _unwritable(error: OSError, results: Path) -> OutputError:
    return files.failed(error, "the results folder", where=results, todo=_TODO)
