"""The outbox: what a run leaves for its targets, in order, and what became of it.

An item names a record file of the ledger and a stretch of it, so nothing is kept twice. What is sent is byte for byte
what was recorded, unless that has changed in the meantime (see `chains`).
"""

from __future__ import annotations

import zlib
from collections.abc import Callable, Collection, Iterator, Sequence
from contextlib import AbstractContextManager
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, Connection, Select, bindparam, func, select, update

from gateway.errors import LedgerError
from gateway.ledger.reading import sliced
from gateway.ledger.rows import SETTLED_FROM, OutboxCount, OutboxFilter, OutboxItem, OutboxKind, SentPart, Waiting
from gateway.ledger.tables import contents, outbox, owners

WAITING_AGAIN = {"state": "waiting", "settled": None, "answered": 0}
COLUMNS = ("target", "kind", "run", "name", "part", "start", "size", "queued")
_WAITING = tuple(name for name in Waiting._fields if name != "data")
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
    return _waiting(reading, None, target, kinds, (), ())


def sending(
    reading: Callable[[], AbstractContextManager[Connection]],
    writing: Callable[[], AbstractContextManager[Connection]],
    target: str,
    kinds: Collection[str],
    passing: Collection[int],
    tried: Collection[int],
) -> Iterator[Waiting]:
    """The same for somebody who sends it: what is given may reach the receiver, and is marked before that.

    Many are marked at once. To be closed, which takes back the marks of those that are not in `tried`.

    Args:
        reading: a transaction that reads.
        writing: a transaction that writes.
        target: its name.
        kinds: what it can be sent.
        passing: numbers of items that do not have their turn.
        tried: numbers of those that were sent, kept up to date by the caller.
    """
    return _waiting(reading, writing, target, kinds, passing, tried)


def _waiting(
    reading: Callable[[], AbstractContextManager[Connection]],
    writing: Callable[[], AbstractContextManager[Connection]] | None,
    target: str,
    kinds: Collection[str],
    passing: Collection[int],
    tried: Collection[int],
) -> Iterator[Waiting]:
    last = 0
    held: dict[tuple[int, str], bytes] = {}
    o = outbox.c
    while True:
        with reading() as connection:
            rows = connection.execute(
                select(*(o[name] for name in _WAITING), o.start, o.size)
                .where(o.target == target, o.state == "waiting", o.kind.in_(kinds), o.id > last)
                .order_by(o.id)
                .limit(_AHEAD)
            ).all()
        if not rows:
            return
        last = rows[-1].id
        rows = [row for row in rows if row.id not in passing]
        marked = [row.id for row in rows if not row.reached] if writing is not None else []
        if writing is not None and marked:
            _mark(writing, marked, 1)
        try:
            yield from _with_data(reading, rows, held)
        finally:
            left = [id_ for id_ in marked if id_ not in tried]
            if writing is not None and left:
                _mark(writing, left, 0)


def _mark(writing: Callable[[], AbstractContextManager[Connection]], ids: Sequence[int], reached: int) -> None:
    with writing() as connection:
        here = (outbox.c.id.in_(ids), outbox.c.state == "waiting")
        connection.execute(update(outbox).where(*here).values(reached=reached))


def _with_data(
    reading: Callable[[], AbstractContextManager[Connection]], rows: Sequence[Any], held: dict[tuple[int, str], bytes]
) -> Iterator[Waiting]:
    """The rows with their bytes; `held` is the file that was read last."""
    for row in rows:
        file = (row.run, row.name)
        if file not in held:
            with reading() as connection:
                data = content(connection, *file)
            if data is None:
                raise LedgerError(
                    f"The ledger holds no record file {row.name!r} of run {row.run}, which waits to be sent",
                    todo="The ledger is damaged: put back a copy of it",
                )
            held.clear()
            held[file] = data
        values = {name: getattr(row, name) for name in _WAITING}
        yield Waiting(**values, data=held[file][row.start : row.start + row.size])


def content(connection: Connection, run: int, name: str) -> bytes | None:
    """A record file; None when there is none."""
    here = (contents.c.run == run, contents.c.name == name)
    packed = connection.execute(select(contents.c.data).where(*here)).scalar_one_or_none()
    return None if packed is None else zlib.decompress(packed)


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


_SETTLE = (
    update(outbox)
    .where(outbox.c.id == bindparam("item"), outbox.c.state == "waiting")
    .values(
        {
            name: bindparam(f"new_{name}")
            for name in ("state", "tried", "settled", "code", "message", "detail", "reached")
        }
        | {"attempts": outbox.c.attempts + 1, "answered": outbox.c.answered + bindparam("more")}
    )
)
"""Made once: one of these is executed for each message that is sent."""


def settle(connection: Connection, item: int, part: SentPart, at: datetime) -> bool:
    """Note what became of an item that waits; False when there is none with this number."""
    state = "waiting" if part.verdict == "later" else part.verdict
    given = {
        "item": item, "new_state": state, "new_tried": at, "new_settled": None if state == "waiting" else at,
        "new_code": part.code, "new_message": part.message, "new_detail": part.detail, "new_reached": int(part.reached),
        "more": int(part.answered and state != "delivered"),
    }  # fmt: skip
    return connection.execute(_SETTLE, given).rowcount == 1


def outcome(part: SentPart, at: datetime, attempts: int, answered: int) -> dict[str, Any]:
    """The columns of an item that was tried, with its attempts and answers until now."""
    state = "waiting" if part.verdict == "later" else part.verdict
    return {
        "state": state, "attempts": attempts + 1, "tried": at, "settled": None if state == "waiting" else at,
        "code": part.code, "message": part.message, "detail": part.detail, "reached": int(part.reached),
        "answered": answered + int(part.answered and state != "delivered"),
    }  # fmt: skip


def wait_again(connection: Connection, which: OutboxFilter) -> dict[str, dict[str, list[int]]]:
    """Let items wait to be sent once more; return their numbers by target and earlier state."""
    done = outbox.c.state.in_(SETTLED_FROM["replay"])
    found: dict[str, dict[str, list[int]]] = {}
    wanted = select(outbox.c.id, outbox.c.target, outbox.c.state).where(done, *_conditions(which))
    parts: list[list[int] | None] = [None] if which.ids is None else [*sliced(sorted(set(which.ids)))]
    for part in parts:
        narrowed = wanted if part is None else wanted.where(outbox.c.id.in_(part))
        for id_, target, state in connection.execute(narrowed.order_by(outbox.c.id)):
            found.setdefault(target, {}).setdefault(state, []).append(id_)
    ids = [id_ for states in found.values() for several in states.values() for id_ in several]
    for some in sliced(ids):
        connection.execute(update(outbox).where(outbox.c.id.in_(some)).values(**WAITING_AGAIN, form="again"))
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
