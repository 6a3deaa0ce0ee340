"""Times of entries that carry an age: so many minutes or seconds before their list was sent.

The anchor is the instant of sending. An age is a whole number of steps, so the time is known to one step: the true
instant lies within one step before the time computed. A wrong clock of the monitor does not matter here, nor does a
change to or from summer time between the reading and the sending; a lost anchor does, and then nothing can be said.
"""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta

from gateway.mapping.model import Time
from gateway.mapping.tables.time import AGE_UNITS
from gateway.model import Moment, Noticed
from gateway.normalise.times import LONGEST, OFFSET_IN_TEXT, Around, fixed_offset, zone_for
from gateway.patterns import Pattern

STEPS = {"minutes": 60, "seconds": 1}
_AGE = re.compile(r"[0-9]{1,7}")


def anchor_step(time: Time) -> int:
    """Seconds by which the instant of sending may be later than stated."""
    assert time.age is not None
    if time.age.anchor == "capture":
        return 10
    to_the_second = all("%S" in text for text in time.formats)
    return 1 if time.age.anchor == "columns" and to_the_second else 60


class AgeReader:
    """Reads ages against an anchor.

    Args:
        time: the mapping's `[time]` table; its `age` must be there.
        received: when the export was received, as for `Around`.

    Attributes:
        step: seconds in one step of an age.
        slack: seconds by which the instant of sending may be later than stated.
        resolution: seconds to which the times are known: the true one lies up to one step before, or by the slack
            behind.
    """

    def __init__(self, time: Time, received: int | None) -> None:
        assert time.age is not None
        self.step = STEPS[time.age.unit]
        self._pattern = Pattern(time.age.pattern) if time.age.pattern else None
        self.slack = anchor_step(time)
        self.resolution = max(self.step, self.slack)
        self._around = Around(time, received)
        self._zone = None
        if time.zone != OFFSET_IN_TEXT:
            self._zone = fixed_offset(time.zone) or zone_for(time.zone)

    def steps(self, text: str) -> int | None:
        """How many steps an age has; None where it is not written as the mapping says."""
        wanted = text.strip()
        if self._pattern is None:
            return int(wanted) if _AGE.fullmatch(wanted) else None
        cells = self._pattern.cells(wanted) if len(wanted) <= LONGEST else None
        stated = {unit: number for unit, number in (cells or {}).items() if number}
        if not stated or not all(_AGE.fullmatch(number) for number in stated.values()):
            return None
        return sum(int(number) * AGE_UNITS[unit] for unit, number in stated.items()) // self.step

    def read(self, text: str, anchor: datetime | None) -> Moment:
        """The time of an entry.

        Args:
            text: the age as the export states it.
            anchor: the instant of sending, with its offset; None when it is not known.

        Returns:
            The time in the mapping's zone (in the anchor's offset when the mapping reads offsets from the text), to
            the minute for ages in minutes. Not usable, with the reason in `noticed`, when age or anchor is missing.
        """
        wanted = text.strip()
        if not wanted:
            return Moment(text, noticed=(Noticed("time-missing", "the entry has no age"),))
        steps = self.steps(wanted)
        if steps is None:
            what = "is not a whole number" if self._pattern is None else "does not fit the mapping's pattern of ages"
            return Moment(text, noticed=(Noticed("age-unreadable", f"the age {what}"),))
        if anchor is None:
            return Moment(text, noticed=(Noticed("anchor-missing", "it is not known when the list was sent"),))
        try:
            instant = anchor.astimezone(UTC) - timedelta(seconds=steps * self.step)
        except OverflowError:
            return Moment(text, noticed=(Noticed("age-unreadable", "the age reaches back before there were years"),))
        epoch = int(instant.timestamp())
        refusal = self._around.refusal(epoch, "minute")
        if refusal is not None:
            return Moment(text, noticed=(refusal,))
        local = instant.astimezone(self._zone or anchor.tzinfo)
        precision = "minute" if self.step == 60 else "second"
        if self.step == 60:
            local = local.replace(second=0)
        local = local.replace(microsecond=0)
        digits = "%Y%m%d%H%M" if self.step == 60 else "%Y%m%d%H%M%S"
        return Moment(
            text, local.isoformat(), local.strftime(digits + "%z"), epoch, precision, resolution=self.resolution
        )
