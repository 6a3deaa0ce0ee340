"""What the ledger knows of the sets of a batch: one look-up by place gives both repeats and other patients.

Most sets of a night are newer than anything the ledger has of their device, and are not looked up at all.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from types import MappingProxyType
from typing import NamedTuple, Protocol

from gateway.once.batch import Repeats
from gateway.once.lists import Listed, Lists
from gateway.once.source import (
    Close,
    Earlier,
    Key,
    Older,
    Other,
    Seen,
    Standing,
    Version,
    covers,
    given_out_as_preliminary,
    patient_digest,
    prints_of,
    same_measurement,
    stated,
)

_LATEST = 2_000
"""Sets of a device that a new list of it is aligned with."""

_DEVICES = 100_000

Patient = tuple[str, str]
"""System and identifier of a patient."""


class Ledger(Protocol):
    """What is asked of the ledger, for the sets of one namespace."""

    def at_places(self, places: Sequence[tuple[str, int]]) -> Sequence[Standing]:
        """The sets, recorded or retracted, at each device and printed time."""

    def of_nobody(self, identities: Sequence[bytes], places: Sequence[tuple[int, bytes]]) -> Sequence[Standing]:
        """Without a device: the sets of these identities, and those at each printed time of that content."""

    def latest(self, device: str, limit: int) -> Sequence[Standing]:
        """The newest sets of a device by their printed time, the newest first."""

    def versions(self, identity: bytes) -> Sequence[Version]:
        """Earlier versions of a set, the oldest first."""


def surviving(merged: Mapping[Patient, Patient], patient: Patient) -> Patient:
    """Whose identifier stands for a patient after all merges; a circle, which should not be there, is left alone."""
    seen = {patient}
    now = patient
    while now in merged:
        now = merged[now]
        if now in seen:
            return patient
        seen.add(now)
    return now


class Asked(NamedTuple):
    """What sets are asked about in.

    Attributes:
        export_run: the run that first read the export they stand in; 0 where there is none.
        reinstated: lines of retracted sets that a person has confirmed, or assigned, all the same.
    """

    export_run: int = 0
    reinstated: Collection[int] = ()


class Recorded:
    """Was this set seen before, in this batch or by an earlier run, in which version, and for whom?

    What is close in the ledger is looked for beside the newest set of each device only: where nights meet. Sets that
    arrive late, between two that are recorded, are compared with sets of their own batch alone.

    Args:
        seen: the sets or lists of this batch.
        ledger: what earlier runs recorded.
        run: number of the run under way.
        change: seconds within which people do not change places on a device; 0 leaves that out.
        merged: patients whose identifiers were merged, and who stands for them.
        corrections: what says something else than the ledger is accepted as a correction.
    """

    def __init__(
        self,
        seen: Repeats | Lists,
        ledger: Ledger,
        run: int,
        change: int = 0,
        merged: Mapping[Patient, Patient] = MappingProxyType({}),
        *,
        corrections: bool = False,
    ) -> None:
        self._seen = seen
        self._ledger = ledger
        self._run = run
        self._change = change
        self._merged = merged
        self._corrections = corrections
        self._newest: dict[str, Standing | None] = {}
        self._corrected = False
        self.asked = Asked()
        if isinstance(seen, Lists):
            seen.earlier = self.lists_of

    def admit(self, keys: Sequence[Key]) -> dict[int, Seen]:
        """Remember the keys; say, by position, what is known of those of which something is."""
        if isinstance(self._seen, Lists):
            return {position: self._completed(seen) for position, seen in self._seen.admit(keys).items()}
        newest = {device: self._newest_of(device) for device in {key.device for key in keys}}
        if not any(newest.values()):
            return self._seen.admit(keys)
        found = self._known(keys, newest)
        self._look_around(keys, newest, found)
        found = {position: self._completed(seen) for position, seen in found.items()}
        barred = {position for position, seen in found.items() if self._is_held(keys[position], seen)}
        rest: list[int] = []
        corrected: dict[bytes, Key] = {}
        for position, key in enumerate(keys):
            seen = found.get(position)
            earlier = seen.earlier if seen is not None else None
            if seen is not None and earlier is not None and not seen.same and self._adds_nothing(key, earlier):
                continue
            if seen is not None and earlier is not None and seen.same and earlier.moved and key.export:
                # It is another patient's by a person's decision, and nothing in this batch is compared with it.
                continue
            if seen is None or earlier is None or not seen.same or earlier.retracted or earlier.run == self._run:
                # What says something else than the ledger may say it twice in this batch.
                rest.append(position)
                if earlier is not None and self._corrections and key.export:
                    self._corrected = True
                    corrected.setdefault(key.identity, key)
            elif self._corrected:
                # What the ledger had before this batch said something else; one of the two is out of date.
                first = self._seen.first(key) or corrected.get(key.identity)
                if first is not None and first.export and first.content != key.content:
                    found[position] = Seen(first.export, first.line)
        marked = [number for number, position in enumerate(rest) if position in barred]
        for number, seen in self._seen.admit([keys[position] for position in rest], marked).items():
            position = rest[number]
            known = found.get(position)
            if known is not None and _stands(known) and not (seen.fresh or seen.same or seen.export):
                # What was taken up from holds and waits on says nothing against what is recorded.
                continue
            if known is None or not seen.fresh:
                found[position] = seen
            elif seen.other is not None and (known.other is None or known.other.run == self._run):
                found[position] = known._replace(other=seen.other)
            elif known.close is None and seen.close is not None:
                found[position] = known._replace(close=seen.close)
        return found

    def lists_of(self, device: str) -> list[Listed]:
        """The newest sets of a device that earlier runs recorded, oldest first, as a list is aligned with them."""
        latest = self._ledger.latest(device, _LATEST)
        here = [Listed(self._key(each), self._earlier(each)) for each in sorted(latest, key=lambda each: each.wall)]
        for number, each in enumerate(here):
            if each.earlier.retracted:
                chain = each.earlier.chain
                since = [row for row in latest if row.state == "recorded" and (row.chain or row.identity) == chain]
                if any(row.how == "person" for row in since):
                    here[number] = each._replace(earlier=each.earlier._replace(moved=True))
        return here

    def _known(self, keys: Sequence[Key], newest: Mapping[str, Standing | None]) -> dict[int, Seen]:
        """What earlier runs recorded at the places of the keys."""
        asked: list[tuple[str, int]] = []
        nobody: list[Key] = []
        for key in keys:
            last = newest[key.device]
            if last is None or key.wall > last.wall:
                continue
            if key.device:
                asked.append((key.device, key.wall))
            else:
                nobody.append(key)
        rows: list[Standing] = []
        if asked:
            rows += self._ledger.at_places(asked)
        if nobody:
            telling = [(key.wall, key.content) for key in nobody if key.telling]
            rows += self._ledger.of_nobody([key.identity for key in nobody], telling)
        if not rows:
            return {}
        at: dict[tuple[str, int], list[Standing]] = {}
        for row in rows:
            at.setdefault((row.device, row.wall), []).append(row)
        found: dict[int, Seen] = {}
        for position, key in enumerate(keys):
            here = at.get((key.device, key.wall))
            seen = self._compare(key, here) if here else None
            if seen is not None:
                found[position] = seen
        return found

    def _compare(self, key: Key, rows: Sequence[Standing]) -> Seen | None:
        """What the sets at a place are to a new one."""
        mine: Standing | None = None
        current: list[tuple[Standing, bool]] = []
        gone: list[Standing] = []
        for row in rows:
            if row.identity == key.identity:
                mine = row
                continue
            if (row.patient_system, row.patient) in self._merged:
                stands = surviving(self._merged, (row.patient_system, row.patient))
                renamed = patient_digest(*stands) == key.patient
            else:
                renamed = False
                if patient_digest(row.patient_system, row.patient) == key.patient:
                    continue
            if not same_measurement(key, self._key(row)):
                continue
            if row.state == "recorded":
                current.append((row, renamed))
            else:
                gone.append(row)
        seen = Seen(fresh=True)
        if mine is not None:
            earlier = self._earlier(mine)
            if earlier.retracted:
                chain = earlier.chain
                moved = any(row.how == "person" and (row.chain or row.identity) == chain for row, _ in current)
                earlier = earlier._replace(moved=moved)
            seen = Seen(same=mine.content == key.content, earlier=earlier)
            if seen.same and not earlier.retracted and key.export:
                return seen
        if current:
            row, renamed = current[0]
            if renamed and mine is None and row.content == key.content and key.export:
                # Recorded under an identifier of the same patient that has been merged since.
                return Seen(same=True, earlier=self._earlier(row))
            day = row.recorded_at.strftime("%Y-%m-%d")
            return seen._replace(other=Other(row.how, 0, 0, row.run, day, renamed))
        if gone and mine is None:
            row = gone[0]
            seen = seen._replace(chain=row.chain or row.identity)
            if row.reason == "wrong-patient":
                return seen
            return seen._replace(blocked=Other(row.how, 0, 0, row.run, row.recorded_at.strftime("%Y-%m-%d")))
        return seen if mine is not None else None

    def _is_held(self, key: Key, seen: Seen) -> bool:
        """Whether nothing of a set can be recorded, so that it is current for nobody."""
        if seen.other is not None and seen.other.run != self._run:
            return True
        if not key.export and key.line in self.asked.reinstated:
            return False
        earlier = seen.earlier
        return seen.blocked is not None or (earlier is not None and earlier.retracted and _is_old(key, earlier))

    def _adds_nothing(self, key: Key, earlier: Earlier) -> bool:
        """Whether all that a set says was recorded of it, in whichever version."""
        return not earlier.retracted and _is_old(key, earlier)

    def _look_around(self, keys: Sequence[Key], newest: Mapping[str, Standing | None], found: dict[int, Seen]) -> None:
        """A set of another patient close to the newest that the ledger has of the device."""
        if not self._change:
            return
        for position, key in enumerate(keys):
            last = newest[key.device]
            if last is None or not key.device or not key.export or key.step > 60:
                continue
            apart = abs(key.wall - last.wall)
            if apart >= self._change or last.state != "recorded":
                continue
            stands = surviving(self._merged, (last.patient_system, last.patient))
            seen = found.get(position, Seen(fresh=True))
            if patient_digest(*stands) != key.patient and seen.fresh and seen.other is None:
                found[position] = seen._replace(close=Close(apart, 0, 0, last.run))

    def _newest_of(self, device: str) -> Standing | None:
        newest = self._newest
        if device not in newest:
            if len(newest) >= _DEVICES:
                del newest[next(iter(newest))]
            newest[device] = next(iter(self._ledger.latest(device, 1)), None)
        return newest[device]

    def _completed(self, seen: Seen) -> Seen:
        """With the export that it is compared with."""
        if seen.earlier is None:
            return seen
        return seen._replace(earlier=seen.earlier._replace(read=self.asked.export_run))

    def _key(self, row: Standing) -> Key:
        stands = surviving(self._merged, (row.patient_system, row.patient))
        return Key(
            row.wall, row.identity, row.content, 0, 0, row.device, row.sequence, patient_digest(*stands), row.how,
            prints_of(stated(row.readings)), 1, not row.device,
        )  # fmt: skip

    def _earlier(self, row: Standing) -> Earlier:
        older = self._ledger.versions(row.identity) if row.revision > 1 else ()
        return Earlier(
            row.identity, row.run, row.recorded_at.strftime("%Y-%m-%d"), stated(row.readings), _keys(row),
            row.state == "retracted", row.revision,
            versions=tuple(
                Older(stated(each.readings), _keys(each), each.state == "retracted", each.replaced_run)
                for each in older
            ),
            chain=row.chain or row.identity, wrong_patient=row.reason == "wrong-patient",
            preliminary=given_out_as_preliminary([*older, row]), epoch=row.epoch,
        )  # fmt: skip


def _keys(version: Version | Standing) -> frozenset[str]:
    """The keys of the records of a version."""
    return frozenset(filter(None, version.keys.split(",")))


def _stands(seen: Seen) -> bool:
    """Whether a set says just what is recorded of it."""
    return seen.same and seen.earlier is not None and not seen.earlier.retracted


def _is_old(key: Key, earlier: Earlier) -> bool:
    """Whether a set says nothing that the one of its identity does not say, or has not said before."""
    return covers(b"".join(map(prints_of, earlier.ever)), key.said)
