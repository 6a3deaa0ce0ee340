"""Times of entries that carry an age: so many minutes or seconds before their list was sent.

The anchor is the instant of sending. An age is a whole number of steps, so the time is known to one step: the true
instant lies within one step before the time computed. A wrong clock of the monitor does not matter here, nor does a
change to or from summer time between the reading and the sending; a lost anchor does, and then nothing can be said.
"""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta

from gateway.mapping.model import Time
from gateway.model import Moment, Noticed
from gateway.normalise.times import OFFSET_IN_TEXT, Around, fixed_offset, zone_for

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
        self.slack = anchor_step(time)
        self.resolution = max(self.step, self.slack)
        self._around = Around(time, received)
        self._zone = None
        if time.zone != OFFSET_IN_TEXT:
            self._zone = fixed_offset(time.zone) or zone_for(time.zone)

    def read(self, text: str, anchor: datetime | None) -> Moment:
        """The time of an entry.

        Args:
            text: the age as the export states it: a whole number of steps.
            anchor: the instant of sending, with its offset; None when it is not known.

        Returns:
            The time in the mapping's zone (in the anchor's offset when the mapping reads offsets from the text), to
            the minute for ages in minutes. Not usable, with the reason in `noticed`, when age or anchor is missing.
        """
        wanted = text.strip()
        if not wanted:
            return Moment(text, noticed=(Noticed("time-missing", "the entry has no age"),))
        if not _AGE.fullmatch(wanted):
            return Moment(text, noticed=(Noticed("age-unreadable", "the age is not a whole number"),))
        if anchor is None:
            return Moment(text, noticed=(Noticed("anchor-missing", "it is not known when the list was sent"),))
        instant = anchor.astimezone(UTC) - timedelta(seconds=int(wanted) * self.step)
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
