"""What a receiver may be sent next: decided for every set that an item of its queue carries, from plain rows.

A set is recorded, then perhaps corrected, taken back, recorded anew; each of these is a version, and the item of the
outbox that carries it comes from the run that made it. The sets of one measurement are a chain: one that was moved to
another patient has another identity there, and the same chain. For each target, these rules hold.

* Of several versions of a set that wait, only the last is sent; the others are superseded.
* A version is sent as it was recorded when the receiver has the version before it. Otherwise the whole set is sent as
  it is now: as a first word ("first") when nothing of it can have reached the receiver, else as a correction ("whole").
* What is parked holds back later versions of its set, and other sets of its chain, until a person or another answer
  settles it. Everything else goes on.
* A retraction is not held back: it supersedes what waits or is parked of the versions before it, and what was recorded
  after it is sent after it. Where nothing of the set can have reached the receiver, there is nothing to take back: all
  of it is cancelled, and what was recorded after it is a first word.
* A set that was moved here is not sent before the set that it was moved from has been taken back there.
* What is older than the receiver's state is never sent as it was recorded, whoever asks for it.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from typing import Literal, NamedTuple, TypeAlias

Order: TypeAlias = tuple[int, int, int]
"""Run, number of the item that a run queued, and of the piece that was divided from it."""

OPEN = ("waiting", "parked")
CLOSING = ("superseded", "cancelled")


class Version(NamedTuple):
    """One version of a set.

    Attributes:
        run: the run that made it.
        retraction: whether it took the set back.
        fhir: name of the record file with its FHIR records, "" for none; of a retraction it is not known.
        oru: the same for its HL7 v2 message.
        at: when that run began (UTC).
        revision: 1 for the first, one more for each that was recorded after it; a retraction has that of what it
            takes back.
    """

    run: int
    retraction: bool
    fhir: str
    oru: str
    at: datetime
    revision: int


class SetLife(NamedTuple):
    """All versions of a set, the oldest first.

    Attributes:
        identity: of the set, 32 hex digits.
        chain: identity of the first set of the measurement, likewise.
        versions: those of which there are records of the form that is asked about.
    """

    identity: str
    chain: str
    versions: tuple[Version, ...]

    @property
    def retracted(self) -> set[int]:
        """The runs that took it back."""
        return {each.run for each in self.versions if each.retraction}


class Carried(NamedTuple):
    """A set that an item carries.

    Attributes:
        item: number of the item.
        order: place of the item among those of its target; older versions come first.
        identity: of the set.
        state: of the item.
        reached: whether it may have reached the receiver.
        form: of the item; "again" for one that a person wants to be sent once more.
    """

    item: int
    order: Order
    identity: str
    state: str
    reached: bool
    form: str

    @property
    def run(self) -> int:
        """The run that made this version."""
        return self.order[0]


class Turn(NamedTuple):
    """What becomes of a set in an item.

    Attributes:
        how: "send" it, or leave it out because it is "superseded" or "cancelled", or let it wait because it is
            "blocked".
        form: in which form it is sent: "", "whole" or "first".
        by: number of the item that supersedes or blocks it, else 0.
    """

    how: Literal["send", "superseded", "cancelled", "blocked"]
    form: str = ""
    by: int = 0


def decide(
    carried: Iterable[Carried], lives: Mapping[str, SetLife], *, whole: bool = False
) -> dict[tuple[int, str], Turn]:
    """What becomes of each set in each open item of one target.

    Args:
        carried: every item that carries one of the sets, or did, whatever became of it.
        lives: the sets by their identity.
        whole: the target wants corrections as whole sets.

    Returns:
        By item and set; open ones that are not named stay as they are (those that are parked).
    """
    by_set: dict[str, list[Carried]] = defaultdict(list)
    for each in carried:
        by_set[each.identity].append(each)
    turns: dict[tuple[int, str], Turn] = {}
    left: dict[str, list[tuple[Order, Carried]]] = defaultdict(list)
    for identity, entries in by_set.items():
        life = lives[identity]
        entries.sort(key=lambda each: each.order)
        turns |= {(item, identity): turn for item, turn in _of_set(entries, life, whole).items()}
        for each in entries:
            turn = turns.get((each.item, identity))
            if each.state in OPEN and (turn is None or turn.how not in CLOSING):
                left[life.chain].append((_place(each, turn, life), each))
    for several in left.values():
        turns |= _across(several, turns, lives)
    return turns


def _of_set(entries: Sequence[Carried], life: SetLife, whole: bool) -> dict[int, Turn]:
    """What becomes of one set in each open item, by item."""
    current = life.versions[-1]
    open_ = [each for each in entries if each.state in OPEN]
    if not open_:
        return {}
    if current.retraction and not any(_may_have_reached(each) for each in entries):
        return {each.item: Turn("cancelled") for each in open_}
    turns: dict[int, Turn] = {}
    blocking: Carried | None = None
    back = _taken_back(entries, life)
    if back is not None:
        behind = [each for each in open_ if each.order < back.order]
        open_ = [each for each in open_ if each.order > back.order]
        if any(_may_have_reached(each) for each in entries if each.order < back.order):
            blocking = back
            turns |= {each.item: Turn("superseded", by=back.item) for each in behind}
            if back.state == "waiting":
                turns[back.item] = Turn("send", back.form if back.form != "again" else "")
        else:
            # Nothing is to be taken back: the receiver begins with what was recorded since.
            turn = Turn("superseded", by=open_[-1].item) if open_ else Turn("cancelled")
            turns |= {each.item: turn for each in [*behind, back]}
        if not open_:
            return turns
    *before, last = open_
    for each in before:
        if each.state == "waiting":
            turns[each.item] = Turn("superseded", by=last.item)
        else:
            blocking = blocking or each
    if last.state == "waiting":
        turns[last.item] = Turn("blocked", by=blocking.item) if blocking else _sent(last, entries, life, whole)
    return turns


def _taken_back(entries: Sequence[Carried], life: SetLife) -> Carried | None:
    """The newest retraction of a set that waits or is parked, unless the receiver may have what came after it."""
    runs = life.retracted
    open_ = [each for each in entries if each.state in OPEN and each.run in runs]
    if not open_ or any(_may_have_reached(each) for each in entries if each.order > open_[-1].order):
        return None
    return open_[-1]


def _sent(last: Carried, entries: Sequence[Carried], life: SetLife, whole: bool) -> Turn:
    """What becomes of the newest item of a set that waits, with nothing before it that is parked."""
    current = life.versions[-1]
    plain = last.form in ("", "again")
    others = (each for each in entries if each is not last)
    before = any(_may_have_reached(each) for each in others) or (last.reached and last.form != "first")
    as_it_is = Turn("send", "whole" if before else "first")
    if not plain:
        return as_it_is
    if last.run != current.run:
        newest = [each for each in entries if each.run == current.run and each.state == "delivered"]
        # Unless a person wants the receiver to get it again, it has what is newer.
        return Turn("superseded", by=newest[-1].item) if newest and last.form != "again" else as_it_is
    if current.retraction:
        return Turn("send")
    first = next(each.run for each in life.versions if not each.retraction)
    earlier = [each for each in entries if each.order < last.order]
    follows = earlier[-1].state == "delivered" if earlier else last.run == first
    return Turn("send") if follows and (last.run == first or not whole) else as_it_is


def _may_have_reached(each: Carried) -> bool:
    return each.reached or each.state == "delivered"


def _place(each: Carried, turn: Turn | None, life: SetLife) -> Order:
    """Where an item stands with what it says: a whole set says the newest version, however old the item."""
    whole = turn is not None and turn.how == "send" and turn.form
    return (max(life.versions[-1].run, each.run), *each.order[1:]) if whole else each.order


def _across(
    left: Sequence[tuple[Order, Carried]], turns: Mapping[tuple[int, str], Turn], lives: Mapping[str, SetLife]
) -> dict[tuple[int, str], Turn]:
    """Sets of a chain that have to wait for another set of it."""
    blocked: dict[tuple[int, str], Turn] = {}
    if len({each.identity for _, each in left}) < 2:
        return blocked
    for place, each in left:
        turn = turns.get((each.item, each.identity))
        life = lives[each.identity]
        if turn is None or turn.how != "send" or life.versions[-1].retraction or each.run in life.retracted:
            continue
        ahead = [
            (other_place, other.item)
            for other_place, other in left
            if other.identity != each.identity and other.item != each.item and other_place < place
        ]
        if ahead:
            blocked[each.item, each.identity] = Turn("blocked", by=min(ahead)[1])
    return blocked
