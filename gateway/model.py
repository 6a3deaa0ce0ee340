"""The words of the gateway as types: entry, reading, finding, outcome.

Text stays text until `gateway.normalise`; a value is a `Decimal` or an exact `Fraction`, never a float.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from decimal import Decimal
from enum import StrEnum
from fractions import Fraction
from typing import ClassVar, NamedTuple, TypeAlias

Entry: TypeAlias = tuple[int, list[str]]
"""One record of an export: its first line number (from 1) and its cells as verbatim text."""

BLANKS = " \t\r\n\u00a0\u202f\u2007\ufeff"
"""What may stand around the text of a cell and is no part of it."""

SPACES = " \N{NO-BREAK SPACE}\N{NARROW NO-BREAK SPACE}\N{THIN SPACE}"
"""What stands for a space in a value: between groups of three digits, and before a unit."""

_TO_SPACE = str.maketrans(SPACES, " " * len(SPACES))


def spaced(text: str) -> str:
    """The text of a value with plain spaces, and none around it."""
    return text.translate(_TO_SPACE).strip()


class Outcome(StrEnum):
    """What became of a reading: exactly one of these."""

    RECORDED = "recorded"
    HELD = "held"
    REPEAT = "repeat"
    ABSENT = "absent"
    UNREADABLE = "unreadable"


class Severity(StrEnum):
    """FHIR R4 IssueSeverity (http://hl7.org/fhir/issue-severity)."""

    # The gravest first: reports are sorted by this order.
    FATAL = "fatal"
    ERROR = "error"
    WARNING = "warning"
    INFORMATION = "information"

    @property
    def grave(self) -> bool:
        """Whether it is a reason for refusing."""
        return self in (Severity.FATAL, Severity.ERROR)


class Effect(StrEnum):
    """What a rule does to the readings it speaks of, by default or by the mapping's choice."""

    HOLD = "hold"
    FLAG = "flag"
    NOTE = "note"
    OFF = "off"


class LineKind(StrEnum):
    """Where a line of an export went; every line has exactly one kind."""

    ENTRY = "entry"
    CONTINUATION = "continuation"
    HEADER = "header"
    PREAMBLE = "preamble"
    FOOTER = "footer"
    REPEATED_HEADER = "repeated-header"
    LEFT_OUT = "left-out"
    BLANK = "blank"
    EVENT = "event"
    FRAMING = "framing"
    UNREADABLE = "unreadable"


class Noticed(NamedTuple):
    """What a check says about a text, a reading or a set, before it has a place.

    `message` never quotes a patient identifier or a whole row.
    """

    rule: str
    message: str


@dataclass(frozen=True, slots=True)
class Finding:
    """Something noticed about an entry, reading, set or batch, with its place.

    Attributes:
        rule: slug of the rule (`gateway rules` lists them).
        severity: FHIR IssueSeverity.
        effect: what it did to the readings concerned.
        message: what is wrong, without identifiers.
        export: position of the export in the batch, from 1; 0 for the batch itself.
        line: line in the export, from 1; 0 when the finding has no line.
        offset: byte offset in the export, from 0; -1 when not known.
        column: column name, or "" when the finding is about the whole entry.
        vital: key of the vital concerned, or "".
    """

    rule: str
    severity: Severity
    effect: Effect
    message: str
    export: int = 0
    line: int = 0
    offset: int = -1
    column: str = ""
    vital: str = ""


_FEET_AND_INCHES = "'\"\u2018\u2019\u201c\u201d\u2032\u2033"


@dataclass(slots=True, eq=False)
class Reading:
    """What one distinct text of one vital means: understood once, looked up for every entry after that.

    Attributes:
        vital: key of the vital in the vocabulary.
        text: the verbatim text of the cell (or of the named group).
        outcome: RECORDED until a check or the set decides otherwise; HELD, ABSENT or UNREADABLE as found.
        value: the number in the unit of the record, rounded once to the declared decimals; None when there is none.
        exact: the same number before rounding, in the unit of the record.
        unit: UCUM code of the unit of the record; "" for coded readings.
        comparator: "", "<", "<=", ">=" or ">".
        code: key of the coded answer for coded vitals, else "".
        site: key of the body site in the vocabulary, or "".
        method: key of the method in the vocabulary, or "".
        quality: "questionable" when the monitor itself doubts the value, else "".
        qualifiers: of the measurement, as (key, answer) of the vocabulary: mode, cuff, position.
        reason: FHIR data-absent-reason code when the outcome is ABSENT, else "".
        meaning: the mapping's words for an absent token, or "".
        source_value: the number as the text states it, in the exported unit; None when there is none.
        source_unit: UCUM code of the exported unit, or "".
        noticed: what the checks said.
        flagged: a check marked the value as questionable; it is recorded all the same.
    """

    vital: str
    text: str
    outcome: Outcome
    value: Decimal | None = None
    exact: Fraction | None = None
    unit: str = ""
    comparator: str = ""
    code: str = ""
    site: str = ""
    reason: str = ""
    meaning: str = ""
    source_value: Decimal | None = None
    source_unit: str = ""
    method: str = ""
    quality: str = ""
    qualifiers: tuple[tuple[str, str], ...] = ()
    noticed: tuple[Noticed, ...] = ()
    flagged: bool = False

    def exported_as(self, unit: str) -> str:
        """The verbatim text in quotes, with the name of the exported unit where the text says none itself.

        A two-part text is counted in its second part ("157 lb 8 oz" in ounces): that unit beside it would be wrong.
        """
        says_it = any(character.isalpha() or character in _FEET_AND_INCHES for character in self.text)
        return f'"{self.text}"' if says_it else f'"{self.text}" ({unit})'


class ClockPair(NamedTuple):
    """The monitor's own time when it sent a list, and the true time of that moment.

    Attributes:
        device_fhir: the monitor's time as a FHIR dateTime, with the offset of the mapping's zone.
        device_dtm: the same as an HL7 v2 DTM as displayed, without an offset.
        reference_fhir: the true time as a FHIR dateTime.
        reference_dtm: the same as a v2 DTM with its offset.
        offset: seconds by which the monitor's clock was ahead (negative: behind); 0 when it was in step.
        remark: where the true time is from and what was done, in words.
    """

    device_fhir: str
    device_dtm: str
    reference_fhir: str
    reference_dtm: str
    offset: int
    remark: str


class OwnTime(NamedTuple):
    """A time as the monitor's own clock had it, before any correction.

    Attributes:
        fhir: FHIR dateTime.
        epoch: seconds since 1970-01-01T00:00:00Z.
        pair: what the clock was compared with, or None.
        early: seconds before the moment's epoch from which the true instant may lie, when it was corrected.
        width: seconds from there in which it lies; 0 when the time was not corrected.
    """

    fhir: str
    epoch: int
    pair: ClockPair | None = None
    early: int = 0
    width: int = 0


class Moment(NamedTuple):
    """What one distinct time text means.

    Attributes:
        text: verbatim text.
        fhir: FHIR dateTime ("2026-03-14T09:30:00-05:00" or "2026-03-14"), "" when the time is not usable.
        dtm: HL7 v2 DTM ("202603140930-0500" or "20260314"), precision as in the text.
        epoch: seconds since 1970-01-01T00:00:00Z of the start of the moment; 0 when not usable.
        precision: "day", "minute" or "second".
        noticed: what was wrong with it, if anything.
        resolution: seconds to which the time is known, where that is coarser than it looks; 0: as its precision.
        own: the time by the monitor's own clock, where the mapping says something of that clock.
        instant: the text itself says which instant it is, whatever the mapping's zone.
    """

    text: str
    fhir: str = ""
    dtm: str = ""
    epoch: int = 0
    precision: str = ""
    noticed: tuple[Noticed, ...] = ()
    resolution: int = 0
    own: OwnTime | None = None
    instant: bool = False

    @property
    def known_to(self) -> str:
        """The resolution in words, such as "within 1 minute"; "" when the time is as its precision."""
        if not self.resolution:
            return ""
        count, unit = (self.resolution // 60, "minute") if self.resolution % 60 == 0 else (self.resolution, "second")
        return f"within {count} {unit}{'' if count == 1 else 's'}"


@dataclass(frozen=True, slots=True, eq=False)
class Party:
    """Somebody or something with an identifier: patient, device, operator, location, encounter.

    One object per distinct text and batch, so that renderers may remember what they made of it.
    """

    value: str
    system: str = ""
    authority: str = ""
    type: str = ""


class Revised(NamedTuple):
    """What is new in a set of which something was recorded before.

    Attributes:
        added: keys of the vitals that are recorded for the first time.
        corrected: keys of the vitals whose value changes.
        known: keys of the records (vitals or panels, as the FHIR renderer names them) that were recorded before.
        revision: which version of the set this is; what was recorded first is 1.
        unmeasured: those of `corrected` of which it was said last that they could not be measured: no result of them
            stands that could be corrected.
        preliminary: those of `corrected` and of `known` that were given out as preliminary only.
        withdrawn: keys of other records of it that were given out once and taken back; receivers have them still.
    """

    added: frozenset[str]
    corrected: frozenset[str]
    known: frozenset[str]
    revision: int = 2
    unmeasured: frozenset[str] = frozenset()
    preliminary: frozenset[str] = frozenset()
    withdrawn: frozenset[str] = frozenset()

    @property
    def given_out(self) -> frozenset[str]:
        """The records that a receiver may have, as they were or withdrawn: each is updated, and not created."""
        return self.known | self.withdrawn

    @property
    def replaced(self) -> frozenset[str]:
        """The vitals of which a final result was given out that now changes."""
        return self.corrected - self.unmeasured - self.preliminary


@dataclass(slots=True)
class SetItem:
    """A set ready to be rendered: one patient, one device, one time.

    Attributes:
        identity: 32 lower-case hex digits made from the source identity; the root of every record identifier.
        line: line of the set's first entry.
        readings: the readings that go into records: RECORDED ones and, where the mapping asks for
            failed measurements, ABSENT ones; in the order of the vocabulary.
        notes: free text carried from the export.
        revised: what is new in a set recorded before; `readings` then holds all that are or stay recorded.
    """

    identity: str
    line: int
    patient: Party
    moment: Moment
    readings: tuple[Reading, ...]
    device: Party | None = None
    operator: Party | None = None
    location: Party | None = None
    encounter: Party | None = None
    notes: tuple[str, ...] = ()
    revised: Revised | None = None


@dataclass(slots=True)
class Timeline:
    """Sets per device and stretch of time; coarser when there would be too many cells.

    Attributes:
        step: length of a stretch in seconds.
        cells: (device, epoch // step) -> number of sets.
    """

    step: int = 3600
    cells: Counter[tuple[str, int]] = field(default_factory=Counter)

    LIMIT: ClassVar[int] = 5000
    STEPS: ClassVar[tuple[int, ...]] = (3600, 86400, 604800, 31536000)

    def add(self, device: str, epoch: int, count: int = 1) -> None:
        """Count `count` sets of a device at `epoch` (seconds since 1970-01-01T00:00:00Z)."""
        self.cells[device, epoch // self.step] += count
        if len(self.cells) > self.LIMIT:
            self._coarsen()

    def merge(self, other: Timeline) -> None:
        """Add the counts of another time line."""
        for (device, cell), count in other.cells.items():
            self.add(device, cell * other.step, count)

    def _coarsen(self) -> None:
        coarser = [step for step in self.STEPS if step > self.step]
        if not coarser:
            return
        old, self.cells = self.cells, Counter()
        before, self.step = self.step, coarser[0]
        for (device, cell), count in old.items():
            self.cells[device, cell * before // self.step] += count


@dataclass(slots=True)
class Tally:
    """Everything counted while converting; tallies of blocks add up to the tally of the batch.

    Attributes:
        lines: lines by kind; their sum is the number of lines read.
        outcomes: (vital, outcome) -> readings; the vital is "" for entries that could not be read at all.
        readings: readings found, counted when they are read and before their outcome is known.
        sets: sets found.
        recorded_sets: sets of which at least one reading was recorded.
        rules: (rule, vital) -> findings, always complete.
        first: rule -> its first findings, at most `LISTED`.
        values: vital -> bin of the vocabulary's chart range -> recorded readings (`Vital.bin`).
        timeline: sets per device over time.
        records: kind of record ("Observation", "Bundle", "message", ...) -> records written.
    """

    lines: Counter[LineKind] = field(default_factory=Counter)
    outcomes: Counter[tuple[str, Outcome]] = field(default_factory=Counter)
    readings: int = 0
    sets: int = 0
    recorded_sets: int = 0
    rules: Counter[tuple[str, str]] = field(default_factory=Counter)
    first: dict[str, list[Finding]] = field(default_factory=dict)
    values: dict[str, Counter[int]] = field(default_factory=dict)
    timeline: Timeline = field(default_factory=Timeline)
    records: Counter[str] = field(default_factory=Counter)

    LISTED: ClassVar[int] = 20

    def note(self, finding: Finding) -> None:
        """Count a finding and keep it when it is among the first of its rule."""
        self.rules[finding.rule, finding.vital] += 1
        listed = self.first.setdefault(finding.rule, [])
        if len(listed) < self.LISTED:
            listed.append(finding)

    def merge(self, other: Tally) -> None:
        """Add another tally to this one; the other's findings come after this one's."""
        self.lines.update(other.lines)
        self.outcomes.update(other.outcomes)
        self.readings += other.readings
        self.sets += other.sets
        self.recorded_sets += other.recorded_sets
        self.rules.update(other.rules)
        for rule, findings in other.first.items():
            listed = self.first.setdefault(rule, [])
            listed.extend(findings[: self.LISTED - len(listed)])
        for vital, counts in other.values.items():
            self.values.setdefault(vital, Counter()).update(counts)
        self.timeline.merge(other.timeline)
        self.records.update(other.records)


@dataclass(slots=True)
class Block:
    r"""A stretch of one export that can be converted on its own: it never cuts a set in two.

    Attributes:
        export: position of the export in the batch, from 1.
        number: position of the block in the export, from 1.
        fields: column names, in the order of the cells.
        text: the lines of the block, decoded, each ended by "\n"; the last line of an export may lack it.
        first_line: line number of the first line (from 1).
        damaged: line numbers (from 1) of lines in this block that must not be read: undecodable, over-long, NUL inside.
        lines: lines already accounted for by the reader (header, preamble, ...), by kind.
        findings: what the reader noticed while cutting this block.
        context: header columns in force at the start of the block, where the form of export has such.
        captured: the chunks of a capture: the first line that begins in each, and the host's time (ISO 8601), by line.
        discarded: first lines of sets that a person has discarded.
        received: when an earlier run received the export, in seconds since 1970-01-01T00:00:00Z; None: with this run.
        numbers: the number of each line of `text`, where they do not follow each other; empty where they do.
        short: lines of entries whose sets may have lost a row in another block.
        cells: how many cells each row has, where the form has rows of cells; 0: as many as there are columns; below 0:
            nobody can say, and no row is read.
    """

    export: int
    number: int
    fields: tuple[str, ...]
    text: str
    first_line: int
    damaged: frozenset[int] = frozenset()
    lines: Counter[LineKind] = field(default_factory=Counter)
    findings: list[Finding] = field(default_factory=list)
    context: dict[str, str] = field(default_factory=dict)
    captured: tuple[tuple[int, str], ...] = ()
    discarded: frozenset[int] = frozenset()
    received: int | None = None
    numbers: tuple[int, ...] = ()
    short: frozenset[int] = frozenset()
    cells: int = 0

    def line_of(self, position: int) -> int:
        """The number of the line at a position of `text`, from 0."""
        return self.numbers[position] if self.numbers else self.first_line + position


@dataclass(slots=True)
class Parsed:
    """A block read into entries.

    Attributes:
        entries: the entries.
        lines: every line (of framed exports: byte) of the block, by kind.
        findings: what was noticed.
        lost: entries and records that could not be read; None where each unreadable line is one.
        incomplete: first lines of entries whose set may have lost a row that could not be read.
    """

    entries: list[Entry]
    lines: Counter[LineKind]
    findings: list[Finding]
    lost: int | None = None
    incomplete: frozenset[int] = frozenset()
