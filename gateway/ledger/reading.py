"""Questions to the ledger: sets, holds, the statements behind them."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Collection, Iterator, Sequence
from datetime import datetime
from itertools import islice
from typing import Any, TypeVar

from sqlalchemy import ColumnElement, Connection, ScalarSelect, Select, func, literal, select, text

from gateway.ledger.rows import Hold, HoldCounts, HoldFilter, KnownSet, SetFilter, SetRow, Standing
from gateway.ledger.tables import exports, holds, runs, set_history, sets

SLICE = 10_000
"""Values in one IN list: both databases take more, but not any number."""

RECEIPT = (runs.c.options, runs.c.started)
"""What `received_by` needs of a run."""

_T = TypeVar("_T")


def sliced(values: Collection[_T], size: int = SLICE) -> Iterator[list[_T]]:
    """The values in lists of at most `size`."""
    rest = iter(values)
    while part := list(islice(rest, size)):
        yield part


def received_by(options: str, started: datetime) -> int:
    """When a run received its exports, in seconds since 1970-01-01T00:00:00Z: as was said, else when it began."""
    said = json.loads(options).get("received")
    return int((datetime.fromisoformat(said) if said else started).timestamp())


def set_select() -> Select[Any]:
    """Sets as `KnownSet`."""
    return _sets_from(sets)


def history_select(identity: bytes) -> Select[Any]:
    """Earlier revisions of a set as `KnownSet`, the oldest first."""
    wanted = _sets_from(set_history).where(set_history.c.identity == identity)
    return wanted.order_by(set_history.c.revision)


def _sets_from(table: Any) -> Select[Any]:
    columns = [table.c[name] for name in SetRow._fields]
    return (
        select(*columns, table.c.export_id, exports.c.sha256, table.c.run, runs.c.started, table.c.state,
               table.c.revision)
        .join_from(table, exports, table.c.export_id == exports.c.id)
        .join(runs, table.c.run == runs.c.id)
    )  # fmt: skip


def known_sets(connection: Connection, identities: Sequence[bytes]) -> dict[bytes, KnownSet]:
    """The sets with these identities, whatever their state."""
    found: dict[bytes, KnownSet] = {}
    for part in sliced(identities):
        for row in connection.execute(set_select().where(sets.c.identity.in_(part))):
            known = KnownSet._make(row)
            found[known.identity] = known
    return found


def _standing() -> Select[Any]:
    """Sets as `Standing`."""
    elsewhere = {"recorded_at": runs.c.started, "reason": sets.c.retracted_reason}
    return select(*[elsewhere[name] if name in elsewhere else sets.c[name] for name in Standing._fields])


_HERE = f"""
    SELECT {", ".join(str(each) for each in _standing().selected_columns)}
    FROM asked CROSS JOIN sets JOIN runs ON sets.run = runs.id
    WHERE sets.namespace = :namespace AND sets.device = asked.device AND sets.wall = asked.wall
"""
_AT = {
    name: text(f"WITH asked AS ({asked}) {_HERE}").columns(*_standing().selected_columns)
    for name, asked in {
        "sqlite": "SELECT json_extract(value, '$[0]') AS device, json_extract(value, '$[1]') AS wall"
        " FROM json_each(:asked)",
        "postgresql": "SELECT * FROM unnest(CAST(:devices AS text[]), CAST(:walls AS bigint[])) AS each (device, wall)",
    }.items()
}
"""By dialect, the statement of `standing_at`."""


def _stand(connection: Connection, wanted: Select[Any]) -> list[Standing]:
    return [Standing._make(row) for row in connection.execute(wanted)]


def standing_at(connection: Connection, namespace: str, places: Collection[tuple[str, int]]) -> list[Standing]:
    """The sets at each device and printed time, in order of their identities."""
    # The places as a table that is gone through first: each then costs one look-up by the index. The statement is the
    # same for any number of them.
    asked = sorted(set(places))
    if connection.dialect.name == "sqlite":
        given: dict[str, Any] = {"asked": json.dumps(asked)}
    else:
        given = {"devices": [device for device, _ in asked], "walls": [wall for _, wall in asked]}
    found = connection.execute(_AT[connection.dialect.name], {"namespace": namespace, **given})
    return sorted(map(Standing._make, found))


def standing_of_nobody(
    connection: Connection, namespace: str, identities: Collection[bytes], places: Collection[tuple[int, bytes]]
) -> list[Standing]:
    """Sets of these identities, and those without a device at each printed time with that content."""
    joined = _standing().join_from(sets, runs, sets.c.run == runs.c.id)
    found: dict[bytes, Standing] = {}
    for part in sliced(sorted(set(identities))):
        found.update((each.identity, each) for each in _stand(connection, joined.where(sets.c.identity.in_(part))))
    for some in sliced(sorted(set(places)), 400):
        walls, contents = {wall for wall, _ in some}, {content for _, content in some}
        here = (
            sets.c.namespace == namespace,
            sets.c.device == "",
            sets.c.wall.in_(walls),
            sets.c.content.in_(contents),
        )
        found.update((each.identity, each) for each in _stand(connection, joined.where(*here)))
    return [found[identity] for identity in sorted(found)]


def standing_latest(connection: Connection, namespace: str, device: str, limit: int) -> list[Standing]:
    """The newest sets of a device by their printed time, the newest first."""
    joined = _standing().join_from(sets, runs, sets.c.run == runs.c.id)
    wanted = joined.where(sets.c.namespace == namespace, sets.c.device == device)
    order = (sets.c.wall.desc(), sets.c.export_id.desc(), sets.c.line.desc(), sets.c.identity)
    return _stand(connection, wanted.order_by(*order).limit(limit))


def set_selects(which: SetFilter) -> Iterator[Select[Any]]:
    """Statements whose rows together are the sets that are asked for, each in order of (epoch, identity)."""
    wanted = set_select().where(*_set_conditions(which)).order_by(sets.c.epoch, sets.c.identity)
    if which.identities is None:
        yield wanted
        return
    for part in sliced(set(which.identities)):
        yield wanted.where(sets.c.identity.in_(part))


def _set_conditions(which: SetFilter) -> list[ColumnElement[bool]]:
    pairs: list[tuple[Any, Any]] = [
        (sets.c.device, which.device),
        (runs.c.mapping_sha256, which.mapping_sha256),
        (runs.c.mapping_version, which.mapping_version),
        (runs.c.mapping_title, which.mapping_title),
        (sets.c.patient, which.patient),
        (sets.c.patient_system, which.patient_system),
        (sets.c.run, which.run),
        (sets.c.state, which.state),
    ]
    conditions = [column == value for column, value in pairs if value is not None]
    if which.since is not None:
        conditions.append(sets.c.epoch >= which.since)
    if which.until is not None:
        conditions.append(sets.c.epoch < which.until)
    return conditions


def first_reader(export_id: int) -> ScalarSelect[Any]:
    """The first run that read the bytes of an export, with whichever mapping."""
    own = select(exports.c.sha256).where(exports.c.id == export_id).scalar_subquery()
    return select(func.min(exports.c.first_run)).where(exports.c.sha256 == own).scalar_subquery()


def hold_select() -> Select[Any]:
    """Holds as `Hold`, in order of their ids."""
    c = holds.c
    return (
        select(c.id, c.block, c.line, c.device, c.epoch, c.identity, c.reasons, c.vitals, c.readings, c.export_id,
               exports.c.sha256, runs.c.mapping_title, runs.c.namespace, c.opened_run, runs.c.started, c.state,
               c.closed_run, c.closed_at, c.action, c.patient, runs.c.mapping_sha256, c.patient_system, c.said)
        .join_from(holds, exports, c.export_id == exports.c.id)
        .join(runs, c.opened_run == runs.c.id)
        .order_by(c.id)
    )  # fmt: skip


def hold_conditions(which: HoldFilter) -> list[ColumnElement[bool]]:
    """The conditions of a filter, without its ids."""
    pairs: list[tuple[Any, Any]] = [
        (holds.c.device, which.device),
        (runs.c.namespace, which.namespace),
        (runs.c.mapping_title, which.mapping_title),
        (holds.c.state, which.state),
    ]
    conditions = [column == value for column, value in pairs if value is not None]
    if which.reason is not None:
        among = literal(",").concat(holds.c.reasons).concat(",")
        conditions.append(among.contains(f",{which.reason},", autoescape=True))
    if which.older_than is not None:
        conditions.append(runs.c.started < which.older_than)
    return conditions


def read_holds(connection: Connection, which: HoldFilter) -> list[Hold]:
    """The holds that are asked for, in order of their ids."""
    wanted = hold_select().where(*hold_conditions(which))
    if which.ids is None:
        return [Hold._make(row) for row in connection.execute(wanted)]
    found: list[Hold] = []
    for part in sliced(sorted(set(which.ids))):
        found += [Hold._make(row) for row in connection.execute(wanted.where(holds.c.id.in_(part)))]
    return found


def hold_counts(connection: Connection, which: HoldFilter, now: datetime) -> HoldCounts:
    """Holds in numbers: by reason, device and age in whole days until `now`."""
    total = readings = 0
    reasons: Counter[str] = Counter()
    devices: Counter[str] = Counter()
    days: Counter[int] = Counter()
    for slugs, device, opened, count, held in _count_holds(connection, which):
        total += count
        readings += held
        devices[device] += count
        days[max(0, (now - opened).days)] += count
        for slug in filter(None, slugs.split(",")):
            reasons[slug] += count
    return HoldCounts(
        total, readings, dict(sorted(reasons.items())), dict(sorted(devices.items())), dict(sorted(days.items()))
    )


def _count_holds(connection: Connection, which: HoldFilter) -> Iterator[tuple[str, str, Any, int, int]]:
    """Reasons, device, opening, number of holds and of readings, for each kind of hold."""
    wanted = (
        select(holds.c.reasons, holds.c.device, runs.c.started, func.count(), func.sum(holds.c.readings))
        .join_from(holds, runs, holds.c.opened_run == runs.c.id)
        .where(*hold_conditions(which))
        .group_by(holds.c.reasons, holds.c.device, runs.c.started)
        .order_by(holds.c.reasons, holds.c.device, runs.c.started)
    )
    if which.ids is None:
        statements = [wanted]
    else:
        statements = [wanted.where(holds.c.id.in_(part)) for part in sliced(set(which.ids))]
    for statement in statements:
        for row in connection.execute(statement):
            yield row[0], row[1], row[2], int(row[3]), int(row[4])
