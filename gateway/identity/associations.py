"""Who was on which device from when to when: associations, asked for the one patient of a moment."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import defaultdict
from collections.abc import Iterable
from typing import NamedTuple

_SECOND = 1_000_000
_EDGES_KEPT = 20_000


class Association(NamedTuple):
    """One stretch of a patient on a device: from `start` up to, but not including, `end`.

    Attributes:
        start: microseconds since 1970-01-01T00:00:00Z.
        end: the same; None while it lasts.
        system: URI of the patient's identifier system; "" for the one the mapping names.
        validated: whether somebody has confirmed it.
    """

    device: str
    patient: str
    start: int
    end: int | None
    system: str = ""
    validated: bool = True


class Found(NamedTuple):
    """The patient of a moment; "" with the slug of the rule that says why there is none, and a message for it."""

    patient: str
    rule: str = ""
    message: str = ""
    system: str = ""


_UNKNOWN = Found("", "association-none", "No patient is associated with the device at any time")
_NONE = Found("", "association-none", "No patient is associated with the device at that time")
_UNVALIDATED = Found(
    "", "association-unvalidated", "1 patient is associated with the device at that time, and nobody has validated it"
)

_Who = tuple[str, str]


class Associations:
    """Finds the one patient who was on a device.

    Args:
        intervals: the associations, in any order. Intervals of one patient that overlap or touch are one stay: nobody
            is in doubt there.
        path: where they came from.
        sha256: hash of the file they came from, in lower-case hex digits.
    """

    def __init__(self, intervals: Iterable[Association], *, path: str = "", sha256: str = "") -> None:
        self.path = path
        self.sha256 = sha256
        self.count = 0
        by_device: dict[str, list[Association]] = defaultdict(list)
        for interval in intervals:
            by_device[interval.device].append(interval)
            self.count += 1
        self._held = {device: sorted(held, key=lambda each: each.start) for device, held in by_device.items()}
        self._stretches = {device: _stretches(held) for device, held in by_device.items()}
        self._changes: dict[tuple[str, int, int], Found] = {}

    def __len__(self) -> int:
        return self.count

    def find(self, device: str, epoch: int, width: int) -> Found:
        """Find who was on a device during a moment.

        Args:
            device: the device's identifier, trimmed.
            epoch: start of the moment, seconds since 1970-01-01T00:00:00Z.
            width: how long the moment may be, by the precision of its text: 1, 60 or 86400 seconds.

        Returns:
            The patient, when one and no other was on the device for the whole of the moment; else the rule:
            `association-none`, `association-several`, `association-unvalidated`, or `association-edge` when a change
            falls inside the moment. Messages count the patients who can be meant and name none.
        """
        stretches = self._stretches.get(device)
        if stretches is None:
            return _UNKNOWN
        edges, answers = stretches
        start = epoch * _SECOND
        end = start + max(width, 1) * _SECOND
        at = bisect_right(edges, start)
        if at == len(edges) or edges[at] >= end:
            return answers[at]
        asked = (device, start, end)
        found = self._changes.get(asked)
        if found is None:
            if len(self._changes) > _EDGES_KEPT:
                self._changes.clear()
            within = answers[at : bisect_left(edges, end) + 1]
            found = self._changes[asked] = _changing(self._held[device], within, start, end)
        return found


def _changing(held: list[Association], answers: list[Found], start: int, end: int) -> Found:
    """The answer for a moment inside which something changes."""
    possible = held[: bisect_left(held, end, key=lambda each: each.start)]
    count = len({(each.patient, each.system) for each in possible if each.end is None or each.end > start})
    if all(answer.rule == "association-several" for answer in answers):
        return _several(count)
    if count == 1 and all(answer.patient or answer.rule == "association-unvalidated" for answer in answers):
        return _UNVALIDATED
    nobody = any(answer.rule == "association-none" for answer in answers)
    return Found(
        "",
        "association-edge",
        "An association with the device begins or ends within the precision of the time; "
        + (f"{count} patients" if count > 1 else "1 patient")
        + (" or nobody" if nobody else "")
        + " can be meant",
    )


def _several(count: int) -> Found:
    return Found("", "association-several", f"{count} patients are associated with the device at that time")


def _stretches(held: list[Association]) -> tuple[list[int], list[Found]]:
    """Cut a device's time at every change: `answers[i]` holds from `edges[i - 1]` until `edges[i]`."""
    changes: dict[int, list[tuple[_Who, bool, int]]] = defaultdict(list)
    for interval in held:
        who = (interval.patient, interval.system)
        changes[interval.start].append((who, interval.validated, 1))
        if interval.end is not None:
            changes[interval.end].append((who, interval.validated, -1))
    edges: list[int] = []
    answers = [_NONE]
    present: dict[_Who, int] = {}
    validated: dict[_Who, int] = {}
    meant: set[_Who] = set()
    for at in sorted(changes):
        for who, sure, change in changes[at]:
            for counts in (present, validated) if sure else (present,):
                counts[who] = counts.get(who, 0) + change
                if not counts[who]:
                    del counts[who]
        answer = _NONE
        if len(present) > 1:
            answer = _several(len(present))
        elif present:
            patient, system = next(iter(present))
            answer = Found(patient, system=system) if validated else _UNVALIDATED
        # An answer that names nobody can be the same for others: one unvalidated patient follows another, or two follow
        # two. Who can be meant in a moment around the change depends on it.
        if answer != answers[-1] or present.keys() != meant:
            edges.append(at)
            answers.append(answer)
            meant = set(present)
    return edges, answers
