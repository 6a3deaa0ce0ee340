"""When a set was measured: one face, and three ways to know it.

| strategy | what an entry carries |
| --- | --- |
| TimeInText | a time as text |
| Age | so many steps before its list was sent |
| DeviceClock | a time as text by a monitor whose clock was compared with the true time |
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from operator import itemgetter
from typing import Protocol

from gateway.conversion.clocks import dump_of
from gateway.conversion.fields import Fields
from gateway.conversion.options import Options
from gateway.mapping import Mapping as MappingFile
from gateway.mapping.record import CAPTURE_TIME
from gateway.memo import Memo
from gateway.model import Moment, Noticed
from gateway.normalise.ages import AgeReader
from gateway.normalise.clocks import ClockReader, Dump, Older
from gateway.normalise.times import OFFSET_IN_TEXT, TimeReader, joined

STEPS = {"second": 1, "minute": 60, "day": 86400}
"""Seconds that a time of each precision may mean."""


class When(Protocol):
    """Knows when the sets of an export were measured."""

    def take_up(self, received: int | None, sent: datetime | None, older: Mapping[tuple[int, Dump], Older]) -> None:
        """Set what is known besides the export.

        Args:
            received: when it was received, in seconds since 1970-01-01T00:00:00Z; None when not known.
            sent: when the list was sent, where that was given.
            older: (export, list) -> which of its entries have no defensible time.
        """

    def moment(self, export: int, line: int, cells: list[str]) -> Moment:
        """The time of an entry."""

    def printed(self, moment: Moment, content: str) -> str:
        """The time as a part of the set's identity; `content` are the texts of its measurements."""

    def wall(self, moment: Moment) -> int:
        """The time by the export's own clock, as seconds since 1970-01-01T00:00:00 of that clock."""

    def span(self, moment: Moment) -> tuple[int, int]:
        """The stretch in which the true time lies: its start in seconds since 1970-01-01T00:00:00Z, its seconds."""


def when_of(mapping: MappingFile, fields: Fields, options: Options) -> When:
    """How to know the times of an export.

    Args:
        mapping: the mapping.
        fields: where the columns stand.
        options: for the times of receipt and of sending.
    """
    if mapping.time.age is not None:
        return Age(mapping, fields, options)
    if mapping.time.clock is not None:
        return DeviceClock(mapping, fields, options)
    return TimeInText(mapping, fields, options.received)


class TimeInText:
    """Each entry carries a time as text, in one column or several."""

    def __init__(self, mapping: MappingFile, fields: Fields, received: int | None) -> None:
        self._mapping = mapping
        self._received = received
        self._text = _text_at(fields.every(mapping.time.columns))
        self._moments: Memo[str, Moment] = Memo(TimeReader(mapping.time, received).read)
        self._on_the_wall = mapping.time.zone != OFFSET_IN_TEXT
        self._ahead: Memo[str, int] = Memo(_seconds)

    def take_up(self, received: int | None, sent: datetime | None, older: Mapping[tuple[int, Dump], Older]) -> None:
        """See `When.take_up`."""
        if received != self._received:
            self._received = received
            self._moments = Memo(TimeReader(self._mapping.time, received).read)

    def moment(self, export: int, line: int, cells: list[str]) -> Moment:
        """See `When.moment`."""
        return self._moments[self._text(cells)]

    def printed(self, moment: Moment, content: str) -> str:
        """See `When.printed`.

        It is the time as printed, without its zone: a zone corrected later in the mapping must not make another set
        of it. Where the text itself says which instant it is, that is what counts, however it is written.
        """
        if moment.instant and self._on_the_wall:
            return datetime.fromisoformat(moment.fhir).astimezone(UTC).isoformat()
        return self._without_zone(moment.fhir, moment.precision)

    def wall(self, moment: Moment) -> int:
        """See `When.wall`: the instant itself where the text carries its own offset."""
        return moment.epoch if moment.instant else self._wall(moment.fhir, moment.epoch)

    def span(self, moment: Moment) -> tuple[int, int]:
        """See `When.span`."""
        return moment.epoch, STEPS[moment.precision]

    def _without_zone(self, fhir: str, precision: str) -> str:
        return fhir[:-6] if self._on_the_wall and precision != "day" else fhir

    def _wall(self, fhir: str, epoch: int) -> int:
        if not self._on_the_wall:
            return epoch
        offset = fhir[10:][-6:]
        if not offset:
            return int(datetime.fromisoformat(f"{fhir}T00:00:00+00:00").timestamp())
        return epoch + self._ahead[offset]


class DeviceClock(TimeInText):
    """The monitor's clock was compared with the true time; the time by that clock stands in `Moment.own`."""

    def __init__(self, mapping: MappingFile, fields: Fields, options: Options) -> None:
        # A clock that is off shows times that cannot be: whether the true one can is for `settle` to ask.
        super().__init__(mapping, fields, None)
        self._reader = ClockReader(mapping.time, options.received, options.sent)
        self._received = options.received
        self._sent = options.sent
        self._older: Mapping[tuple[int, Dump], Older] = {}
        self._dump = dump_of(mapping, fields)
        self._settled: Memo[tuple[str, Dump, Noticed | None], Moment] = Memo(self._settle)

    def take_up(self, received: int | None, sent: datetime | None, older: Mapping[tuple[int, Dump], Older]) -> None:
        """See `When.take_up`."""
        self._older = older
        if (received, sent) != (self._received, self._sent):
            self._received, self._sent = received, sent
            self._reader = ClockReader(self._mapping.time, received, sent)
            self._settled.clear()

    def moment(self, export: int, line: int, cells: list[str]) -> Moment:
        """See `When.moment`."""
        dump = self._dump(cells)
        older = self._older.get((export, dump))
        return self._settled[self._text(cells), dump, older.holds(line) if older is not None else None]

    def _settle(self, key: tuple[str, Dump, Noticed | None]) -> Moment:
        text, dump, held = key
        return self._reader.settle(self._moments[text], self._reader.compare(dump), held)

    def printed(self, moment: Moment, content: str) -> str:
        """See `When.printed`.

        It is by the monitor's own clock, uncorrected: a list compared with another host's time holds the same sets.
        Source: HL7 Personal Health Device guide, notes on the identifier of PhdBaseObservation.
        """
        if moment.own is None:
            return super().printed(moment, content)
        return self._without_zone(moment.own.fhir, moment.precision)

    def wall(self, moment: Moment) -> int:
        """See `When.wall`."""
        return super().wall(moment) if moment.own is None else self._wall(moment.own.fhir, moment.own.epoch)

    def span(self, moment: Moment) -> tuple[int, int]:
        """See `When.span`: a corrected time is known less exactly than it looks."""
        if moment.own is None or not moment.own.width:
            return super().span(moment)
        return moment.epoch - moment.own.early, moment.own.width


class Age:
    """Each entry carries an age; the instant at which its list was sent is the anchor it counts from."""

    def __init__(self, mapping: MappingFile, fields: Fields, options: Options) -> None:
        time = mapping.time
        assert time.age is not None
        self._time = time
        self._received = options.received
        self._reader = AgeReader(time, options.received)
        self._age = fields.at(time.age.column)
        self._times = TimeReader(time, options.received)
        self._sent = options.sent
        self._anchor_in_columns = time.age.anchor == "columns"
        self._anchor_given = time.age.anchor == "given"
        self._anchor: Callable[[list[str]], str] = _no_text
        if time.age.anchor == "columns":
            self._anchor = _text_of(fields.every(time.columns))
        elif time.age.anchor == "capture" and fields.find(CAPTURE_TIME) >= 0:
            self._anchor = itemgetter(fields.find(CAPTURE_TIME))
        self._run = _Run("")
        self._moments: Memo[tuple[str, str], Moment] = Memo(self._read)

    def take_up(self, received: int | None, sent: datetime | None, older: Mapping[tuple[int, Dump], Older]) -> None:
        """See `When.take_up`."""
        if received != self._received:
            self._received = received
            self._reader, self._times = AgeReader(self._time, received), TimeReader(self._time, received)
            self._moments.clear()
        if sent != self._sent:
            self._sent = sent
            self._moments.clear()

    def moment(self, export: int, line: int, cells: list[str]) -> Moment:
        """See `When.moment`."""
        anchor, age = self._anchor(cells), cells[self._age]
        if self._out_of_order(age, anchor):
            message = "the ages go the other way here: another list may begin, whose heading is missing"
            return Moment(age, noticed=(Noticed("anchor-missing", message),))
        return self._moments[age, anchor]

    def _read(self, key: tuple[str, str]) -> Moment:
        age, text = key
        noticed: tuple[Noticed, ...] = ()
        anchor = self._sent if self._anchor_given else None
        if self._anchor_in_columns:
            sent = self._times.read(text)
            noticed = sent.noticed
            anchor = datetime.fromisoformat(sent.fhir) if sent.fhir and sent.precision != "day" else None
        elif text:
            anchor = datetime.fromisoformat(text)
        moment = self._reader.read(age, anchor)
        return moment._replace(noticed=(*noticed, *moment.noticed))

    def printed(self, moment: Moment, content: str) -> str:
        """See `When.printed`: an entry has no time of its own, so its instant and what it says stand in."""
        return f"{moment.epoch}\x1f{content}"

    def wall(self, moment: Moment) -> int:
        """See `When.wall`: the instant itself."""
        return moment.epoch

    def span(self, moment: Moment) -> tuple[int, int]:
        """See `When.span`."""
        return moment.epoch - self._reader.step + 1, self._reader.step + self._reader.slack

    def _out_of_order(self, age: str, anchor: str) -> bool:
        """Whether ages that rose in this list fall, or the other way round: then its anchor no longer holds.

        A list goes from new to old or from old to new. Where that turns, a second list has begun and its heading was
        lost on the way; nothing after that is sure until the next heading.
        """
        if anchor != self._run.anchor:
            self._run = _Run(anchor)
        run = self._run
        now = None if run.broken else self._reader.steps(age)
        if now is None:
            return run.broken
        step = 0 if run.age is None else (now > run.age) - (now < run.age)
        run.broken = step * run.direction < 0
        run.age, run.direction = now, run.direction or step
        return run.broken


@dataclass(slots=True)
class _Run:
    """The ages of one list so far: the last one, and whether they rise (1) or fall (-1)."""

    anchor: str
    age: int | None = None
    direction: int = 0
    broken: bool = False


def _text_at(positions: Sequence[int]) -> Callable[[list[str]], str]:
    """Takes the text of a time from an entry: verbatim from one column, joined from several."""
    return itemgetter(*positions) if len(positions) == 1 else _text_of(positions)


def _text_of(positions: Sequence[int]) -> Callable[[list[str]], str]:
    return lambda cells: joined([cells[position] for position in positions])


def _no_text(_: list[str]) -> str:
    return ""


def _seconds(offset: str) -> int:
    """Seconds of an offset such as "-05:00"."""
    return int(f"{offset[0]}1") * (int(offset[1:3]) * 3600 + int(offset[4:6]) * 60)
