"""The outbox: what a run leaves for its targets, in order, and what became of it.

An item names a record file of the ledger and a stretch of it, so nothing is kept twice, and what is sent is byte for
byte what was recorded.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable, Collection, Iterator, Sequence
from contextlib import AbstractContextManager
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, Connection, Select, func, select, update

from gateway.errors import LedgerError
from gateway.ledger.reading import sliced
from gateway.ledger.rows import OutboxCount, OutboxFilter, OutboxItem, OutboxKind, Waiting
from gateway.ledger.tables import contents, outbox, owners

COLUMNS = ("target", "kind", "run", "name", "part", "start", "size", "queued")
_AHEAD = 200
"""Items that are looked up at a time; none of their contents but one file's is in memory."""


def kinds_of(target: str) -> tuple[str, ...]:
    """What a target that takes "fhir" or "oru" can be sent."""
    return ("oru", "batch") if target == "oru" else (target,)


def items_of(
    run: int, name: str, data: bytes, targets: Sequence[tuple[str, OutboxKind]], queued: Any
) -> list[tuple[Any, ...]]:
    """Rows, as `COLUMNS` says, for a record file and each target that takes it; none for other files."""
    rows: list[tuple[Any, ...]] = []
    for target, kind in targets:
        stretches: list[tuple[int, int]] = []
        if (kind == "fhir" and name.startswith("fhir/") and name.endswith(".bundle.json")) or (
            kind == "batch" and name.startswith("oru/")
        ):
            stretches = [(0, len(data))]
        elif kind == "oru" and name.startswith("oru/"):
            stretches = messages_at(data)
        rows += [(target, kind, run, name, part, *at, queued) for part, at in enumerate(stretches)]
    return rows


def messages_at(data: bytes) -> list[tuple[int, int]]:
    """Start and size of each message of a batch file, the end of its last segment included."""
    found: list[tuple[int, int]] = []
    start = None
    at = 0
    while at < len(data):
        end = data.find(b"\r", at) + 1 or len(data)
        kind = data[at : at + 3]
        if kind in (b"MSH", b"FHS", b"BHS", b"BTS", b"FTS"):
            if start is not None:
                found.append((start, at - start))
            start = at if kind == b"MSH" else None
        at = end
    if start is not None:
        found.append((start, len(data) - start))
    return found


def waiting(
    reading: Callable[[], AbstractContextManager[Connection]], target: str, kinds: Collection[str]
) -> Iterator[Waiting]:
    """What waits for a target, the oldest first; those that stay waiting are not given twice."""
    last = 0
    file: tuple[int, str] | None = None
    data = b""
    o = outbox.c
    while True:
        with reading() as connection:
            rows = connection.execute(
                select(o.id, o.kind, o.run, o.name, o.part, o.queued, o.attempts, o.start, o.size)
                .where(o.target == target, o.state == "waiting", o.kind.in_(kinds), o.id > last)
                .order_by(o.id)
                .limit(_AHEAD)
            ).all()
        if not rows:
            return
        for row in rows:
            if file != (row.run, row.name):
                with reading() as connection:
                    here = (contents.c.run == row.run, contents.c.name == row.name)
                    packed = connection.execute(select(contents.c.data).where(*here)).scalar_one_or_none()
                if packed is None:
                    raise LedgerError(
                        f"The ledger holds no record file {row.name!r} of run {row.run}, which waits to be sent",
                        todo="The ledger is damaged: put back a copy of it",
                    )
                file, data = (row.run, row.name), zlib.decompress(packed)
            last = row.id
            yield Waiting(*row[:7], data[row.start : row.start + row.size])


def item_select(which: OutboxFilter) -> Iterator[Select[Any]]:
    """Statements whose rows together are the items that are asked for, as `OutboxItem`, in order of their ids."""
    columns: list[Any] = [
        func.coalesce(owners.c.owner, "") if name == "owner" else outbox.c[name] for name in OutboxItem._fields
    ]
    wanted = (
        select(*columns)
        .select_from(outbox.outerjoin(owners, owners.c.target == outbox.c.target))
        .where(*_conditions(which))
        .order_by(outbox.c.id)
    )
    if which.ids is None:
        yield wanted
        return
    for part in sliced(sorted(set(which.ids))):
        yield wanted.where(outbox.c.id.in_(part))


def count(connection: Connection, which: OutboxFilter) -> list[OutboxCount]:
    """Items by target and state."""
    o = outbox.c
    owner = func.coalesce(func.max(owners.c.owner), "")
    grouped = (
        select(o.target, owner, o.kind, o.state, func.count(), func.min(o.queued))
        .select_from(outbox.outerjoin(owners, owners.c.target == o.target))
        .where(*_conditions(which))
        .group_by(o.target, o.kind, o.state)
        .order_by(o.target, o.kind, o.state)
    )
    return [OutboxCount._make(row) for row in connection.execute(grouped)]


def settle(connection: Connection, item: int, verdict: str, code: str, message: str, detail: str, at: datetime) -> bool:
    """Note what became of an item that waits; False when there is none with this number."""
    state = "waiting" if verdict == "later" else verdict
    changed = connection.execute(
        update(outbox)
        .where(outbox.c.id == item, outbox.c.state == "waiting")
        .values(
            state=state, attempts=outbox.c.attempts + 1, tried=at, settled=None if state == "waiting" else at,
            code=code, message=message, detail=detail,
        )
    )  # fmt: skip
    return changed.rowcount == 1


def wait_again(connection: Connection, which: OutboxFilter) -> dict[str, dict[str, list[int]]]:
    """Let items that are delivered or parked wait again; return their numbers by target and earlier state."""
    done = outbox.c.state.in_(("delivered", "parked"))
    found: dict[str, dict[str, list[int]]] = {}
    wanted = select(outbox.c.id, outbox.c.target, outbox.c.state).where(done, *_conditions(which))
    parts: list[list[int] | None] = [None] if which.ids is None else [*sliced(sorted(set(which.ids)))]
    for part in parts:
        narrowed = wanted if part is None else wanted.where(outbox.c.id.in_(part))
        for id_, target, state in connection.execute(narrowed.order_by(outbox.c.id)):
            found.setdefault(target, {}).setdefault(state, []).append(id_)
    ids = [id_ for states in found.values() for several in states.values() for id_ in several]
    for some in sliced(ids):
        connection.execute(update(outbox).where(outbox.c.id.in_(some)).values(state="waiting", settled=None))
    return found


def _conditions(which: OutboxFilter) -> list[ColumnElement[bool]]:
    o = outbox.c
    pairs: list[tuple[Any, Any]] = [(o.target, which.target), (o.run, which.run), (o.state, which.state)]
    conditions = [column == value for column, value in pairs if value is not None]
    if which.since is not None:
        conditions.append(o.queued >= which.since)
    if which.until is not None:
        conditions.append(o.queued < which.until)
    return conditions
