"""What a person sees of a hold before deciding about it: its values, why they wait, and what stands beside them.

Values are for those who may decide; patients are named nowhere here. Nothing is read again from the export: what was
understood is kept with the hold, and what the device measured before and after is in the ledger.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import UTC, datetime
from functools import cache
from typing import TYPE_CHECKING, NamedTuple

from gateway.checks import rules
from gateway.model import Outcome
from gateway.normalise.values import shown
from gateway.vocabulary import units, vitals

if TYPE_CHECKING:
    from gateway.ledger import Hold, Ledger

EXTREME = "outside-hold-limits"
"""The rule by which a value may be a true extreme, which should not wait behind what is merely untidy."""

_NEAR = 6 * 3600
"""Seconds before and after a hold in which the device's other sets are looked for (common practice, no source)."""


class HeldReading(NamedTuple):
    """One reading of a set of which something is held.

    Attributes:
        title: what was measured, for people.
        value: value and unit as they would be recorded, or the exported text where there is no value; "" for neither.
        outcome: what became of it.
    """

    title: str
    value: str
    outcome: Outcome

    def __str__(self) -> str:
        return f"{self.title} {self.value or 'without a value'}"


class Neighbour(NamedTuple):
    """A set that the same device gave shortly before or after.

    Attributes:
        time: when (UTC).
        readings: what was recorded, in words.
    """

    time: datetime
    readings: str


class HeldSet(NamedTuple):
    """A hold as it is shown.

    Attributes:
        hold: the hold.
        time: when it was measured (UTC); None when that is not known.
        reasons: slug and title of each rule that holds it.
        waiting: the readings that wait.
        others: the other readings of the set, with what became of them.
        before: the device's last recorded set before it, if one is near.
        after: the next one after it, if one is near.
    """

    hold: Hold
    time: datetime | None
    reasons: tuple[tuple[str, str], ...]
    waiting: tuple[HeldReading, ...]
    others: tuple[HeldReading, ...]
    before: Neighbour | None = None
    after: Neighbour | None = None


@cache
def _possible() -> frozenset[str]:
    """Slugs of the rules that hold what may be true."""
    return frozenset({EXTREME, *(slug for slug, rule in rules().items() if rule.unusual)})


def ordered(holds: Sequence[Hold]) -> list[Hold]:
    """Holds in the order in which they ask for a person: possible true extremes first, then the oldest."""
    return sorted(holds, key=lambda hold: (_possible().isdisjoint(hold.reasons.split(",")), hold.id))


def held_set(hold: Hold, ledger: Ledger | None = None) -> HeldSet:
    """A hold with what is decided on.

    Args:
        hold: the hold.
        ledger: asked for what the device measured before and after; None leaves that out.
    """
    waiting: list[HeldReading] = []
    others: list[HeldReading] = []
    for vital, text, value, unit, outcome in json.loads(hold.said or "[]"):
        known = vitals().get(vital)
        words = _words(vital, value, unit) if value else shown(text) if text.strip() else ""
        reading = HeldReading(known.title if known else "Undeclared", words, Outcome(outcome))
        (waiting if reading.outcome in (Outcome.HELD, Outcome.UNREADABLE) else others).append(reading)
    before, after = _neighbours(hold, ledger) if ledger is not None else (None, None)
    return HeldSet(
        hold,
        None if hold.epoch is None else datetime.fromtimestamp(hold.epoch, UTC),
        tuple((slug, rules()[slug].title if slug in rules() else slug) for slug in hold.reasons.split(",") if slug),
        tuple(waiting),
        tuple(others),
        before,
        after,
    )


def _words(vital: str, value: str, unit: str) -> str:
    known = vitals().get(vital)
    if known is not None and value in known.answers:
        return known.answers[value].title
    return f"{value} {units()[unit].display if unit in units() else unit}".rstrip()


def _neighbours(hold: Hold, ledger: Ledger) -> tuple[Neighbour | None, Neighbour | None]:
    from gateway.ledger import SetFilter

    if hold.epoch is None or not hold.device:
        return None, None
    which = SetFilter(device=hold.device, since=hold.epoch - _NEAR, until=hold.epoch + _NEAR + 1)
    before: Neighbour | None = None
    for each in ledger.sets(which):
        if each.identity == hold.identity or each.epoch == hold.epoch:
            continue
        found = Neighbour(datetime.fromtimestamp(each.epoch, UTC), _recorded(each.readings))
        if each.epoch > hold.epoch:
            return before, found
        before = found
    return before, None


def _recorded(readings: str) -> str:
    """The readings of a set in the ledger (`gateway.once.canonical`), in words."""
    found = []
    for part in readings.split(";"):
        vital, _, text = part.partition("=")
        known = vitals().get(vital)
        if known is not None and not text.startswith("absent:"):
            value, _, unit = text.partition(" ")
            found.append(f"{known.title} {_words(vital, value, unit.partition(' ')[0])}")
    return ", ".join(found)
