"""The monitor's own clock: how far it was off when a list was sent, and which entries are of an earlier time line.

Where a list shows the monitor's time and the true time of that moment is known, the difference is the clock's offset,
for every entry since the clock was last set. An entry from before that has no time that can be defended: nobody knows
how far the clock was off then. Such a change shows when times run backwards within a list, when an entry is later than
the monitor's own time, and in dates that clocks show after a reset.

Source of what is corrected and what is not: HL7 Personal Health Device Implementation Guide,
StructureDefinition-PhdCoincidentTimestampObservation, "Logic to report coincident timestamps"
(https://build.fhir.org/ig/HL7/phd). The guide corrects every difference; the limit is the mapping's.
"""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from typing import Literal, NamedTuple

from gateway.mapping.model import Clock, Time
from gateway.memo import Memo
from gateway.model import ClockPair, Moment, Noticed, OwnTime
from gateway.normalise.times import OFFSET_IN_TEXT, Around, TimeReader, fixed_offset, zone_for

State = Literal["in-step", "corrected", "left", "held", "unknown"]

CAPTURE_SLACK = 10
"""Seconds by which a list may have begun after the capture says it did: what a chunk may wait. No source."""

MIDNIGHTS = 3
"""So many entries, all at midnight and no other, are of a clock that does not run. Common practice, no source."""

_RESOLUTION = {"minute": 60, "second": 1}
_FRACTION = re.compile(r"\.\d+")
_SOURCES = {
    "columns": "the export itself",
    "capture": "the capture's own record of when the list began",
    "given": "stated by the user",
}
_DONE: dict[str, str] = {
    "corrected": "times were corrected",
    "left": "times were left as they are",
    "held": "times were held",
}


class Dump(NamedTuple):
    """What a list says of its clock, as texts of the export.

    Attributes:
        device: identifier of the monitor.
        shown: the monitor's own time when it sent the list.
        reference: the true time of that moment, where the export or its capture holds it.
    """

    device: str
    shown: str
    reference: str


class Standing(NamedTuple):
    """How a monitor's clock stood when it sent a list.

    Attributes:
        state: what becomes of times by this clock; `unknown` when it could not be compared.
        offset: seconds by which the clock was ahead, 0 when in step, None when not known.
        beyond: the offset is beyond the mapping's limit.
        shown: the monitor's own time.
        pair: the two times, for the records; None when one of them is not known.
        slack: seconds by which the true time of the moment may be later than the reference says.
    """

    state: State
    offset: int | None = None
    beyond: bool = False
    shown: Moment = Moment("")
    pair: ClockPair | None = None
    slack: int = 0


class Older(NamedTuple):
    """Which entries of a list have no defensible time.

    Attributes:
        line: the entry next to the last change of the clock, on its older side; 0 when none was recognised.
        newest_first: older entries stand further down the list.
        stopped: every entry stands at midnight.
    """

    line: int
    newest_first: bool
    stopped: bool = False

    def holds(self, line: int) -> Noticed | None:
        """What is to be said of an entry at this line, None when it is of the clock's current time line."""
        if self.stopped:
            return Noticed("clock-not-running", "every entry of the list stands at 00:00")
        if self.line and (line >= self.line if self.newest_first else line <= self.line):
            return Noticed("clock-reset-since", "the monitor's clock was set or reset after this entry")
        return None


class Succession:
    """The times of one list, one after the other as they stand in the export, in constant memory.

    Args:
        newest_first: the newest entry stands first.
        shown: the monitor's own time when it sent the list, by the same clock; not usable when not known.
    """

    def __init__(self, newest_first: bool, shown: Moment = Moment("")) -> None:  # noqa: B008
        self._newest_first = newest_first
        self._shown = shown
        self._last: Moment | None = None
        self._last_line = 0
        self._line = 0
        self._entries = 0
        self._midnights = 0

    def add(self, line: int, moment: Moment, *, counts: bool = True) -> None:
        """Take the next entry.

        Args:
            line: its line; lines rise.
            moment: its time by the monitor's clock.
            counts: it is an entry of its own, not a further row of the one before.
        """
        if any(noticed.rule == "time-clock-default" for noticed in moment.noticed):
            self._changed(line)
            self._last, self._last_line = None, line
            return
        # A local time that happened twice, or never, is no instant to compare with, however the mapping reads it.
        if not moment.fhir or moment.noticed:
            return
        if counts:
            self._entries += 1
            self._midnights += moment.fhir[11:19] == "00:00:00" and "." not in moment.fhir
        if self._shown.fhir and not self._shown.noticed and _later(moment, self._shown):
            self._changed(line)
        if self._last is not None:
            before, after = (moment, self._last) if self._newest_first else (self._last, moment)
            if _later(before, after):
                self._changed(self._last_line + 1 if self._newest_first else line - 1)
        self._last, self._last_line = moment, line

    def older(self) -> Older:
        """What was found out about the list so far."""
        stopped = self._entries >= MIDNIGHTS and self._midnights == self._entries
        return Older(self._line, self._newest_first, stopped)

    def _changed(self, line: int) -> None:
        """The clock was changed after the entry at `line`; of several changes the latest counts."""
        if self._newest_first:
            self._line = self._line or line
        else:
            self._line = max(self._line, line)


def _later(one: Moment, other: Moment) -> bool:
    """Whether a time is later than another by more than either is known to."""
    return one.epoch - other.epoch > max(_RESOLUTION.get(one.precision, 60), _RESOLUTION.get(other.precision, 60))


class ClockReader:
    """Compares the clocks of monitors and settles the times of their entries.

    Args:
        time: the mapping's `[time]` table; its `clock` must be there.
        received: when the export was received, as for `Around`.
        sent: when the lists were sent, where the mapping takes that for the reference.

    Raises:
        MappingError: a format or the zone cannot be used.
    """

    def __init__(self, time: Time, received: int | None, sent: datetime | None) -> None:
        assert time.clock is not None
        self._clock: Clock = time.clock
        self._around = Around(time, received)
        self._sent = sent
        self._zone = None
        if time.zone != OFFSET_IN_TEXT:
            self._zone = fixed_offset(time.zone) or zone_for(time.zone)
        self._shown = _reader(time, self._clock.formats)
        self._references = _reader(time, self._clock.reference_formats)
        self._standings: Memo[Dump, Standing] = Memo(self._compared)
        # A clock that is off shows times that cannot be: whether the true one can is for `settle` to ask.
        self.times = TimeReader(time, None)
        """Reads the times of entries, by the monitor's clock."""

    @property
    def newest_first(self) -> bool:
        """Whether the newest entry stands first in a list."""
        return self._clock.order == "newest-first"

    def compare(self, dump: Dump) -> Standing:
        """How the clock stood when the list was sent."""
        return self._standings[dump]

    def _compared(self, dump: Dump) -> Standing:
        if not self._clock.columns:
            return Standing("left")
        shown = self._shown.read(dump.shown)
        reference, slack = self._reference(dump.reference)
        if not (dump.device and shown.fhir and reference.fhir):
            return Standing("unknown", shown=shown)
        assert self._clock.limit_minutes is not None
        offset = shown.epoch - reference.epoch
        if -_RESOLUTION[shown.precision] < offset < slack:
            offset = 0
        beyond = abs(offset) > 60 * self._clock.limit_minutes
        state: State
        if not offset:
            state = "in-step"
        elif beyond and self._clock.policy != "report":
            state = "held"
        else:
            state = "corrected" if self._clock.policy == "correct" else "left"
        done = f"; {_DONE[state]}" if offset else ""
        source = _SOURCES[self._clock.reference or "columns"]
        remark = f"The monitor's clock was {spoken(offset)}{done}. Source of the true time: {source}."
        pair = ClockPair(shown.fhir, _displayed(shown.dtm), reference.fhir, reference.dtm, offset, remark)
        return Standing(state, offset, beyond, shown, pair, slack)

    def _reference(self, text: str) -> tuple[Moment, int]:
        """The true time at which the list was sent, and by how many seconds it may have been later."""
        if self._clock.reference == "columns":
            moment = self._references.read(text)
            return moment, _RESOLUTION.get(moment.precision, 60)
        known, slack = self._sent, 60
        if self._clock.reference == "capture":
            known, slack = datetime.fromisoformat(text) if text else None, CAPTURE_SLACK
        if known is None:
            return Moment(text), slack
        local = known.astimezone(self._zone or known.tzinfo).replace(microsecond=0)
        dtm = local.strftime("%Y%m%d%H%M%S%z")
        return Moment(text, local.isoformat(), dtm, int(local.timestamp()), "second"), slack

    def settle(self, moment: Moment, standing: Standing, older: Noticed | None = None) -> Moment:
        """The time of an entry after all that is known of the clock.

        Args:
            moment: the time as read from the entry.
            standing: how the clock stood when the list was sent.
            older: why the entry is of an earlier time line, if it is.

        Returns:
            The time to record, with the monitor's own in `own`; not usable, with the reason in `noticed`, when no
            time can be defended.
        """
        if not moment.fhir:
            return moment
        refused = older or self._refusal(moment, standing)
        if refused is None and standing.state == "corrected":
            moment = self._corrected(moment, standing)
        elif refused is None:
            moment = moment._replace(own=OwnTime(moment.fhir, moment.epoch, standing.pair))
        refused = refused or self._around.refusal(moment.epoch, moment.precision)
        if refused is not None:
            return Moment(moment.text, noticed=(*moment.noticed, refused))
        return moment

    def _refusal(self, moment: Moment, standing: Standing) -> Noticed | None:
        """Why the policy holds this time, or None."""
        policy = self._clock.policy
        if standing.state == "unknown" and policy != "report":
            return Noticed("clock-unknown", "the monitor's clock could not be compared with the true time")
        if standing.state == "held":
            what = f"the monitor's clock was {spoken(standing.offset or 0)}, beyond the mapping's limit"
            return Noticed("clock-beyond-limit", what)
        if standing.state == "corrected" and self._zone is not None and moment.fhir[-6:] != standing.shown.fhir[-6:]:
            return Noticed(
                "clock-change-between",
                "between this entry and the sending of the list clocks were changed to or from summer time; whether "
                "the monitor's clock, which was off, was changed with them cannot be told",
            )
        return None

    def _corrected(self, moment: Moment, standing: Standing) -> Moment:
        """Shift a time by the offset; a minute stays a whole minute, the one in which the shifted time lies."""
        assert standing.offset is not None
        exact = moment.epoch - standing.offset
        epoch = exact - exact % 60 if moment.precision == "minute" else exact
        fraction = _FRACTION.search(moment.fhir)
        try:
            zone = self._zone or datetime.fromisoformat(moment.fhir).tzinfo
            local = (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=epoch)).astimezone(zone)
        except OverflowError:
            return Moment(moment.text, noticed=(*moment.noticed, Noticed("time-impossible", "it is out of range")))
        part = fraction[0] if fraction else ""
        fhir, dtm = local.isoformat(), local.strftime("%Y%m%d%H%M")
        if moment.precision == "second":
            dtm += local.strftime("%S") + part[:5]
        unsure = _RESOLUTION[standing.shown.precision]
        own = OwnTime(
            moment.fhir,
            moment.epoch,
            standing.pair,
            epoch - exact + unsure,
            unsure + _RESOLUTION[moment.precision] + standing.slack,
        )
        return moment._replace(fhir=fhir[:-6] + part + fhir[-6:], dtm=dtm + local.strftime("%z"), epoch=epoch, own=own)


def spoken(offset: int) -> str:
    """An offset in words: "7 min ahead", "1 h 5 s behind"."""
    hours, rest = divmod(abs(offset), 3600)
    days, hours = divmod(hours, 24)
    minutes, seconds = divmod(rest, 60)
    parts = [f"{days:,} d"] if days else []
    parts += [f"{hours} h"] if hours else []
    parts += [f"{minutes} min"] if minutes else []
    parts += [f"{seconds} s"] if seconds else []
    return f"{' '.join(parts)} {'ahead' if offset > 0 else 'behind'}" if offset else "in step"


def _reader(time: Time, formats: list[str]) -> TimeReader:
    return TimeReader(time.model_copy(update={"formats": formats or time.formats}), None)


def _displayed(dtm: str) -> str:
    """A DTM without its offset."""
    return re.sub(r"[+-]\d{4}$", "", dtm)
