"""One run: what it adds to the ledger appears all at once, or not at all."""

from __future__ import annotations

import hashlib
import zlib
from collections import deque
from collections.abc import Collection, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, Literal
from uuid import uuid4

from sqlalchemy import Column, Connection, Table, case, func, literal, select, text, update
from sqlalchemy import insert as plain_insert
from sqlalchemy.dialects import postgresql, sqlite

from gateway.errors import LedgerError
from gateway.ledger import outbox as outbox_
from gateway.ledger.audit import append, append_all
from gateway.ledger.reading import (
    RECEIPT,
    first_reader,
    hold_counts,
    known_sets,
    received_by,
    sliced,
    standing_at,
    standing_latest,
    standing_of_nobody,
)
from gateway.ledger.recovery import mark_of
from gateway.ledger.rows import (
    HoldCounts,
    HoldFilter,
    HoldRow,
    KnownSet,
    OlderVersion,
    OutboxKind,
    RunInfo,
    SetRow,
    Sighting,
    Standing,
)
from gateway.ledger.tables import (
    blocks,
    contents,
    exports,
    holds,
    mappings,
    outbox,
    read_as,
    run_exports,
    runs,
    set_history,
    sets,
    sightings,
)

if TYPE_CHECKING:
    from collections.abc import Mapping

    from gateway.ledger.places import Place
    from gateway.ledger.store import Ledger

_WAITING = 4
"""Record files that may wait to be packed: what is in memory at a time."""

_SET_COLUMNS = (*SetRow._fields, "export_id", "run", "namespace", "changed_run")


class Run:
    """A run, made by `Ledger.run`. Leaving its `with` before `prepare` takes everything back.

    Attributes:
        id: its number in the ledger.
        token: stands in the result folder's file ".run", so that a folder and a run can be matched after a crash.
    """

    def __init__(self, ledger: Ledger, place: Place, connection: Connection, info: RunInfo) -> None:
        self.token = uuid4().hex
        self._ledger = ledger
        self._place = place
        self._connection = connection
        self._info = info
        self._state = "open"
        self._packing: ThreadPoolExecutor | None = None
        self._packed: deque[Future[dict[str, Any]]] = deque()
        self._names: list[str] = []
        with place.errors_told():
            self._transaction = connection.begin()
            try:
                self.id = self._begin(info)
            except BaseException:
                with suppress(Exception):
                    self._transaction.rollback()
                raise

    def _begin(self, info: RunInfo) -> int:
        self._insert_new(mappings, [{"sha256": info.mapping_sha256, "text": info.mapping_text}])
        values = info._asdict()
        del values["mapping_text"]
        made = self._connection.execute(plain_insert(runs).values(**values, token=self.token, state="open"))
        assert made.inserted_primary_key is not None
        return int(made.inserted_primary_key[0])

    def __enter__(self) -> Run:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.abandon()

    @property
    def is_open(self) -> bool:
        """Whether something can still be added."""
        return self._state == "open"

    def abandon(self) -> None:
        """Take back what was not prepared; after `prepare` there is nothing to take back."""
        if self._packing is not None:
            self._packing.shutdown(wait=True, cancel_futures=True)
        self._packed.clear()
        if self._state in ("open", "broken"):
            self._state = "abandoned"
            # Where the connection is gone, the database has taken it back by itself.
            with suppress(Exception):
                self._transaction.rollback()
        self._ledger._ended(self)

    @contextmanager
    def _working(self) -> Iterator[Connection]:
        # After an error SQLite may have ended the transaction by itself, and what followed would stand alone.
        if self._state != "open":
            raise LedgerError(
                "The run has ended", where=self._place.name, todo="This is a fault in the gateway, please report it"
            )
        try:
            with self._place.errors_told():
                yield self._connection
        except BaseException:
            self._state = "broken"
            raise

    def _insert_new(self, table: Table, rows: Sequence[dict[str, Any]]) -> int:
        """Insert the rows whose primary key (or unique value) is not there yet; return how many were."""
        return self._connection.execute(self._insert(table).on_conflict_do_nothing(), rows).rowcount

    def _insert(self, table: Table) -> Any:
        return (sqlite if self._connection.dialect.name == "sqlite" else postgresql).insert(table)

    def export(self, sha256: str, size: int, lines: int, form: str) -> tuple[int, bool]:
        """Say which export is being read.

        Args:
            sha256: hash of its bytes, hexadecimal.
            size: bytes.
            lines: lines; of framed exports bytes.
            form: form of the export, as in the mapping.

        Returns:
            Its id, and whether an earlier run read it with this mapping, in whichever version.
        """
        with self._working() as connection:
            key = read_as(sha256, self._info.namespace, self._info.mapping_title)
            find = select(exports.c.id, exports.c.first_run).where(exports.c.read_as == key)
            row = connection.execute(find).one_or_none()
            if row is None:
                values = {
                    "read_as": key,
                    "sha256": sha256,
                    "size": size,
                    "lines": lines,
                    "form": form,
                    "first_run": self.id,
                }
                connection.execute(plain_insert(exports).values(**values))
                row = connection.execute(find).one()
            self._insert_new(run_exports, [{"run": self.id, "export_id": row.id}])
            return row.id, row.first_run != self.id

    def add_block(self, export_id: int, number: int, data: bytes) -> None:
        """Keep a stretch of an export; one that is there already stays."""
        with self._working():
            self._insert_new(blocks, [{"export_id": export_id, "number": number, "data": data}])

    def known(self, identities: Sequence[bytes]) -> dict[bytes, KnownSet]:
        """Those of the sets that the ledger or this run knows, recorded or retracted; best asked for some hundreds."""
        if not identities:
            return {}
        with self._working() as connection:
            return known_sets(connection, identities)

    def at_places(self, places: Collection[tuple[str, int]]) -> list[Standing]:
        """The sets, recorded or retracted, at each device and printed time, in this run's namespace."""
        with self._working() as connection:
            return standing_at(connection, self._info.namespace, places)

    def of_nobody(self, identities: Collection[bytes], places: Collection[tuple[int, bytes]]) -> list[Standing]:
        """Sets without a device: those of these identities, and those at each printed time that have that content."""
        with self._working() as connection:
            return standing_of_nobody(connection, self._info.namespace, identities, places)

    def latest(self, device: str, limit: int) -> list[Standing]:
        """The newest sets of a device by their printed time, recorded or retracted, the newest first."""
        with self._working() as connection:
            return standing_latest(connection, self._info.namespace, device, limit)

    def versions(self, identity: bytes) -> list[OlderVersion]:
        """Earlier versions of a set, the oldest first."""
        with self._working() as connection:
            columns = [set_history.c[name] for name in OlderVersion._fields]
            wanted = select(*columns).where(set_history.c.identity == identity).order_by(set_history.c.revision)
            return [OlderVersion._make(row) for row in connection.execute(wanted)]

    def first_read(self, export_id: int) -> int:
        """The run that read an export first."""
        with self._working() as connection:
            return int(connection.execute(select(exports.c.first_run).where(exports.c.id == export_id)).scalar_one())

    def received(self, export_id: int) -> int | None:
        """When the first run that read an export's bytes received them, with whichever mapping.

        Returns:
            Seconds since 1970-01-01T00:00:00Z; None where it is this run.
        """
        with self._working() as connection:
            row = connection.execute(select(runs.c.id, *RECEIPT).where(runs.c.id == first_reader(export_id))).one()
            return None if row.id == self.id else received_by(*row[1:])

    def add_sets(self, export_id: int, rows: Sequence[SetRow]) -> None:
        """Record sets that are not known; one of a chain that another set began changes what was recorded."""
        if not rows:
            return
        last = (export_id, self.id, self._info.namespace)
        plain, changing = (*last, None), (*last, self.id)
        with self._working() as connection:
            values = [row + (plain if row.chain is None else changing) for row in rows]
            self._place.insert(connection, "sets", _SET_COLUMNS, values)

    def revise_set(self, export_id: int, row: SetRow) -> int:
        """Record a known set anew, corrected or after it was retracted; what stood before is kept.

        Returns:
            Its revision, 2 or more.

        Raises:
            LedgerError: the set is not known.
        """
        with self._working() as connection:
            here = sets.c.identity == row.identity
            columns: list[Column[Any]] = list(sets.columns)
            connection.execute(
                plain_insert(set_history).from_select(
                    [*(column.name for column in columns), "replaced_run"],
                    select(*columns, literal(self.id)).where(here),
                )
            )
            values = {
                **row._asdict(), "chain": sets.c.chain if row.chain is None else row.chain,
                "export_id": export_id, "run": self.id, "namespace": self._info.namespace,
                "state": "recorded", "retracted_run": None, "retracted_reason": "", "changed_run": self.id,
            }  # fmt: skip
            changed = connection.execute(update(sets).where(here).values(**values, revision=sets.c.revision + 1))
            if changed.rowcount != 1:
                raise LedgerError(
                    "A set that the ledger does not know cannot be revised",
                    where=self._place.name,
                    todo="This is a fault in the gateway, please report it",
                )
            return int(connection.execute(select(sets.c.revision).where(here)).scalar_one())

    def add_sightings(self, export_id: int, rows: Sequence[Sighting]) -> None:
        """Note repeats; one that was noted before stays."""
        if not rows:
            return
        with self._working():
            values = [{"export_id": export_id, "run": self.id, **row._asdict()} for row in rows]
            self._insert_new(sightings, values)

    def add_holds(self, export_id: int, rows: Sequence[HoldRow]) -> int:
        """Hold something; a hold that is open at the same line is brought up to date and keeps its decision.

        What is held already at another place, of the same set and with the same readings, is not held twice.

        Returns:
            How many were not open before.
        """
        if not rows:
            return 0
        with self._working() as connection:
            rows = self._not_held_elsewhere(connection, export_id, rows)
            if not rows:
                return 0
            before = 0
            for part in sliced({row.line for row in rows}):
                here = (holds.c.export_id == export_id, holds.c.state == "open", holds.c.line.in_(part))
                before += int(connection.execute(select(func.count()).where(*here)).scalar_one())
            statement = self._insert(holds)
            change = {name: statement.excluded[name] for name in HoldRow._fields if name != "line"}
            statement = statement.on_conflict_do_update(
                index_elements=["export_id", "line"], index_where=text("state = 'open'"), set_=change
            )
            values = [{"export_id": export_id, "opened_run": self.id, **row._asdict()} for row in rows]
            connection.execute(statement, values)
            return len({row.line for row in rows}) - before

    def _not_held_elsewhere(self, connection: Connection, export_id: int, rows: Sequence[HoldRow]) -> list[HoldRow]:
        named = {row.identity for row in rows if row.identity is not None}
        known: dict[tuple[bytes | None, str, str], set[tuple[int, int]]] = {}
        h = holds.c
        for part in sliced(named):
            wanted = select(h.identity, h.vitals, h.said, h.export_id, h.line)
            for row in connection.execute(wanted.where(h.state == "open", h.identity.in_(part))):
                known.setdefault((row.identity, row.vitals, row.said), set()).add((row.export_id, row.line))
        return [
            row for row in rows if not known.get((row.identity, row.vitals, row.said), set()) - {(export_id, row.line)}
        ]

    def decide_holds(self, owners: Mapping[bytes, tuple[str, str] | None]) -> None:
        """Say whose the open holds of sets are that were taken back; what was decided about them before is over.

        Args:
            owners: identity of a set -> identifier and system of the patient to whom it is assigned; None: to nobody.
                Values that a person has confirmed stay so where the set goes to a patient.
        """
        by_owner: dict[tuple[str, str] | None, list[bytes]] = {}
        for identity, owner in owners.items():
            by_owner.setdefault(owner, []).append(identity)
        confirmed = holds.c.action == "confirm"
        with self._working() as connection:
            for owner, identities in by_owner.items():
                patient, system = owner or ("", "")
                action = case((confirmed, "confirm"), else_="assign") if owner is not None else literal("")
                for part in sliced(identities):
                    here = (holds.c.identity.in_(part), holds.c.state == "open")
                    values = {"action": action, "patient": patient, "patient_system": system}
                    connection.execute(update(holds).where(*here).values(**values))

    def close_holds(self, ids: Collection[int], state: Literal["released", "repeat", "discarded"]) -> int:
        """Close open holds; return how many were open."""
        with self._working() as connection:
            closed = 0
            for part in sliced(ids):
                here = (holds.c.id.in_(part), holds.c.state == "open")
                values = {"state": state, "closed_run": self.id, "closed_at": datetime.now(UTC)}
                closed += connection.execute(update(holds).where(*here).values(**values)).rowcount
            return closed

    def discarded(self, export_id: int) -> frozenset[int]:
        """Lines of an export whose holds a person has discarded."""
        with self._working() as connection:
            here = (holds.c.export_id == export_id, holds.c.state == "discarded")
            return frozenset(connection.execute(select(holds.c.line).where(*here)).scalars())

    def hold_counts(self) -> HoldCounts:
        """The open holds in numbers, with those of this run."""
        with self._working() as connection:
            return hold_counts(connection, HoldFilter(), datetime.now(UTC))

    def retract(self, identities: Collection[bytes], reason_code: str) -> int:
        """Mark recorded sets as retracted; return how many were recorded."""
        with self._working() as connection:
            retracted = 0
            for part in sliced(identities):
                here = (sets.c.identity.in_(part), sets.c.state == "recorded")
                values = {
                    "state": "retracted", "retracted_run": self.id, "retracted_reason": reason_code,
                    "changed_run": self.id,
                }  # fmt: skip
                retracted += connection.execute(update(sets).where(*here).values(**values)).rowcount
            return retracted

    def add_audit(self, who: str, action: str, subject: str, why: str, detail: Mapping[str, object]) -> None:
        """Add to the audit trail, with everything else of this run or not at all."""
        with self._working() as connection:
            append(connection, [(datetime.now(UTC), who, action, subject, why, detail)])

    def add_audits(self, who: str, action: str, why: str, about: Mapping[str, Mapping[str, object]]) -> None:
        """Add entries of one decision, by subject, with everything else of this run or not at all."""
        with self._working() as connection:
            append_all(connection, who, action, why, about)

    def add_content(self, name: str, data: bytes) -> None:
        """Keep a record file of the result, packed in the background while the conversion goes on.

        Args:
            name: its name in the result folder, such as "fhir/1-0001.json".
            data: its bytes.
        """
        with self._working():
            if self._packing is None:
                self._packing = ThreadPoolExecutor(1, thread_name_prefix="packing")
            self._store_packed(_WAITING - 1)
            self._packed.append(self._packing.submit(_packed, self.id, name, data))
            self._names.append(name)

    def _store_packed(self, leave: int) -> None:
        """Store what is packed, and wait until no more than `leave` files are not."""
        while self._packed and (len(self._packed) > leave or self._packed[0].done()):
            self._connection.execute(plain_insert(contents), self._packed.popleft().result())

    def queue(self, targets: Sequence[tuple[str, OutboxKind]], names: Collection[str] | None = None) -> int:
        """Put the record files of this run into the outbox, with everything else of this run or not at all.

        Bundles go to targets that take "fhir"; each message of a batch file to those that take "oru", or the file as
        it is to those that take "batch". The order is that in which the files were added.

        Args:
            targets: name and kind of each; what is in the outbox already is not put there again.
            names: only these of the files.

        Returns:
            How many items were put there.
        """
        now = datetime.now(UTC)
        with self._working() as connection:
            self._store_packed(0)
            columns = (outbox.c.name, outbox.c.target)
            known = {(name, target) for name, target in
                     connection.execute(select(*columns).where(outbox.c.run == self.id).distinct())}  # fmt: skip
            items = 0
            for name in self._names:
                wanted = [target for target in targets if (name, target[0]) not in known]
                if not wanted or (names is not None and name not in names):
                    continue
                here = (contents.c.run == self.id, contents.c.name == name)
                data = zlib.decompress(connection.execute(select(contents.c.data).where(*here)).scalar_one())
                rows = outbox_.items_of(self.id, name, data, wanted, now)
                if rows:
                    values = [dict(zip(outbox_.COLUMNS, row, strict=True)) for row in rows]
                    connection.execute(plain_insert(outbox), values)
                    items += len(rows)
            return items

    def prepare(self, stage: Path, target: Path, counts: str) -> None:
        """Commit everything; from here on the run counts, and is completed by the next opening if it is cut off.

        Args:
            stage: the folder in the making; its files are on the disk.
            target: where it will be moved.
            counts: what the run came to, as JSON.
        """
        stage, target = Path(stage).absolute(), Path(target).absolute()
        with self._working() as connection:
            self._store_packed(0)
            values = {
                "state": "written", "written": datetime.now(UTC), "stage": str(stage), "target": str(target),
                "replaces": mark_of(target), "counts": counts,
            }  # fmt: skip
            connection.execute(update(runs).where(runs.c.id == self.id).values(**values))
            self._transaction.commit()
            self._state = "written"

    def finish(self) -> None:
        """Note that the result is in its place."""
        if self._state != "written":
            raise LedgerError(
                "The run is not prepared", where=self._place.name, todo="This is a fault in the gateway, report it"
            )
        with self._place.errors_told(), self._connection.begin():
            values = {"state": "done", "finished": datetime.now(UTC)}
            self._connection.execute(update(runs).where(runs.c.id == self.id).values(**values))
        self._state = "done"
        self._ledger._ended(self)


def _packed(run: int, name: str, data: bytes) -> dict[str, Any]:
    digest = hashlib.sha256(data).hexdigest()
    return {"run": run, "name": name, "size": len(data), "sha256": digest, "data": zlib.compress(data, 1)}
