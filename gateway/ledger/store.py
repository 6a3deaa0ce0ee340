"""The ledger itself: opened, asked, and written to by one run at a time.

A ledger is an SQLite file, made with mode 0600, or a PostgreSQL database. It holds identifiers of patients and whole
records; who may read it may read them. On PostgreSQL the roles do what the modes do for a file:

    CREATE ROLE gateway_writer LOGIN; CREATE ROLE gateway_reader LOGIN;
    CREATE SCHEMA gateway AUTHORIZATION gateway_writer;
    ALTER ROLE gateway_writer SET search_path = gateway; ALTER ROLE gateway_reader SET search_path = gateway;
    GRANT USAGE ON SCHEMA gateway TO gateway_reader;
    ALTER DEFAULT PRIVILEGES FOR ROLE gateway_writer IN SCHEMA gateway GRANT SELECT ON TABLES TO gateway_reader;

A pooler between program and server must keep a session together (transaction pooling loses the lock). An SQLite file
belongs on a local disk: its journal does not work over a network.
"""

from __future__ import annotations

import heapq
import zlib
from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager, suppress
from datetime import UTC, datetime
from importlib.resources import files
from pathlib import Path
from types import TracebackType
from typing import Any, Literal, TypeVar

from sqlalchemy import Connection, delete, func, insert, inspect, select, text, update
from sqlalchemy.engine import Row

from gateway.errors import LedgerError
from gateway.ledger import arranging
from gateway.ledger import outbox as outbox_
from gateway.ledger.arranging import Carries
from gateway.ledger.audit import New, append, append_all, first_broken
from gateway.ledger.chains import SetLife
from gateway.ledger.places import Place, place_of
from gateway.ledger.reading import (
    RECEIPT,
    first_reader,
    history_select,
    hold_counts,
    hold_select,
    known_sets,
    read_holds,
    received_by,
    set_select,
    set_selects,
    sliced,
)
from gateway.ledger.recovery import recover
from gateway.ledger.rows import (
    AtLine,
    AuditEntry,
    Hold,
    HoldCounts,
    HoldFilter,
    KnownExport,
    KnownSet,
    OutboxCount,
    OutboxFilter,
    OutboxItem,
    PastRun,
    Recovered,
    RunInfo,
    SentPart,
    SetFilter,
    Sighting,
    Stopped,
    StoredBlock,
    Waiting,
)
from gateway.ledger.run import Run
from gateway.ledger.tables import (
    REVISIONS,
    VERSION_TABLE,
    audit,
    blocks,
    contents,
    exports,
    holds,
    mappings,
    merged,
    outbox,
    owners,
    run_exports,
    runs,
    sets,
    sightings,
)

_K = TypeVar("_K", str, int)
_BUFFER = 1000
"""Rows of a long answer that are in memory at a time."""


def open_ledger(where: str | Path, *, wait: float = 0.0, create: bool = True, readonly: bool = False) -> Ledger:
    """Open a ledger; make it, bring its tables up to date and complete runs that were cut off.

    Args:
        where: path of a file, or "postgresql://...".
        wait: seconds to wait for another run to end.
        create: make a ledger where there is none.
        readonly: for lists and traces: takes no lock and changes nothing.

    Raises:
        LedgerError: it is out of reach, in use, damaged, not a ledger, or newer than this program.
    """
    place = place_of(where, create=create, readonly=readonly)
    connection: Connection | None = None
    try:
        with place.errors_told():
            if readonly:
                with place.connect() as reader:
                    _check_version(_revision(reader), place)
                return Ledger(place, None, ())
            connection = place.writer(wait)
            _upgrade(connection, place, create)
            place.established()
            recovered = recover(connection)
            return Ledger(place, connection, recovered)
    except BaseException:
        if connection is not None:
            with suppress(Exception):
                connection.close()
        place.close()
        raise


def _revision(connection: Connection) -> str | None:
    """The step the tables are at, None where there are no tables."""
    if not inspect(connection).has_table(VERSION_TABLE):
        return None
    found = connection.execute(text(f"SELECT version_num FROM {VERSION_TABLE}")).scalar_one_or_none()
    return None if found is None else str(found)


def _check_version(revision: str | None, place: Place) -> None:
    if revision is None:
        raise LedgerError("There is no ledger", where=place.name, todo="Check the name; a first run makes one")
    if revision not in REVISIONS:
        raise _newer(place)
    if revision != REVISIONS[-1]:
        raise LedgerError(
            "The ledger was written by an older version of the gateway",
            where=place.name,
            todo="Convert something with this version, which brings it up to date, and ask again",
        )


def _newer(place: Place) -> LedgerError:
    return LedgerError(
        "The ledger was written by a newer version of the gateway",
        where=place.name,
        todo="Use that version or a later one; this ledger cannot be taken back",
    )


def _upgrade(connection: Connection, place: Place, create: bool) -> None:
    """Bring the tables to the newest step, in one transaction."""
    with connection.begin():
        revision = _revision(connection)
        if revision == REVISIONS[-1]:
            return
        if revision is None and not create:
            _check_version(revision, place)
        if revision is not None and revision not in REVISIONS:
            raise _newer(place)
        from alembic import command
        from alembic.config import Config

        config = Config()
        config.set_main_option("script_location", str(files("gateway.ledger") / "migrations").replace("%", "%%"))
        config.attributes["connection"] = connection
        command.upgrade(config, "head")


class Ledger:
    """An open ledger; made by `open_ledger`, closed by leaving its `with`.

    What is read here is what has been committed. What is written joins the run that is open, if one is.

    Attributes:
        name: file or address, without a password.
        recovered: runs that were cut off, and what was done about them on opening.
    """

    def __init__(self, place: Place, connection: Connection | None, recovered: Collection[Recovered]) -> None:
        self.name = place.name
        self.recovered = tuple(recovered)
        self._place = place
        self._connection = connection
        self._run: Run | None = None

    def __enter__(self) -> Ledger:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the ledger and its lock; an open run is taken back."""
        if self._run is not None:
            self._run.abandon()
        if self._connection is not None:
            # A connection that is gone already cannot be closed in good order.
            with suppress(Exception):
                self._place.release(self._connection)
            with suppress(Exception):
                self._connection.close()
            self._connection = None
        self._place.close()

    def run(self, info: RunInfo) -> Run:
        """Begin a run; nothing of it is visible before `Run.prepare`."""
        if self._run is not None:
            raise LedgerError("A run is open already", where=self.name, todo="End it before the next one")
        self._run = Run(self, self._place, self._writer(), info)
        return self._run

    def _ended(self, run: Run) -> None:
        if self._run is run:
            self._run = None

    def _writer(self) -> Connection:
        if self._connection is None:
            raise LedgerError("The ledger was opened for reading", where=self.name, todo="Open it for writing")
        return self._connection

    @contextmanager
    def _reading(self) -> Iterator[Connection]:
        with self._place.errors_told(), self._place.connect() as connection, connection.begin():
            yield connection

    @contextmanager
    def _writing(self) -> Iterator[Connection]:
        connection = self._writer()
        if self._run is not None and self._run.is_open:
            with self._run._working():
                yield connection
        else:
            with self._place.errors_told(), connection.begin():
                yield connection

    def holds(self, which: HoldFilter = HoldFilter()) -> list[Hold]:  # noqa: B008 (frozen)
        """The holds that are asked for, in order of their ids."""
        with self._reading() as connection:
            return read_holds(connection, which)

    def hold_counts(self, which: HoldFilter = HoldFilter(), *, now: datetime | None = None) -> HoldCounts:  # noqa: B008
        """Holds in numbers: by reason, device and age in whole days until `now`."""
        with self._reading() as connection:
            return hold_counts(connection, which, now or datetime.now(UTC))

    def sets(self, which: SetFilter = SetFilter()) -> Iterator[KnownSet]:  # noqa: B008
        """The sets that are asked for, streamed, in order of (epoch, identity)."""
        with self._place.errors_told(), ExitStack() as open_:
            streams = []
            for statement in set_selects(which):
                connection = open_.enter_context(self._place.connect())
                open_.enter_context(connection.begin())
                options = {"stream_results": True, "max_row_buffer": _BUFFER}
                streams.append(_known(connection.execution_options(**options).execute(statement).partitions(_BUFFER)))
            yield from heapq.merge(*streams, key=lambda known: (known.epoch, known.identity))

    def find(self, identity: bytes) -> KnownSet | None:
        """The set with this identity, recorded or retracted."""
        with self._reading() as connection:
            return known_sets(connection, [identity]).get(identity)

    def history(self, identity: bytes) -> list[KnownSet]:
        """Earlier revisions of a set, the oldest first."""
        with self._reading() as connection:
            return [KnownSet._make(row) for row in connection.execute(history_select(identity))]

    def merged(self) -> dict[tuple[str, str], tuple[str, str]]:
        """Patients whose identifiers were merged: system and identifier -> those that stand for them now."""
        with self._reading() as connection:
            columns = (merged.c.system, merged.c.patient, merged.c.surviving_system, merged.c.surviving)
            return {(row[0], row[1]): (row[2], row[3]) for row in connection.execute(select(*columns))}

    def at_line(self, export_sha256: str, line: int) -> AtLine:
        """What became of a line: sets that begin there, holds, and repeats."""
        with self._reading() as connection:
            here = (exports.c.sha256 == export_sha256, sets.c.line == line)
            recorded = connection.execute(set_select().where(*here).order_by(sets.c.identity))
            held = connection.execute(hold_select().where(exports.c.sha256 == export_sha256, holds.c.line == line))
            seen = connection.execute(
                select(sightings.c.line, sightings.c.identity)
                .join(exports, sightings.c.export_id == exports.c.id)
                .where(exports.c.sha256 == export_sha256, sightings.c.line == line)
                .order_by(sightings.c.identity)
            )
            return AtLine(
                [KnownSet._make(row) for row in recorded],
                [Hold._make(row) for row in held],
                [Sighting._make(row) for row in seen],
            )

    def runs(self) -> list[PastRun]:
        """Every run, in order."""
        with self._reading() as connection:
            columns = [runs.c[name] for name in PastRun._fields]
            return [PastRun._make(row) for row in connection.execute(select(*columns).order_by(runs.c.id))]

    def last_reading(self) -> dict[str, datetime]:
        """Folder of a result -> when the run began that read exports into it."""
        with self._reading() as connection:
            wanted = (
                select(runs.c.target, func.max(runs.c.started).label("started"))
                .join(run_exports, run_exports.c.run == runs.c.id)
                .where(runs.c.target != "")
                .group_by(runs.c.target)
            )
            return {row.target: row.started for row in connection.execute(wanted)}

    def exports(self) -> list[KnownExport]:
        """Every export, in the order in which they were first seen."""
        with self._reading() as connection:
            c = exports.c
            wanted = select(c.id, c.sha256, c.size, c.lines, c.form, c.first_run, runs.c.started).join(
                runs, c.first_run == runs.c.id
            )
            return [KnownExport._make(row) for row in connection.execute(wanted.order_by(c.id))]

    def content(self, run: int, name: str) -> bytes:
        """A record file as it was written.

        Raises:
            LedgerError: the ledger holds no such file.
        """
        with self._reading() as connection:
            wanted = select(contents.c.data).where(contents.c.run == run, contents.c.name == name)
            data = connection.execute(wanted).scalar_one_or_none()
        if data is None:
            raise self._missing(f"record file {name!r} of run {run}")
        return zlib.decompress(data)

    def contents(self, run: int) -> list[str]:
        """Names of the record files of a run, sorted."""
        with self._reading() as connection:
            return sorted(connection.execute(select(contents.c.name).where(contents.c.run == run)).scalars())

    def block(self, export_id: int, number: int) -> StoredBlock:
        """A kept stretch of an export.

        Raises:
            LedgerError: the ledger holds no such block.
        """
        with self._reading() as connection:
            wanted = (
                select(blocks.c.export_id, exports.c.sha256, blocks.c.number, blocks.c.data, *RECEIPT)
                .join(exports, blocks.c.export_id == exports.c.id)
                .join(runs, runs.c.id == first_reader(export_id))
                .where(blocks.c.export_id == export_id, blocks.c.number == number)
            )
            row = connection.execute(wanted).one_or_none()
        if row is None:
            raise self._missing(f"block {number} of export {export_id}")
        return StoredBlock._make((*row[:4], received_by(*row[4:])))

    def mapping_text(self, sha256: str) -> str:
        """The text of a mapping that a run was made with.

        Raises:
            LedgerError: no run was made with it.
        """
        with self._reading() as connection:
            found = connection.execute(select(mappings.c.text).where(mappings.c.sha256 == sha256)).scalar_one_or_none()
        if found is None:
            raise self._missing(f"mapping with the hash {sha256[:12]}")
        return str(found)

    def settle(
        self,
        ids: Collection[int],
        action: Literal["assign", "confirm", "discard"],
        patient: str,
        who: str,
        why: str,
        at: datetime,
        system: str = "",
    ) -> int:
        """Decide about open holds, and put each decision into the audit trail (without the patient's identifier).

        A patient who was assigned before stays when the values are confirmed.

        Args:
            ids: the holds; those that are not open are passed over.
            action: "discard" closes a hold at once; "assign" and "confirm" wait for the run that applies them.
            patient: the identifier to assign, "" for the other actions.
            who: who decided.
            why: the reason they gave.
            at: when.
            system: the system of the patient's identifier, "" for the mapping's own.

        Returns:
            How many holds were open.
        """
        if action not in ("assign", "confirm", "discard"):
            raise LedgerError(f"There is no action {action!r}", todo="Choose assign, confirm or discard")
        if (action == "assign") != bool(patient):
            raise LedgerError(f"The action {action} goes with {'a' if not patient else 'no'} patient")
        values: dict[str, object] = {"action": action}
        if action == "assign":
            values.update(patient=patient, patient_system=system)
        if action == "discard":
            values.update(state="discarded", closed_at=at)
        settled = 0
        with self._writing() as connection:
            for part in sliced(sorted(set(ids))):
                here = (holds.c.id.in_(part), holds.c.state == "open")
                found = connection.execute(
                    select(holds.c.id, holds.c.reasons, holds.c.readings, holds.c.action).where(*here)
                    .order_by(holds.c.id)
                ).all()  # fmt: skip
                connection.execute(update(holds).where(*here).values(**values))
                append(
                    connection,
                    [(at, who, action, f"hold {id_}", why, {"before": before, "readings": readings, "reasons": reasons})
                     for id_, reasons, readings, before in found],
                )  # fmt: skip
                settled += len(found)
        return settled

    def add_merged(
        self,
        pairs: Mapping[tuple[str, str], tuple[str, str]],
        assigned: Mapping[int, tuple[str, str]],
        who: str,
        why: str,
        subject: str,
        detail: Mapping[str, object],
    ) -> None:
        """Remember merged identifiers, with the entry in the audit trail; one that was merged before is replaced.

        Args:
            pairs: as `merged` gives them.
            assigned: open holds (by number) that were assigned to one of them -> the surviving system and identifier.
            who: who decided.
            why: the reason they gave.
            subject: what the entry of the audit trail is about.
            detail: for it; without identifiers of patients.
        """
        at = datetime.now(UTC)
        with self._writing() as connection:
            for (system, patient), (now, surviving) in sorted(pairs.items()):
                connection.execute(delete(merged).where(merged.c.system == system, merged.c.patient == patient))
                values = {"system": system, "patient": patient, "surviving_system": now, "surviving": surviving}
                connection.execute(insert(merged).values(**values, at=at, who=who))
            for hold, (system, patient) in sorted(assigned.items()):
                here = (holds.c.id == hold, holds.c.state == "open")
                connection.execute(update(holds).where(*here).values(patient=patient, patient_system=system))
            append(connection, [(at, who, "merge", subject, why, detail)])

    def waiting(self, target: str, kind: Literal["fhir", "oru"]) -> Iterator[Waiting]:
        """What waits to be sent to a target, with its bytes, the oldest first and each once.

        Args:
            target: its name.
            kind: what it takes; items of another kind, from before its settings were changed, go on waiting.
        """
        return outbox_.waiting(self._reading, target, outbox_.kinds_of(kind))

    def sending(
        self, target: str, kind: Literal["fhir", "oru"], passing: Collection[int], tried: Collection[int]
    ) -> Iterator[Waiting]:
        """The same for somebody who sends it; what is given is marked before as something that may have arrived.

        Args:
            target: its name.
            kind: what it takes.
            passing: items that do not have their turn; more may be added.
            tried: items that were sent, to be kept up to date: the marks of the others are taken back when this is
                closed, as it has to be.
        """
        return outbox_.sending(self._reading, self._settling, target, outbox_.kinds_of(kind), passing, tried)

    def sent(
        self,
        item: int,
        verdict: Literal["delivered", "parked", "later"],
        code: str,
        message: str,
        detail: str = "",
        *,
        reached: bool = True,
        answered: bool = False,
    ) -> None:
        """Note, and commit, what became of an item that was sent.

        Args:
            item: its number.
            verdict: "later" leaves it waiting.
            code: what the target answered, or a word for the fault.
            message: the same in words without identifiers.
            detail: as JSON, what became of parts of it.
            reached: whether it may have reached the target, by this attempt or an earlier one.
            answered: whether the target itself refused it.

        Raises:
            LedgerError: it does not wait, or a run is open, with which this would be taken back.
        """
        _check_verdict(verdict)
        part = SentPart((), verdict, code, message, detail, reached, answered)
        with self._settling() as connection:
            known = outbox_.settle(connection, item, part, datetime.now(UTC))
        if not known:
            raise self._missing(f"item {item} that waits to be sent")

    def sent_in_parts(self, item: int, parts: Sequence[SentPart], carries: Carries) -> list[int]:
        """Note, and commit, what became of the sets of an item that met with different answers.

        The item keeps the first part, and each other part becomes an item of its own.

        Args:
            item: its number.
            parts: together all sets that it carries.
            carries: reads which sets stand in a record file.

        Returns:
            The numbers of the new items.

        Raises:
            LedgerError: it does not wait, or a run is open.
        """
        for part in parts:
            _check_verdict(part.verdict)
        now = datetime.now(UTC)
        with self._settling() as connection:
            own = arranging.row(connection, item)
            if own is None or own.state != "waiting":
                raise self._missing(f"item {item} that waits to be sent")
            sets = arranging.carried(connection, [item], carries)[item]
            kept, *made = (outbox_.outcome(part, now, own.attempts, own.answered) for part in parts)
            pieces = [(part.sets, values) for part, values in zip(parts[1:], made, strict=True)]
            return arranging.divide(connection, own, sets, parts[0].sets, kept, pieces)

    @contextmanager
    def _settling(self) -> Iterator[Connection]:
        """A transaction of its own, for what is true whatever becomes of a run."""
        if self._run is not None and self._run.is_open:
            raise LedgerError("A run is open", where=self.name, todo="End it before something is sent")
        with self._writing() as connection:
            yield connection

    def arrange(
        self, target: str, kind: Literal["fhir", "oru"], carries: Carries, *, whole: bool = False
    ) -> dict[int, int]:
        """Bring the queue of a target in line with what is recorded, so that nothing is sent after its successor.

        Args:
            target: its name.
            kind: what it takes.
            carries: reads which sets stand in a record file.
            whole: the target wants corrections as whole sets.

        Returns:
            The items that have to wait for another one: number -> number of that other.
        """
        with self._settling() as connection:
            return arranging.arrange(connection, target, outbox_.kinds_of(kind), carries, whole=whole)

    def blocked(self, target: str, carries: Carries) -> dict[int, int]:
        """The same for a list: what waits for another item as things are now; nothing is changed."""
        found: dict[int, int] = {}
        with self._reading() as connection:
            for kind in ("fhir", "oru"):
                situation = arranging.read(connection, target, outbox_.kinds_of(kind), carries)
                if situation is not None:
                    found |= arranging.blocked(situation)
        return found

    def lives(self, identities: Collection[str], records: Literal["fhir", "oru"]) -> dict[str, SetLife]:
        """All versions of some sets (32 hex digits each) of which there are records of a form."""
        with self._reading() as connection:
            return arranging.lives_of(connection, [bytes.fromhex(each) for each in identities], records)

    def carried(self, items: Collection[int], carries: Carries) -> dict[int, list[str]]:
        """Which sets (32 hex digits each) these items carry."""
        with self._reading() as connection:
            return arranging.carried(connection, items, carries)

    def outbox(
        self,
        which: OutboxFilter = OutboxFilter(),  # noqa: B008 (frozen)
        *,
        limit: int | None = None,
        offset: int = 0,
    ) -> list[OutboxItem]:
        """The items of the outbox that are asked for, in order of their ids; the bounds are for those without ids."""
        with self._reading() as connection:
            statements = [
                each if limit is None else each.limit(limit).offset(offset) for each in outbox_.item_select(which)
            ]
            return [OutboxItem._make(row) for statement in statements for row in connection.execute(statement)]

    def outbox_counts(self, which: OutboxFilter = OutboxFilter()) -> list[OutboxCount]:  # noqa: B008 (frozen)
        """Items of the outbox in numbers, by target, kind and state; the ids of the filter are not looked at."""
        with self._reading() as connection:
            return outbox_.count(connection, which)

    def first_waiting(self, target: str) -> OutboxItem | None:
        """The item of a target that has its turn next."""
        with self._reading() as connection:
            (statement,) = outbox_.item_select(OutboxFilter(target=target, state="waiting"))
            row = connection.execute(statement.limit(1)).one_or_none()
            return None if row is None else OutboxItem._make(row)

    def queued_for(self, files: Collection[tuple[int, str]]) -> dict[tuple[int, str], list[tuple[str, str]]]:
        """Which targets (name and kind) each of these record files (run and name) was put into the outbox for."""
        found: dict[tuple[int, str], list[tuple[str, str]]] = {}
        columns = (outbox.c.run, outbox.c.name, outbox.c.target, outbox.c.kind)
        with self._reading() as connection:
            for run in sorted({run for run, _ in files}):
                for row in connection.execute(
                    select(*columns).where(outbox.c.run == run).distinct().order_by(*columns)
                ):
                    if (row.run, row.name) in files:
                        found.setdefault((row.run, row.name), []).append((row.target, row.kind))
        return found

    def replay(self, which: OutboxFilter, who: str, why: str) -> int:
        """Let items that were delivered, parked or skipped be sent once more, and put that into the audit trail.

        Each target gets what is true now: what has changed since is sent as it is now, all else as it was.

        Args:
            which: the items; those that wait already are passed over.
            who: who decided.
            why: the reason they gave.

        Returns:
            How many items wait again.
        """
        with self._writing() as connection:
            found = outbox_.wait_again(connection, which)
            asked = {"run": which.run, "from": which.since, "to": which.until}
            given = {name: str(value) for name, value in asked.items() if value is not None}
            entries = []
            for target, states in sorted(found.items()):
                detail: dict[str, object] = {**given, **{state: len(ids) for state, ids in states.items()}}
                if which.ids is not None:
                    detail["items"] = sorted(id_ for ids in states.values() for id_ in ids)
                entries.append((datetime.now(UTC), who, "replay", f"target {target}", why, detail))
            append(connection, entries)
        return sum(len(ids) for states in found.values() for ids in states.values())

    def settle_items(
        self,
        ids: Collection[int],
        action: Literal["park", "release", "skip", "replay"],
        who: str,
        why: str,
        carries: Carries,
        sets: Collection[str] = (),
    ) -> int:
        """Decide about items, and put that into the audit trail, by target.

        Args:
            ids: the items; those in another state are passed over.
            action: "park" what waits, "release" what is parked, so that it waits again, "skip" either, so that it is
                never sent, or "replay" what was sent, parked or skipped, as `replay` does.
            who: who decided.
            why: the reason they gave.
            carries: reads which sets stand in a record file.
            sets: only these sets of the items (32 hex digits each), which are divided from them; empty for all.

        Returns:
            How many items, or parts of items, were changed.
        """
        with self._settling() as connection:
            changed = arranging.settle(connection, ids, action, f"by {who}: {why}", carries, sets)
            now = datetime.now(UTC)
            entries: list[New] = []
            for target, numbers in sorted(changed.items()):
                detail: dict[str, object] = {"items": sorted(numbers)}
                if sets:
                    detail["sets"] = sorted(sets)
                entries.append((now, who, action, f"target {target}", why, detail))
            append(connection, entries)
        return sum(len(numbers) for numbers in changed.values())

    def carrying(self, target: str, sets: Collection[str], carries: Carries) -> dict[str, list[tuple[int, str]]]:
        """The items (number and state) of a target that carry each of these sets (32 hex digits), in order."""
        with self._reading() as connection:
            found = arranging.carrying(connection, target, sets, carries)
        return {identity: [(each.id, each.state) for each in items] for identity, items in found.items()}

    def stop_target(self, target: str, who: str, why: str) -> None:
        """Send nothing to a target until it is resumed, and put that into the audit trail."""
        self._stop(target, "stop", {"stopped": why, "stopped_by": who, "stopped_at": datetime.now(UTC)}, who, why)

    def resume_target(self, target: str, who: str, why: str) -> None:
        """Send to a target again, and put that into the audit trail."""
        self._stop(target, "resume", {"stopped": "", "stopped_by": "", "stopped_at": None}, who, why)

    def _stop(self, target: str, action: str, values: dict[str, object], who: str, why: str) -> None:
        with self._settling() as connection:
            if connection.execute(update(owners).where(owners.c.target == target).values(**values)).rowcount == 0:
                connection.execute(insert(owners).values(target=target, owner="", **values))
            append(connection, [(datetime.now(UTC), who, action, f"target {target}", why, {})])

    def stopped(self) -> dict[str, Stopped]:
        """The targets that a person has stopped."""
        c = owners.c
        with self._reading() as connection:
            wanted = select(c.target, c.stopped, c.stopped_by, c.stopped_at).where(c.stopped != "")
            return {row.target: Stopped(*row[1:]) for row in connection.execute(wanted.order_by(c.target))}

    def name_owners(self, named: Mapping[str, str]) -> None:
        """Remember who looks after which target, so that lists can name them."""
        with self._writing() as connection:
            for target, owner in named.items():
                if not connection.execute(update(owners).where(owners.c.target == target).values(owner=owner)).rowcount:
                    connection.execute(insert(owners).values(target=target, owner=owner))

    def add_audit(self, who: str, action: str, subject: str, why: str, detail: Mapping[str, object]) -> None:
        """Add an entry to the audit trail; `detail` becomes JSON. Leave identifiers of patients out of it."""
        with self._writing() as connection:
            append(connection, [(datetime.now(UTC), who, action, subject, why, detail)])

    def add_audits(self, who: str, action: str, why: str, about: Mapping[str, Mapping[str, object]]) -> None:
        """Add entries of one decision, by subject, all of them or none; see `add_audit`."""
        with self._writing() as connection:
            append_all(connection, who, action, why, about)

    def audit(
        self, *, subject: str | None = None, who: str | None = None, since: datetime | None = None
    ) -> list[AuditEntry]:
        """Entries of the audit trail, in order."""
        wanted = select(audit).order_by(audit.c.id)
        if subject is not None:
            wanted = wanted.where(audit.c.subject == subject)
        if who is not None:
            wanted = wanted.where(audit.c.who == who)
        if since is not None:
            wanted = wanted.where(audit.c.at >= since)
        with self._reading() as connection:
            return [AuditEntry._make(row) for row in connection.execute(wanted)]

    def verify_audit(self) -> int | None:
        """The id of the first entry of the audit trail that was changed, removed or slipped in; None if none was."""
        with self._reading() as connection:
            return first_broken(connection)

    def _missing(self, what: str) -> LedgerError:
        return LedgerError(f"The ledger holds no {what}", where=self.name, todo="Check the number or name")


def _check_verdict(verdict: str) -> None:
    if verdict not in ("delivered", "parked", "later"):
        raise LedgerError(f"There is no verdict {verdict!r}", todo="Choose delivered, parked or later")


def _known(parts: Iterator[Sequence[Row[Any]]]) -> Iterator[KnownSet]:
    for part in parts:
        yield from map(KnownSet._make, part)
