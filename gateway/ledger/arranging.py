"""The queue of a target, brought in line with what is true of each set; the rules are those of `chains`.

Which sets an item carries is read from its bytes, and only where something that waits or is parked may have changed
since it was recorded. Where nothing has, this costs two small questions to the database.
"""

from __future__ import annotations

from bisect import bisect_left
from collections import defaultdict
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, NamedTuple, TypeAlias

from sqlalchemy import Connection, func, insert, select, update

from gateway.ledger.chains import CLOSING, OPEN, Carried, SetLife, Turn, Version, decide
from gateway.ledger.outbox import WAITING_AGAIN, content
from gateway.ledger.reading import sliced
from gateway.ledger.rows import SETTLED_FROM
from gateway.ledger.tables import outbox, runs, set_history, sets

Carries: TypeAlias = Callable[[str, bytes], Sequence[tuple[int, str]]]
"""From name and bytes of a record file: where the records of each set are in it (offset, 32 hex digits), in order."""

_SET_SLICE = 500
_TELLS = {
    "superseded": "A later version of it waits or was sent.",
    "cancelled": "It was taken back before it could have reached the receiver.",
}


class Item(NamedTuple):
    """An item of the outbox, as far as it matters here; the columns of the table."""

    id: int
    kind: str
    run: int
    name: str
    part: int
    start: int
    size: int
    split: int
    state: str
    reached: int
    form: str
    only: str
    without: str
    target: str
    attempts: int
    answered: int


@dataclass
class Situation:
    """What is known of a target's queue.

    Attributes:
        items: by number, those that carry one of the sets in `lives`.
        sets: all sets that each of them carries, in the order in which they stand there.
        lives: the sets that have changed since the oldest open item was recorded.
        carried: the items by set, as `decide` takes them.
    """

    items: dict[int, Item]
    sets: dict[int, list[str]]
    lives: dict[str, SetLife]
    carried: list[Carried]


def left_of(stands: Iterable[str], only: str, without: str) -> list[str]:
    """Which of the sets that stand in a stretch an item carries; each once, in order."""
    wanted = dict.fromkeys(stands)
    if only:
        named = set(only.split(","))
        return [each for each in wanted if each in named]
    left_out = set(without.split(",")) if without else set()
    return [each for each in wanted if each not in left_out]


def read(connection: Connection, target: str, kinds: Collection[str], carries: Carries) -> Situation | None:
    """The part of a target's queue in which something may have changed; None when nothing can have."""
    o = outbox.c
    here = (o.target == target, o.state.in_(OPEN), o.kind.in_(kinds))
    oldest = connection.execute(select(func.min(o.run)).where(*here)).scalar_one()
    if oldest is None:
        return None
    if connection.execute(select(sets.c.run).where(sets.c.changed_run >= oldest).limit(1)).first() is None:
        return None
    changed = [bytes(row[0]) for row in connection.execute(select(sets.c.identity).where(sets.c.changed_run >= oldest))]
    open_runs = set(connection.execute(select(o.run).where(*here).distinct()).scalars())
    lives = {
        identity: life
        for identity, life in lives_of(connection, changed, "fhir" if "fhir" in kinds else "oru").items()
        if any(version.run in open_runs for version in life.versions)
    }
    return _situation(connection, target, kinds, carries, lives) if lives else None


def lives_of(connection: Connection, identities: Collection[bytes], records: str) -> dict[str, SetLife]:
    """The lives of these sets, by identity, as far as there are records of a form ("fhir" or "oru")."""
    chains: dict[str, str] = {}
    versions: dict[str, dict[tuple[int, bool], Version]] = defaultdict(dict)
    started: dict[int, datetime] = {}
    for table in (set_history, sets):
        c = table.c
        columns = (c.identity, c.chain, c.run, c.retracted_run, c.revision, c.fhir, c.oru)
        for part in sliced(identities, _SET_SLICE):
            wanted = select(*columns).where(c.identity.in_(part)).order_by(c.identity, c.revision)
            for row in connection.execute(wanted):
                name = bytes(row.identity).hex()
                chains[name] = bytes(row.chain).hex() if row.chain is not None else name
                at = _begun(connection, started, row.run)
                made = Version(row.run, False, row.fhir, row.oru, at, row.revision)
                if getattr(made, records):
                    versions[name][row.run, False] = made
                if row.retracted_run is not None and versions[name]:
                    at = _begun(connection, started, row.retracted_run)
                    taken = Version(row.retracted_run, True, "", "", at, row.revision)
                    versions[name][row.retracted_run, True] = taken
    return {
        name: SetLife(name, chains[name], tuple(sorted(found.values(), key=lambda each: (each.run, each.retraction))))
        for name, found in versions.items()
        if found
    }


def _begun(connection: Connection, started: dict[int, datetime], run: int) -> datetime:
    """When a run began."""
    if run not in started:
        started[run] = connection.execute(select(runs.c.started).where(runs.c.id == run)).scalar_one()
    return started[run]


def _situation(
    connection: Connection, target: str, kinds: Collection[str], carries: Carries, lives: dict[str, SetLife]
) -> Situation:
    """Every item of the target that carries one of these sets, whatever became of it."""
    files: set[tuple[int, str]] = set()
    any_file: set[int] = set()
    for life in lives.values():
        for version in life.versions:
            if version.retraction:
                any_file.add(version.run)
            else:
                files |= {(version.run, name) for name in (version.fhir, version.oru) if name}
    by_file: dict[tuple[int, str], list[Item]] = defaultdict(list)
    columns = [outbox.c[name] for name in Item._fields]
    for part in sliced(sorted(any_file | {run for run, _ in files})):
        wanted = select(*columns).where(outbox.c.target == target, outbox.c.run.in_(part), outbox.c.kind.in_(kinds))
        for row in connection.execute(wanted.order_by(outbox.c.id)):
            if row.run in any_file or (row.run, row.name) in files:
                by_file[row.run, row.name].append(Item._make(row))
    found = Situation({}, {}, lives, [])
    for (run, name), items in by_file.items():
        # That a file is gone is told when it is to be sent.
        stands = sorted(carries(name, content(connection, run, name) or b""))
        if not any(identity in lives for _, identity in stands):
            continue
        first: dict[int, int] = {}
        for item in items:
            origin = first.setdefault(item.part, item.id)
            every = _carried(item, stands)
            order = (run, origin, item.split)
            own = [Carried(item.id, order, each, item.state, bool(item.reached), item.form)
                   for each in every if each in lives]  # fmt: skip
            if own:
                found.items[item.id], found.sets[item.id] = item, every
                found.carried += own
    return found


def _carried(item: Item, stands: Sequence[tuple[int, str]]) -> list[str]:
    """The sets that an item carries, of those that stand in its file."""
    inside = stands[bisect_left(stands, (item.start, "")) : bisect_left(stands, (item.start + item.size, ""))]
    return left_of([identity for _, identity in inside], item.only, item.without)


def blocked(situation: Situation, *, whole: bool = False) -> dict[int, int]:
    """The items that have to wait as a whole, each with the item that it waits for; nothing is changed."""
    turns = decide(situation.carried, situation.lives, whole=whole)
    return {
        item: turns[item, carried[0]].by
        for item, carried in situation.sets.items()
        if all(turns.get((item, each), Turn("send")).how == "blocked" for each in carried)
    }


def arrange(
    connection: Connection, target: str, kinds: Collection[str], carries: Carries, *, whole: bool = False
) -> dict[int, int]:
    """Bring a target's queue in line, in the transaction that is open; see `chains`.

    Returns:
        The items that wait and have their turn only after another: number -> number of that other.
    """
    while True:
        situation = read(connection, target, kinds, carries)
        if situation is None:
            return {}
        turns = decide(situation.carried, situation.lives, whole=whole)
        # What was divided is looked at again: its parts may now wait for one another.
        if not _rewrite(connection, situation, turns):
            return blocked(situation, whole=whole)


def _rewrite(connection: Connection, situation: Situation, turns: Mapping[tuple[int, str], Turn]) -> bool:
    """Change the items as was decided; whether any was."""
    changed = False
    now = datetime.now(UTC)
    for item in situation.items.values():
        if item.state not in OPEN:
            continue
        stays = (item.state, "" if item.form == "again" else item.form)
        groups: dict[tuple[str, str], list[str]] = {}
        for each in situation.sets[item.id]:
            turn = turns.get((item.id, each))
            if turn is None:
                group = stays
            elif turn.how == "send":
                group = ("waiting", turn.form)
            else:
                group = (turn.how, item.form if turn.how == "blocked" else "")
            groups.setdefault(group, []).append(each)
        if len(groups) == 1:
            ((state, form),) = groups
            values: dict[str, Any] = {}
            if state in CLOSING:
                values = _closed(state, now)
            elif state != "blocked" and form != stays[1]:
                values = {"form": form}
            if values:
                connection.execute(update(outbox).where(outbox.c.id == item.id).values(**values))
                changed = True
            continue
        going = [group for group in groups if group[0] not in CLOSING]
        keeper = stays if stays in groups else (going or [*groups])[0]
        pieces = []
        for (state, form), some in groups.items():
            if (state, form) == keeper or (state in CLOSING and going and not item.reached):
                # What cannot have reached the receiver and is left out leaves no row of its own.
                continue
            values = _closed(state, now) if state in CLOSING else {"form": form}
            pieces.append((some, values))
        kept = keeper[0] in CLOSING
        divide(connection, item, situation.sets[item.id], groups[keeper],
               _closed(keeper[0], now) if kept else {"form": keeper[1]}, pieces)  # fmt: skip
        changed = True
    return changed


def _closed(state: str, at: datetime) -> dict[str, Any]:
    return {"state": state, "settled": at, "code": state, "message": _TELLS[state], "detail": ""}


def divide(
    connection: Connection,
    item: Item,
    carried: Sequence[str],
    keeps: Collection[str],
    values: Mapping[str, Any],
    pieces: Sequence[tuple[Sequence[str], Mapping[str, Any]]],
) -> list[int]:
    """Divide an item by its sets; what is neither kept nor in a piece is left out.

    Args:
        connection: with the transaction that this is part of.
        item: as it is.
        carried: the sets that it carries.
        keeps: those that stay in it.
        values: columns of the item to be changed.
        pieces: sets and columns of each item that is divided from it; all else is as it is in the item.

    Returns:
        The numbers of the pieces.
    """
    o = outbox.c
    keeping = set(keeps)
    if item.only or len(keeping) * 2 < len(carried):
        cut = {"only": ",".join(each for each in carried if each in keeping), "without": ""}
    else:
        gone = [each for each in carried if each not in keeping]
        cut = {"without": ",".join([item.without, *gone] if item.without else gone)}
    own = connection.execute(select(outbox).where(o.id == item.id)).one()._asdict()
    del own["id"]
    connection.execute(update(outbox).where(o.id == item.id).values(**cut, **values))
    file = (o.run == item.run, o.name == item.name, o.target == item.target, o.part == item.part)
    last = connection.execute(select(func.max(o.split)).where(*file)).scalar_one()
    numbers = []
    for number, (some, changes) in enumerate(pieces, int(last) + 1):
        made = own | {"only": ",".join(some), "without": "", "split": number} | dict(changes)
        added = connection.execute(insert(outbox).values(**made))
        assert added.inserted_primary_key is not None
        numbers.append(int(added.inserted_primary_key[0]))
    return numbers


def carried(connection: Connection, items: Collection[int], carries: Carries) -> dict[int, list[str]]:
    """Which sets these items carry, by number."""
    found: dict[int, list[str]] = {}
    columns = [outbox.c[name] for name in Item._fields]
    by_file: dict[tuple[int, str], list[Item]] = defaultdict(list)
    for part in sliced(sorted(set(items))):
        for row in connection.execute(select(*columns).where(outbox.c.id.in_(part))):
            by_file[row.run, row.name].append(Item._make(row))
    for (run, name), several in by_file.items():
        stands = sorted(carries(name, content(connection, run, name) or b""))
        for each in several:
            found[each.id] = _carried(each, stands)
    return found


def row(connection: Connection, number: int) -> Item | None:
    """An item; None when there is none with this number."""
    columns = [outbox.c[name] for name in Item._fields]
    found = connection.execute(select(*columns).where(outbox.c.id == number)).one_or_none()
    return None if found is None else Item._make(found)


def carrying(
    connection: Connection, target: str, identities: Collection[str], carries: Carries
) -> dict[str, list[Item]]:
    """The items of a target that carry each of these sets (32 hex digits), the oldest version first."""
    found: dict[str, list[Item]] = {}
    names = [bytes.fromhex(each) for each in identities]
    for records, kinds in (("fhir", ("fhir",)), ("oru", ("oru", "batch"))):
        situation = _situation(connection, target, kinds, carries, lives_of(connection, names, records))
        for each in sorted(situation.carried, key=lambda each: each.order):
            found.setdefault(each.identity, []).append(situation.items[each.item])
    return found


def settle(
    connection: Connection, ids: Collection[int], action: str, message: str, carries: Carries, only: Collection[str]
) -> dict[str, list[int]]:
    """Carry out what a person decided about items; the numbers of those that were changed, by target."""
    now = datetime.now(UTC)
    values: dict[str, Any] = dict(WAITING_AGAIN)
    if action == "replay":
        values["form"] = "again"
    elif action != "release":
        state, words = {"park": ("parked", "Parked"), "skip": ("skipped", "Left out")}[action]
        values = {"state": state, "settled": now, "code": "by-hand", "message": f"{words} {message}", "detail": ""}
    changed: dict[str, list[int]] = defaultdict(list)
    wanted = set(only)
    for number in sorted(set(ids)):
        own = row(connection, number)
        if own is None or own.state not in SETTLED_FROM[action]:
            continue
        if wanted:
            every = carried(connection, [number], carries)[number]
            chosen = [each for each in every if each in wanted]
            if not chosen:
                continue
            if len(chosen) < len(every):
                rest = [each for each in every if each not in wanted]
                changed[own.target] += divide(connection, own, every, rest, {}, [(chosen, values)])
                continue
        connection.execute(update(outbox).where(outbox.c.id == number).values(**values))
        changed[own.target].append(number)
    return changed
