"""Repeats among lists that are read more than once, where entries carry an age and no fixed time."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from itertools import pairwise

from gateway.checks import finding
from gateway.identity.dumps import Match, Stamp, align
from gateway.mapping.model import Memory
from gateway.model import Finding, Noticed
from gateway.records.repeats import Earlier, Key, Seen

_KEPT = 2_000
"""Entries remembered for each device, the newest."""


class Lists:
    """Remembers the lists of every device of a batch and aligns each new one with them.

    Args:
        tolerance: seconds; an entry's time can differ by less than this from one list to the next.
        memory: what the monitors keep, to notice lost entries.
    """

    earlier: Callable[[str], Sequence[tuple[Key, Earlier]]] | None = None
    """Gives the sets of a device that earlier runs recorded, oldest first, where there is a ledger."""

    def __init__(self, tolerance: int, memory: Memory | None = None) -> None:
        self._recorded: dict[bytes, Earlier] = {}
        self._tolerance = tolerance
        self._memory = memory or Memory()
        self._findings: list[Finding] = []
        self._known: dict[str, list[Key]] = {}
        self._used: dict[bytes, Key] = {}

    def close(self) -> None:
        """Forget everything."""
        self._known.clear()
        self._used.clear()

    def findings(self) -> list[Finding]:
        """What was noticed about lost entries since the last call."""
        found, self._findings = self._findings, []
        return found

    def _known_of(self, device: str) -> list[Key]:
        """The entries known of a device: at first those that earlier runs recorded."""
        known = self._known.get(device)
        if known is None:
            recorded = self.earlier(device) if self.earlier is not None else ()
            known = self._known[device] = [key for key, _ in recorded]
            self._used.update((key.identity, key) for key in known)
            self._recorded.update((key.identity, earlier) for key, earlier in recorded)
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
        self._findings.append(finding(Noticed(rule, message), export=until.export, line=until.line))

    def admit(self, keys: Sequence[Key]) -> dict[int, Seen]:
        """Take up one list; return, by position in `keys`, the entries that are not new.

        An entry of an earlier list is `same`; one of which nobody can tell is `undecided`; one that is new but has
        the identity, or the number and time, of another entry is neither.
        """
        seen: dict[int, Seen] = {}
        devices: dict[str, list[int]] = {}
        for position, key in enumerate(keys):
            devices.setdefault(key.device, []).append(position)
        for device, positions in devices.items():
            positions.sort(key=lambda position: keys[position].wall)
            known = self._known_of(device)
            matches = align(_stamps(known), _stamps([keys[position] for position in positions]), self._tolerance)
            self._look_for_losses(known, [keys[position] for position in positions], matches)
            for position, match in zip(positions, matches, strict=True):
                key = keys[position]
                if match.place >= 0:
                    first = known[match.place]
                    seen[position] = Seen(
                        first.export,
                        first.line,
                        not match.undecided,
                        match.undecided,
                        self._recorded.get(first.identity),
                    )
                elif match.undecided:
                    seen[position] = Seen(key.export, key.line, False, True)
            added: list[Key] = []
            for position in positions:
                if position in seen:
                    continue
                key = keys[position]
                first = self._of_same_number(known, key) or self._used.setdefault(key.identity, key)
                if first is not key:
                    seen[position] = Seen(first.export, first.line, False, earlier=self._recorded.get(first.identity))
                else:
                    added.append(key)
            known.extend(added)
            known.sort(key=lambda key: key.wall)
            del known[:-_KEPT]
        return seen


def _stamps(keys: Sequence[Key]) -> list[Stamp]:
    return [Stamp(key.wall, key.content + key.sequence.encode()) for key in keys]
