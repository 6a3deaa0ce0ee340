"""Repeats among lists that are read more than once, where entries carry an age and no fixed time.

The place of an entry is known to a step only (`gateway.once.source` says what a place is), so that a vital in common is
not enough here: two patients may well follow each other within it. An entry is the same measurement as one of another
patient when the lists align there, that is, when what it says is wholly the same; or when it has the same number.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from itertools import pairwise
from typing import NamedTuple

from gateway.mapping.model import Memory
from gateway.model import Noticed
from gateway.once.alignment import Match, Stamp, align
from gateway.once.source import Close, Earlier, Key, Other, Seen, states_a_value

_KEPT = 2_000
"""Entries remembered for each device, the newest."""


class Listed(NamedTuple):
    """A set of a device that an earlier run recorded.

    Attributes:
        key: as the list gave it.
        earlier: what the ledger holds of it.
    """

    key: Key
    earlier: Earlier


class Loss(NamedTuple):
    """What was noticed about lost entries, and the place of the entry before which they are missing."""

    noticed: Noticed
    export: int
    line: int


_Group = tuple[str, bytes]


class Lists:
    """Remembers the lists of every device of a batch and aligns each new one with them.

    Args:
        tolerance: seconds; an entry's time can differ by less than this from one list to the next.
        memory: what the monitors keep, to notice lost entries.
        change: seconds within which people do not change places on a device; 0 leaves that out.
    """

    earlier: Callable[[str], Sequence[Listed]] | None = None
    """Gives the sets of a device that earlier runs recorded, oldest first, where there is a ledger."""

    def __init__(self, tolerance: int, memory: Memory | None = None, change: int = 0) -> None:
        self._recorded: dict[bytes, Earlier] = {}
        self._tolerance = tolerance
        self._memory = memory or Memory()
        self._change = change
        self._losses: list[Loss] = []
        # Where no device is known, the list of each patient is one of its own.
        self._known: dict[_Group, list[Key]] = {}
        self._used: dict[bytes, Key] = {}
        self._corrected: dict[bytes, Key] = {}
        # Measurement and patient -> the set that was taken back, where another patient has the measurement now.
        self._moved: dict[tuple[bytes, bytes], Earlier] = {}

    def close(self) -> None:
        """Forget everything."""
        self._known.clear()
        self._used.clear()
        self._corrected.clear()

    def losses(self) -> list[Loss]:
        """What was noticed about lost entries since the last call."""
        found, self._losses = self._losses, []
        return found

    def _known_of(self, group: _Group) -> list[Key]:
        """The entries known of a device: at first those that earlier runs recorded."""
        known = self._known.get(group)
        if known is None:
            device, patient = group
            recorded = self.earlier(device) if self.earlier is not None else ()
            if not device:
                recorded = [each for each in recorded if each.key.patient == patient]
            self._used.update((each.key.identity, each.key) for each in recorded)
            self._recorded.update((each.key.identity, each.earlier) for each in recorded)
            current = {each.earlier.chain for each in recorded if not each.earlier.retracted}
            gone = [each for each in recorded if each.earlier.retracted and each.earlier.chain in current]
            self._moved.update(((each.earlier.chain, each.key.patient), each.earlier) for each in gone)
            # One entry stands for one measurement: twins would leave every later list in doubt.
            known = self._known[group] = [each.key for each in recorded if each not in gone]
        return known

    def _of_same_number(self, known: Sequence[Key], key: Key) -> Key | None:
        """An entry of the same number and time that says something else: one of the two was damaged on the way."""
        if not key.sequence:
            return None
        for each in known:
            if each.sequence == key.sequence and abs(each.wall - key.wall) < self._tolerance:
                return each
        return None

    def _look_for_losses(self, known: Sequence[Key], listed: Sequence[Key], matches: Sequence[Match]) -> None:
        """A full list that does not reach back to the last one, and gaps in a regular cycle."""
        kept, cycle = self._memory.entries, self._memory.cycle_minutes
        apart = all(match.place < 0 and not match.undecided for match in matches)
        if kept is not None and known and len(listed) >= kept and apart and listed[0].wall > known[-1].wall:
            what = "the list is full and does not reach back to the last one: readings may be missing"
            self._lost("entries-lost", what, known[-1].wall, listed[0])
        if cycle is None:
            return
        for (before, after), match in zip(pairwise(listed), matches[1:], strict=True):
            if match.place < 0 and after.wall - before.wall >= 90 * cycle:
                what = f"no entry where one is expected every {cycle} minutes: readings may be missing"
                self._lost("cycle-missed", what, before.wall, after)

    def _lost(self, rule: str, what: str, since: int, until: Key) -> None:
        times = [datetime.fromtimestamp(epoch, UTC).strftime("%Y-%m-%d %H:%M") for epoch in (since, until.wall)]
        message = f"{what} between {times[0]} and {times[1]} UTC"
        self._losses.append(Loss(Noticed(rule, message), until.export, until.line))

    def admit(self, keys: Sequence[Key]) -> dict[int, Seen]:
        """Take up one list; return, by position in `keys`, the entries that are not new, or not only new.

        An entry of an earlier list is `same`; one of which nobody can tell is `undecided`; one that is new but has
        the identity, or the number and time, of another entry is neither. One that is in an earlier list for another
        patient, and current for that patient, is `other`.
        """
        seen: dict[int, Seen] = {}
        groups: dict[_Group, list[int]] = {}
        for position, key in enumerate(keys):
            groups.setdefault((key.device, b"" if key.device else key.patient), []).append(position)
        for group, positions in groups.items():
            positions.sort(key=lambda position: keys[position].wall)
            known = self._known_of(group)
            listed = [keys[position] for position in positions]
            matches = align(_stamps(known), _stamps(listed), self._tolerance)
            self._look_for_losses(known, listed, matches)
            if self._change and group[0]:
                self._look_around(positions, keys, seen)
            self._take(group, known, positions, keys, matches, seen)
        return seen

    def _take(
        self,
        group: _Group,
        known: list[Key],
        positions: Sequence[int],
        keys: Sequence[Key],
        matches: Sequence[Match],
        seen: dict[int, Seen],
    ) -> None:
        """Say of each entry of a list what is known of it, and remember those that are new."""
        added: list[Key] = []
        gone: list[Key] = []
        for position, match in zip(positions, matches, strict=True):
            key, close = keys[position], seen.get(position)
            if match.undecided:
                first = known[match.place] if match.place >= 0 else key
                seen[position] = Seen(
                    first.export, first.line, False, True,
                    self._recorded.get(first.identity) if match.place >= 0 else None,
                )  # fmt: skip
                continue
            if match.place >= 0 and known[match.place].patient == key.patient:
                first = known[match.place]
                seen[position] = Seen(first.export, first.line, True, earlier=self._recorded.get(first.identity))
                continue
            before = known[match.place] if match.place >= 0 else self._of_same_number(known, key)
            if before is None and not group[0]:
                before = self._without_device(key)
            if before is not None and before.patient != key.patient:
                seen[position] = found = self._of_other(key, before, close)
                if found.other is not None or found.blocked is not None:
                    continue
                # What was taken back makes room for it: both of them would leave every later list in doubt.
                gone.append(before)
                added.append(key)
                self._used[key.identity] = key
                continue
            first = before or self._used.setdefault(key.identity, key)
            if first is key:
                added.append(key)
                continue
            earlier = self._recorded.get(first.identity)
            if earlier is not None:
                # Of two corrections of one entry in one batch, the second is compared with the first.
                once = self._corrected.setdefault(first.identity, key)
                if once is not key:
                    seen[position] = Seen(once.export, once.line, once.content == key.content)
                    continue
            seen[position] = Seen(first.export, first.line, False, earlier=earlier)
        known[:] = [each for each in known if each not in gone]
        known.extend(added)
        known.sort(key=lambda key: key.wall)
        del known[:-_KEPT]

    def _of_other(self, key: Key, before: Key, close: Seen | None) -> Seen:
        """The same measurement stands for another patient."""
        earlier = self._recorded.get(before.identity)
        mine = self._recorded.get(key.identity)
        if mine is None and earlier is not None:
            mine = self._moved.get((earlier.chain, key.patient))
        seen = close or Seen(fresh=True)
        if mine is not None:
            seen = Seen(earlier=mine)
        if not states_a_value(before.said):
            # It was held itself, and is current for nobody.
            return seen
        if earlier is None:
            return seen._replace(other=Other(before.how, before.export, before.line))
        where = Other(before.how, 0, 0, earlier.run, earlier.day)
        if not earlier.retracted:
            return seen._replace(other=where)
        return seen._replace(chain=earlier.chain, blocked=None if earlier.wrong_patient else where)

    def _without_device(self, key: Key) -> Key | None:
        """An entry of another patient that is the same measurement, where no device is known."""
        if not key.telling:
            return None
        for (device, patient), known in self._known.items():
            if device or patient == key.patient:
                continue
            for each in known:
                if each.content == key.content and abs(each.wall - key.wall) < self._tolerance:
                    return each
        return None

    def _look_around(self, positions: Sequence[int], keys: Sequence[Key], seen: dict[int, Seen]) -> None:
        """Two patients on one device closer together than people change places, in one list."""
        for one, other in pairwise(positions):
            before, after = keys[one], keys[other]
            apart = after.wall - before.wall
            if before.patient != after.patient and apart < self._change:
                seen[other] = Seen(fresh=True, close=Close(apart, before.export, before.line))


def _stamps(keys: Sequence[Key]) -> list[Stamp]:
    return [Stamp(key.wall, key.content + key.sequence.encode("utf-8", "surrogatepass")) for key in keys]
