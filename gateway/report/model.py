"""What the report says, as typed data: every other form of the report is made from this one.

Counts are always complete. Only listings are capped, and each says how many there are in all. Text that came from
outside (file names, column names, devices, messages) is made safe to print the moment it enters a model: control
characters, direction overrides and broken Unicode are replaced, over-long text is cut with its length stated.
"""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from fractions import Fraction
from typing import Annotated, Any, Literal

from pydantic import AwareDatetime, BaseModel, BeforeValidator, ConfigDict, Field

from gateway import vocabulary
from gateway.mapping.model import Category, Plausibility
from gateway.model import Effect, Finding, LineKind, Outcome, Severity, Tally

FORMAT: Literal["spot-check-gateway-report/1"] = "spot-check-gateway-report/1"
SCHEMA_ID = "urn:spot-check-gateway:report:1"
MONITOR_EVENT = "monitor-event"
"""The rule whose findings are about the monitor itself, and about no reading."""

DEVICE_WITHHELD = "(looks like a patient's identifier)"
"""Stands for a device that may be a patient."""

DEVICES_LISTED = 40
"""How many devices the time line lists, those with the most sets first."""

CAUTIONS: tuple[str, ...] = (
    "This software is not a medical device. Do not use it for alarms, for continuous surveillance or for decisions "
    "about treatment: times and delivery may be late.",
    "Before a mapping or a plausibility limit is used on real patients, a qualified person signs it off and compares "
    "a sample of the records with the monitor's own display.",
    "Which readings belong to which patient follows the identification policy of the site.",
    "Local codes, the law and licensed practice come before anything this software does.",
)

_GRAVEST_FIRST = tuple(Severity)

_SPACES = re.compile(r"[\t\n\r\x0b\x0c\x85\u2028\u2029]+")
_UNSAFE = re.compile(
    r"[\x00-\x1f\x7f-\x9f\u200b-\u200f\u202a-\u202e\u2060-\u206f\ud800-\udfff\ufeff\ufff9-\ufffb\ufffe\uffff]"
    r"|[\U000e0000-\U000e007f]"
)


def tidy(text: str, limit: int = 200) -> str:
    """Make text from outside safe to show on a page, in a terminal and in JSON.

    Args:
        text: anything, including control characters and lone surrogates from odd file names.
        limit: the longest result, in characters; longer text is cut and its length stated.
    """
    shown = _UNSAFE.sub("\ufffd", _SPACES.sub(" ", text)).strip()
    if len(shown) <= limit:
        return shown
    note = f"… ({len(shown):,} characters)"
    return shown[: max(limit - len(note), 1)] + note


def _tidy_line(value: Any) -> Any:
    return tidy(value) if isinstance(value, str) else value


def _tidy_message(value: Any) -> Any:
    return tidy(value, 600) if isinstance(value, str) else value


Line = Annotated[str, BeforeValidator(_tidy_line)]
Message = Annotated[str, BeforeValidator(_tidy_message)]
Sha256 = Annotated[str, Field(pattern="^([0-9a-f]{64})?$", description="64 lower-case hex digits; empty: not known")]
Count = Annotated[int, Field(ge=0)]
Unit = Literal["line", "byte"]


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class FileInfo(_Part):
    """A file that was read, by name and hash."""

    name: Line = Field(description="file name without folders")
    sha256: Sha256 = ""
    bytes: Count | None = None


class WrittenFile(_Part):
    """A record file; it has no hash, for the hash of many gigabytes would cost the conversion more than a hundredth."""

    name: Line = Field(description="file name, with its folder inside the output folder")
    bytes: Count


class ExportInfo(_Part):
    """One export of the batch; findings name it by its position, from 1."""

    name: Line = Field(description="file name without folders")
    path: Message = Field(
        default="", description="the path as it was given; left out of reports unless identifiers are asked for"
    )
    sha256: Sha256 = ""
    bytes: Count = 0
    lines: Count = Field(
        default=0, description="lines (or bytes, see unit) counted while reading, before any was sorted by kind"
    )


class MappingInfo(_Part):
    """Which mapping the batch was read with."""

    title: Line
    version: Line
    file: Line = Field(default="", description="file name without folders")
    sha256: Sha256 = ""


class RuleInfo(_Part):
    """What a rule is about, in words."""

    slug: Line
    title: Message
    severity: Severity
    effect: Effect = Field(default=Effect.NOTE, description="what it did in this batch, after the mapping's choice")
    why: Message = ""
    todo: Message = ""


class HoldsInfo(_Part):
    """What became of the holds of earlier runs, where there is a ledger."""

    before: Count = Field(default=0, description="holds open before this batch")
    taken_up: Count = Field(description="sets held by earlier runs that were looked at again")
    released: Count = Field(description="of these, sets that are now recorded")
    repeats: Count = Field(description="of these, sets that had been recorded in the meantime")
    opened: Count = Field(description="sets of this batch that wait, wholly or in part, and did not wait before")
    open: Count = Field(description="holds open after this batch: before + opened - released - repeats")
    reasons: dict[Line, Count] = Field(default={}, description="open holds by the rule that holds them")
    corrected: Count = Field(default=0, description="sets of which a recorded value was corrected")
    readings: dict[Line, Count] = Field(
        default={}, description="readings of the sets that were taken up, by outcome; none of them is in the reckoning"
    )

    @property
    def adds_up(self) -> bool:
        """Whether every hold is accounted for."""
        return self.before + self.opened - self.released - self.repeats == self.open

    @property
    def sentence(self) -> str:
        """What became of the sets that were taken up; "" when there were none."""
        if not self.taken_up:
            return ""
        still = self.taken_up - self.released - self.repeats
        parts = [f"{self.released:,} released"]
        parts += [f"{self.repeats:,} recorded in the meantime"] if self.repeats else []
        parts += [f"{still:,} still held"] if still else []
        taken, recorded = counted(self.taken_up, "set"), counted(self.readings.get("recorded", 0), "reading")
        return f"{taken} taken up from holds, {', '.join(parts)}; {recorded} of them recorded."


class BatchInfo(_Part):
    """The circumstances of one batch."""

    gateway: Line = Field(description="version of the gateway")
    mapping: MappingInfo
    editions: dict[Line, Line] = Field(default={}, description="code tables and their editions")
    started: AwareDatetime
    finished: AwareDatetime
    options: dict[Line, Line] = Field(default={}, description="choices made for this batch")
    associations: FileInfo | None = Field(
        default=None, description="who was on which device, when such a list was used"
    )
    unit: Unit = Field(default="line", description="what the reckoning counts of an export")
    readings: Count | None = Field(
        default=None, description="readings counted on the way in; null: not counted separately"
    )
    files: list[WrittenFile] = Field(default=[], description="record files written, without hashes")
    holds: HoldsInfo | None = Field(default=None, description="work on holds; null: the batch used no ledger")
    failure: Message = Field(default="", description="why the batch stopped early; empty when it ran to its end")


class Verdict(_Part):
    """The one line to read when there is time for one line."""

    state: Literal["clean", "attention", "failed"]
    sentence: str


class LineReckoning(_Part):
    """Where every line, or every byte, of every export went."""

    unit: Unit = Field(default="line", description="what is counted: lines, or the bytes of framed captures")
    kinds: dict[LineKind, Count]
    total: Count = Field(description="sum of the kinds")
    read: Count = Field(description="lines or bytes read from the exports")
    adds_up: bool


class ReadingRow(_Part):
    """Readings of one vital by outcome."""

    vital: str = Field(description="key of the vital; empty for entries that could not be read at all, and for the sum")
    title: str
    recorded: Count
    held: Count
    repeat: Count
    absent: Count
    unreadable: Count
    total: Count


class ReadingReckoning(_Part):
    """What became of every reading."""

    rows: list[ReadingRow]
    all: ReadingRow
    found: Count | None = Field(description="readings counted on the way in; null: not counted separately")
    adds_up: bool


class Reckoning(_Part):
    """The proof that nothing was lost: lines in, readings in, and where they went."""

    lines: LineReckoning
    readings: ReadingReckoning
    sets: Count
    recorded_sets: Count = Field(description="sets of which at least one reading was recorded")


class Place(_Part):
    """Where a finding was made."""

    export: Count = Field(description="position of the export, from 1; 0: the batch as a whole")
    line: Count = Field(description="line, from 1, or record where bytes are counted; 0: no single one")
    offset: int = Field(description="byte offset, from 0; -1: not known", ge=-1)
    column: Line
    vital: Line
    effect: Effect
    message: Message


class RuleFindings(_Part):
    """All findings of one rule: complete counts, and the first places."""

    rule: Line
    title: Message
    severity: Severity
    effect: Effect
    why: Message
    todo: Message
    count: Count = Field(description="complete number of findings")
    vitals: dict[str, Count] = Field(description="complete number of findings by vital; '' for no single vital")
    places: list[Place] = Field(description="the first places only")
    capped: bool = Field(description="there are more places than are listed here; findings.csv has all of them")


class MonitorEvents(_Part):
    """What the exports say about the monitor itself: battery, paper, alarms. Never a reading."""

    count: Count = Field(description="complete number of events")
    listed: list[Place] = Field(description="the first events only")
    capped: bool = Field(description="there are more events than are listed here; findings.csv has all of them")


class Band(_Part):
    """An inclusive range."""

    low: float
    high: float


class VitalValues(_Part):
    """How the recorded values of one vital are spread, against the limits in use."""

    vital: str
    title: str
    unit: str = Field(description="unit as people write it")
    low: float = Field(description="left edge of the picture")
    high: float = Field(description="right edge of the picture")
    decimals: Count = Field(description="decimals usual for this vital")
    bins: list[Count] = Field(description="recorded readings in equal steps from low to high")
    below: Count = Field(description="recorded readings left of the picture")
    above: Count = Field(description="recorded readings right of the picture")
    count: Count
    category: str = Field(description="patient category of the limits; unknown: the widest of all")
    hold: Band | None = Field(description="values outside are held back")
    flag: Band | None = Field(description="values outside are told as unusual")
    source: str = Field(description="where the limits come from")


class Stretch(_Part):
    """Sets that began within one step of the time line."""

    start: datetime
    sets: Count


class DeviceSets(_Part):
    """The sets of one device over time."""

    device: Line = Field(description="identifier of the device; empty when the export names none")
    sets: Count
    cells: list[Stretch]


class TimelineReport(_Part):
    """Sets per device over time, in UTC."""

    step: Count = Field(description="length of a stretch in seconds")
    sets: Count = Field(description="complete number of sets on the time line")
    devices: Count = Field(description="complete number of devices")
    listed: list[DeviceSets] = Field(description="those with the most sets first")
    capped: bool = Field(description="there are more devices than are listed here")


ClockState = Literal["in-step", "corrected", "left", "held", "unknown", "not-compared"]


class ClockInfo(_Part):
    """How a monitor's clock stood when it sent one list."""

    export: Count = Field(description="position of the export, from 1")
    line: Count = Field(description="line of the list's first entry, or its record where bytes are counted")
    device: Line = Field(description="identifier of the monitor; empty when the list names none")
    shown: str = Field(description="the monitor's own time, as a FHIR dateTime; empty when not known")
    reference: str = Field(description="the true time of that moment, as a FHIR dateTime; empty when not known")
    offset: int | None = Field(
        description="seconds by which the monitor's clock was ahead, negative when behind; 0: in step; null: not known"
    )
    state: ClockState = Field(description="what was done with the times of the list")
    beyond: bool = Field(description="the offset is beyond the mapping's limit")
    reset: bool = Field(description="the clock was set or reset within the list: the entries before that are held")
    stopped: bool = Field(description="every entry stands at midnight: they are held")


class ClocksReport(_Part):
    """The clocks of the monitors, list by list."""

    count: Count = Field(description="complete number of lists whose clock was looked at")
    listed: list[ClockInfo] = Field(description="the first lists only")
    capped: bool = Field(description="there are more lists than are listed here")


class Report(_Part):
    """The report of one batch."""

    format: Literal["spot-check-gateway-report/1"] = FORMAT
    verdict: Verdict
    batch: BatchInfo
    seconds: float = Field(description="from start to finish", ge=0)
    exports: list[ExportInfo]
    reckoning: Reckoning
    findings: Count = Field(description="complete number of findings")
    rules: list[RuleFindings] = Field(description="the gravest first, then the most frequent")
    events: MonitorEvents
    clocks: ClocksReport
    values: list[VitalValues]
    timeline: TimelineReport
    records: dict[Line, Count] = Field(description="records written, by kind")
    cautions: list[str]

    @property
    def exit_status(self) -> int:
        """0 nothing held or unreadable, 1 something was, 2 the batch failed."""
        if self.verdict.state == "failed":
            return 2
        held = self.reckoning.readings.all
        unread = self.reckoning.lines.kinds[LineKind.UNREADABLE]
        return 1 if held.held or held.unreadable or unread else 0

    def for_writing(self, identifiers: bool = False) -> Report:
        """The report as it may be written: without the paths of the exports unless identifiers are asked for."""
        if identifiers:
            return self
        return self.model_copy(update={"exports": [e.model_copy(update={"path": ""}) for e in self.exports]})


def schema() -> dict[str, Any]:
    """The JSON Schema (2020-12) of report.json."""
    made = Report.model_json_schema(mode="serialization")
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", "$id": SCHEMA_ID, **made}


def build(
    info: BatchInfo,
    tally: Tally,
    exports: Sequence[ExportInfo],
    rules: Iterable[RuleInfo] = (),
    *,
    plausibility: Plausibility | None = None,
    category: Category = "unknown",
    clocks: Sequence[ClockInfo] = (),
    lists: int | None = None,
    patients: str = "",
) -> Report:
    """Put the report of a batch together.

    Args:
        info: the circumstances of the batch.
        tally: everything counted while converting.
        exports: the exports in the order in which findings number them.
        rules: words about the rules; a rule without words is reported by its slug.
        plausibility: the mapping's limits, for the pictures; None for the vocabulary's proposal.
        category: patient category when the mapping fixes one; "unknown" draws the widest limits.
        clocks: how the monitors' clocks stood, list by list; the first lists are enough.
        lists: how many lists there were in all; None for those given.
        patients: regular expression that a whole identifier of a patient fits; "" where none is declared.
    """
    withheld = _patients_among(tally, clocks, patients)
    lines = _lines(tally, exports, info.unit)
    readings = _readings(tally, info.readings)
    found = _findings(tally, {rule.slug: rule for rule in rules})
    return Report(
        verdict=_verdict(info, lines, readings, found),
        batch=info,
        seconds=max((info.finished - info.started).total_seconds(), 0.0),
        exports=list(exports),
        reckoning=Reckoning(lines=lines, readings=readings, sets=tally.sets, recorded_sets=tally.recorded_sets),
        findings=sum(tally.rules.values()),
        rules=found,
        events=_events(found),
        clocks=ClocksReport(
            count=len(clocks) if lists is None else lists,
            listed=[each.model_copy(update={"device": withheld.get(each.device, each.device)}) for each in clocks],
            capped=lists is not None and lists > len(clocks),
        ),
        values=_values(tally, plausibility or Plausibility(), category),  # type: ignore[call-arg, unused-ignore]
        timeline=_timeline(tally, withheld),
        records=dict(sorted(tally.records.items())),
        cautions=list(CAUTIONS),
    )


def counted(number: int, one: str, many: str = "") -> str:
    """A number with its noun: "1 reading", "1,234 readings"."""
    return f"{number:,} {one if number == 1 else many or one + 's'}"


def records_in_words(records: Mapping[str, int]) -> str:
    """How many records of each kind: "1 Bundle, 27 Observations, 7 ORU messages"."""
    parts = []
    for kind, count in records.items():
        noun, of, rest = kind.partition(" of ")
        parts.append(counted(count, kind, f"{noun}s{of}{rest}"))
    return ", ".join(parts)


def device_shown(device: str, patient: str) -> str:
    """A device as reports may name it, where `patient` is the identifier beside it.

    Columns that moved put the patient's identifier where the device belongs.
    """
    # Shorter ones stand in the names of many devices, as in findings.
    return DEVICE_WITHHELD if len(patient) > 2 and patient in device else device


def _lines(tally: Tally, exports: Sequence[ExportInfo], unit: Unit) -> LineReckoning:
    kinds = {kind: tally.lines[kind] for kind in LineKind}
    total = sum(kinds.values())
    read = sum(export.lines for export in exports)
    return LineReckoning(unit=unit, kinds=kinds, total=total, read=read, adds_up=total == read)


def _row(vital: str, title: str, outcomes: Mapping[Outcome, int]) -> ReadingRow:
    counts = {outcome.value: outcomes.get(outcome, 0) for outcome in Outcome}
    return ReadingRow(vital=vital, title=title, total=sum(counts.values()), **counts)


def _readings(tally: Tally, found: int | None) -> ReadingReckoning:
    by_vital: dict[str, dict[Outcome, int]] = defaultdict(dict)
    sums: dict[Outcome, int] = defaultdict(int)
    for (vital, outcome), count in tally.outcomes.items():
        by_vital[vital][outcome] = count
        sums[outcome] += count
    known = vocabulary.vitals()
    order = [key for key in known if key in by_vital] + sorted(key for key in by_vital if key and key not in known)
    rows = [_row(key, known[key].title if key in known else key, by_vital[key]) for key in order]
    if "" in by_vital:
        rows.append(_row("", "Entries that could not be read", by_vital[""]))
    everything = _row("", "All readings", sums)
    return ReadingReckoning(rows=rows, all=everything, found=found, adds_up=found is None or found == everything.total)


def _place(finding: Finding) -> Place:
    return Place(
        export=finding.export,
        line=finding.line,
        offset=max(finding.offset, -1),
        column=finding.column,
        vital=finding.vital,
        effect=finding.effect,
        message=finding.message,
    )


def _findings(tally: Tally, words: Mapping[str, RuleInfo]) -> list[RuleFindings]:
    by_rule: dict[str, dict[str, int]] = defaultdict(dict)
    for (rule, vital), count in tally.rules.items():
        by_rule[rule][vital] = count
    found = []
    for rule, vitals in by_rule.items():
        first = tally.first.get(rule, [])
        about = words.get(rule)
        if about is None:
            severity = first[0].severity if first else Severity.ERROR
            effect = first[0].effect if first else Effect.NOTE
            about = RuleInfo(slug=rule, title=rule, severity=severity, effect=effect)
        count = sum(vitals.values())
        found.append(
            RuleFindings(
                rule=rule,
                title=about.title,
                severity=about.severity,
                effect=about.effect,
                why=about.why,
                todo=about.todo,
                count=count,
                vitals=dict(sorted(vitals.items())),
                places=[_place(finding) for finding in first],
                capped=count > len(first),
            )
        )
    found.sort(key=lambda item: (_GRAVEST_FIRST.index(item.severity), -item.count, item.rule))
    return found


def _events(found: Sequence[RuleFindings]) -> MonitorEvents:
    for item in found:
        if item.rule == MONITOR_EVENT:
            return MonitorEvents(count=item.count, listed=item.places, capped=item.capped)
    return MonitorEvents(count=0, listed=[], capped=False)


def _verdict(
    info: BatchInfo, lines: LineReckoning, readings: ReadingReckoning, found: Sequence[RuleFindings]
) -> Verdict:
    every = readings.all
    if info.failure:
        return Verdict(state="failed", sentence=f"The batch stopped before its end: {info.failure.rstrip('.')}.")
    if not lines.adds_up:
        return Verdict(
            state="failed",
            sentence=f"The {lines.unit}s do not add up: {lines.read:,} read, {lines.total:,} accounted for. "
            "Do not rely on this batch; report it as a fault of the gateway.",
        )
    if not readings.adds_up:
        return Verdict(
            state="failed",
            sentence=f"The readings do not add up: {readings.found:,} found, {every.total:,} accounted for. "
            "Do not rely on this batch; report it as a fault of the gateway.",
        )
    if info.holds is not None and not info.holds.adds_up:
        held_sets = info.holds
        return Verdict(
            state="failed",
            sentence=f"The holds do not add up: {held_sets.before:,} before, {held_sets.opened:,} opened, "
            f"{held_sets.released + held_sets.repeats:,} closed, {held_sets.open:,} open. "
            "Do not rely on this batch; report it as a fault of the gateway.",
        )
    taken = info.holds.sentence if info.holds is not None else ""
    if not every.total and taken and info.holds is not None and not lines.read:
        closed = info.holds.released + info.holds.repeats == info.holds.taken_up
        return Verdict(state="clean" if closed else "attention", sentence=taken)
    verdict = _verdict_of_exports(lines, readings, found)
    return verdict.model_copy(update={"sentence": f"{verdict.sentence} {taken}".rstrip()})


def _verdict_of_exports(lines: LineReckoning, readings: ReadingReckoning, found: Sequence[RuleFindings]) -> Verdict:
    """The verdict where every sum closes, about what the exports hold."""
    every = readings.all
    if not every.total:
        return Verdict(state="attention", sentence="No reading was found, so nothing was recorded.")
    unread = lines.kinds[LineKind.UNREADABLE]
    held = [f"{counted(every.held, 'reading')} held back"] if every.held else []
    if every.unreadable or unread:
        lost = counted(unread, lines.unit) if unread else counted(every.unreadable, "reading")
        held.append(f"{lost} not readable")
    if held:
        return Verdict(
            state="attention",
            sentence=f"{every.recorded:,} of {counted(every.total, 'reading')} recorded; {' and '.join(held)}. "
            "The findings say where and what to do.",
        )
    grave = sum(item.count for item in found if item.severity.grave)
    if grave:
        return Verdict(
            state="attention",
            sentence=f"No reading was held, but there {'is' if grave == 1 else 'are'} {counted(grave, 'finding')} "
            "of an error to look at.",
        )
    parts = [f"{every.recorded:,} recorded"]
    parts += [counted(every.repeat, "repeat")] if every.repeat else []
    parts += [f"{every.absent:,} declared absent"] if every.absent else []
    return Verdict(
        state="clean", sentence=f"{counted(every.total, 'reading')} found and accounted for: {', '.join(parts)}."
    )


def _values(tally: Tally, plausibility: Plausibility, category: Category) -> list[VitalValues]:
    spread = []
    for key, vital in vocabulary.vitals().items():
        counts = tally.values.get(key)
        if not counts or vital.kind != "quantity":
            continue
        hold, flag, source = _limits(plausibility, category, key)
        unit = vocabulary.units().get(vital.units[0])
        spread.append(
            VitalValues(
                vital=key,
                title=vital.title,
                unit=unit.display if unit else vital.units[0],
                low=float(vital.chart[0]),
                high=float(vital.chart[1]),
                decimals=vital.decimals,
                bins=[counts.get(number, 0) for number in range(BINS)],
                below=sum(count for number, count in counts.items() if number < 0),
                above=sum(count for number, count in counts.items() if number >= BINS),
                count=sum(counts.values()),
                category=category,
                hold=hold,
                flag=flag,
                source=source,
            )
        )
    return spread


BINS = 40
"""Steps of the chart range, as `Vital.bin` counts them."""


def _limits(plausibility: Plausibility, category: Category, key: str) -> tuple[Band | None, Band | None, str]:
    """The limits in use for one vital, in the unit of its picture, and their source in words."""
    shipped = vocabulary.limits(plausibility.profile, category, key)
    own = plausibility.limits.get(category, {}).get(key)
    others = [] if own or category != "unknown" else [t[key] for t in plausibility.limits.values() if key in t]
    target = vocabulary.vitals()[key].units[0]
    unit = shipped.unit if shipped else target

    def band(name: Literal["hold", "flag"]) -> Band | None:
        chosen = getattr(own, name, None) or getattr(shipped, name, None)
        pairs = [pair for pair in (chosen, *(getattr(other, name) for other in others)) if pair]
        if not pairs:
            return None
        low, high = min(Fraction(pair[0]) for pair in pairs), max(Fraction(pair[1]) for pair in pairs)
        return Band(
            low=float(vocabulary.convert(low, unit, target, vital=key)),
            high=float(vocabulary.convert(high, unit, target, vital=key)),
        )

    source = shipped.source if shipped else ""
    if own or others:
        source = f"the mapping; else {source}" if source else "the mapping"
    return band("hold"), band("flag"), source


def _patients_among(tally: Tally, clocks: Sequence[ClockInfo], patients: str) -> dict[str, str]:
    """The devices whose names have the form of a patient's identifier, and what stands for them.

    A form that the greater part of the monitors has as well tells nothing, and hides none.
    """
    if not patients:
        return {}
    named: Counter[str] = Counter(each.device for each in clocks if each.device)
    for (device, _), count in tally.timeline.cells.items():
        if device:
            named[device] += count
    fits = re.compile(patients).fullmatch
    found = {device: DEVICE_WITHHELD for device in named if fits(device)}
    return found if 2 * sum(named[device] for device in found) < named.total() else {}


def _timeline(tally: Tally, withheld: Mapping[str, str]) -> TimelineReport:
    step = tally.timeline.step
    by_device: dict[str, Counter[int]] = defaultdict(Counter)
    for (device, cell), count in tally.timeline.cells.items():
        by_device[withheld.get(device, device)][cell] += count
    ranked = sorted(by_device.items(), key=lambda item: (-sum(item[1].values()), item[0]))
    listed = [
        DeviceSets(
            device=device,
            sets=sum(cells.values()),
            cells=[Stretch(start=utc(cell * step), sets=count) for cell, count in sorted(cells.items())],
        )
        for device, cells in ranked[:DEVICES_LISTED]
    ]
    return TimelineReport(
        step=step,
        sets=sum(tally.timeline.cells.values()),
        devices=len(by_device),
        listed=listed,
        capped=len(by_device) > len(listed),
    )


def utc(epoch: int) -> datetime:
    """A time in UTC from seconds since 1970; the ends of the calendar stand for anything beyond them."""
    try:
        return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=epoch)
    except OverflowError:
        return datetime.max.replace(tzinfo=UTC) if epoch > 0 else datetime.min.replace(tzinfo=UTC)
