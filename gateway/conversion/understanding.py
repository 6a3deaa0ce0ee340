"""Entries become sets of readings: every distinct text is understood once and looked up after that."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Iterator, Sequence
from collections.abc import Mapping as MappingOf
from dataclasses import dataclass, field, replace
from datetime import datetime
from operator import itemgetter
from typing import Any, NamedTuple

from gateway.checks import ReadingChecks, Rule, SetChecks, effects, finding
from gateway.conversion.clocks import dump_of
from gateway.conversion.options import Options
from gateway.identity import Associations, Identifier, Identifiers
from gateway.mapping import LoadedMapping, columns
from gateway.mapping.model import Identified, Mapping, Method, PatientSystem, Qualifier, Site, VitalSource
from gateway.mapping.record import CAPTURE_TIME
from gateway.model import (
    BLANKS,
    Effect,
    Entry,
    Finding,
    Moment,
    Noticed,
    Outcome,
    Party,
    Reading,
    SetItem,
)
from gateway.normalise.ages import AgeReader
from gateway.normalise.clocks import ClockReader, Dump, Older
from gateway.normalise.times import TimeReader, joined
from gateway.normalise.values import ValueReader, shown
from gateway.once import Earlier, Key, Patient, Prints, patient_digest, surviving, telling
from gateway.vocabulary import panels, qualifiers, vitals

_TEXTS_KEPT = 20_000
_PAIRS_KEPT = 50_000
_NOTE_LIMIT = 4_000
_TRIED = frozenset({"error", "not-a-number", "negative-infinity", "positive-infinity"})


class Written(NamedTuple):
    """Names of the files a set's records are in; "" for none."""

    fhir: str
    oru: str


@dataclass(slots=True)
class Candidate:
    """A set understood but not yet recorded.

    Attributes:
        item: the set, with the readings that are to be recorded.
        readings: every reading of the set, in the order of the vocabulary.
        outcomes: what becomes of each of `readings`; None when all are recorded.
        findings: what was noticed about the set.
        key: for repeats; None when the set has no usable patient or time.
        earlier: what the ledger holds of it, if an earlier run recorded it.
        chain: names the measurement, where it was another patient's before.
        written: where its records are, once they are written.
    """

    item: SetItem
    readings: Sequence[Reading]
    outcomes: list[Outcome] | None
    findings: list[Finding]
    key: Key | None
    earlier: Earlier | None = None
    chain: bytes | None = None
    written: Written | None = None

    def hold(self) -> None:
        """Hold every reading that would have been recorded."""
        before = self.outcomes or [reading.outcome for reading in self.readings]
        self.outcomes = [Outcome.HELD if outcome is Outcome.RECORDED else outcome for outcome in before]


class Understanding:
    """Reads entries as sets of readings; every distinct text is understood once and looked up after that.

    Args:
        loaded: the mapping.
        fields: column names of the export, in the order of the cells.
        options: for the time of receipt.
        associations: who was on which device, or None.
        older: (export, list) -> which of its entries are from before a clock was set.
        merged: patients (system, identifier) whose identifiers were merged -> who stands for them.
    """

    def __init__(
        self,
        loaded: LoadedMapping,
        fields: Sequence[str],
        options: Options,
        associations: Associations | None,
        older: MappingOf[tuple[int, Dump], Older] | None = None,
        merged: MappingOf[Patient, Patient] | None = None,
    ) -> None:
        mapping = loaded.mapping
        self._mapping = mapping
        self._merged: MappingOf[Patient, Patient] = merged or {}
        self._prints = Prints()
        self._associations = associations
        self._at = {name: position for position, name in reversed(list(enumerate(fields)))}
        self._long = mapping.long
        self._times = TimeReader(mapping.time, options.received)
        self._ages = AgeReader(mapping.time, options.received) if mapping.time.age is not None else None
        self._older: MappingOf[tuple[int, Dump], Older] = older or {}
        self._received = options.received
        self._clocks: ClockReader | None = None
        if mapping.time.clock is not None:
            self._clocks = ClockReader(mapping.time, options.received, options.sent)
            self._times = self._clocks.times
            self._dump = dump_of(mapping, fields)
            self._settled: dict[tuple[str, Dump, Noticed | None], Moment] = {}
        self._age_at = self._position(mapping.time.age.column if mapping.time.age is not None else None)
        self._sent = options.sent
        self._assigned: MappingOf[int, tuple[str, str]] = {}
        self._capture_at = self._at.get(CAPTURE_TIME, -1)
        self._aged: dict[tuple[str, str], Moment] = {}
        self._run = _Run("")
        self._time_at = [self._at[name] for name in mapping.time.columns]
        self._wall_clock = mapping.time.zone != "offset-in-text"
        self._moments: dict[str, Moment] = {}
        self._ahead: dict[str, int] = {}
        self._patient_at = self._position(mapping.patient.column)
        patient = mapping.patient
        self._identifiers = Identifiers(strip=patient.strip, pattern=patient.pattern, check=patient.check)
        self._issuer_column = patient.systems.column if patient.systems is not None else None
        self._issuer_at = self._position(self._issuer_column)
        self._issuers = dict(patient.systems.values) if patient.systems is not None else {}
        own = PatientSystem(system=patient.system, authority=patient.authority, type=patient.type)
        self._by_system = {"": own} | {each.system: each for each in self._issuers.values()} | {patient.system: own}
        # By system, then by text: of the export, and of the associations, whose texts have no prefix.
        self._patients: dict[str, dict[str, _Who | Noticed]] = {}
        self._associated: dict[str, dict[str, _Who | Noticed]] = {}
        self._device = self._role(mapping.device)
        self._operator = self._role(mapping.operator)
        self._location = self._role(mapping.location)
        self._encounter = self._role(mapping.encounter)
        self._sequence_at = self._position(mapping.sequence)
        self._category_at = self._position(mapping.category.column)
        self._notes_at = [self._at[name] for name in mapping.notes]
        order = list(vitals())
        self._vitals = sorted(mapping.vitals, key=order.index)
        self._slot = {key: slot for slot, key in enumerate(self._vitals)}
        self._readers = {key: ValueReader(key, source, mapping) for key, source in mapping.vitals.items()}
        self._effects = effects(mapping)
        self._checks = ReadingChecks(mapping)
        self._set_checks = SetChecks(mapping, self._vitals)
        self._set_rules: list[_SetRule] = [
            (rule, itemgetter(*[self._slot[key] for key in rule.vitals if key in self._slot]),
             [key for key in rule.vitals if key in self._slot], {})
            for rule in self._set_checks.rules
        ]  # fmt: skip
        self._panel_of = {key: vitals()[key].panel for key in self._vitals}
        self._panel_required = frozenset(key for key in self._vitals if vitals()[key].panel_required)
        self._qualifying = self._qualifiers(mapping)
        self._qualified = frozenset(
            key for key in self._vitals if self._panel_of[key] and panels()[self._panel_of[key]].qualifiers
        )
        self._qualifiers_said: dict[tuple[str, tuple[str, ...]], tuple[tuple[Noticed, str], ...]] = {}
        self._flagged: dict[Reading, Reading] = {}
        self._tables: dict[str, list[_Column]] = {}
        layout = mapping.delimited
        self._long_names = ("", "", "")
        if layout is not None:
            self._long_names = (layout.label_column or "", layout.value_column or "", layout.unit_column or "")
        self._long_columns = tuple(self._position(name or None) for name in self._long_names)
        self._label_of: dict[str, list[str]] = {}
        for key in self._vitals:
            for label in mapping.vitals[key].labels:
                self._label_of.setdefault(label, []).append(key)
        if self._long:
            self._set_key = itemgetter(*self._set_columns(), *self._set_columns()[:1])
        self._content = itemgetter(*self._content_columns())

    def _position(self, column: str | None) -> int:
        return -1 if column is None else self._at[column]

    def _set_columns(self) -> list[int]:
        """Columns whose cells are the same for every entry of one set."""
        own = {position for position in self._long_columns if position >= 0} | set(self._notes_at)
        own |= self._beside_columns()
        named = [self._at[name] for name in columns(self._mapping) if self._at[name] not in own]
        return sorted(set(named))

    def _content_columns(self) -> list[int]:
        if self._long:
            named = {position for position in self._long_columns if position >= 0}
        else:
            sources = self._mapping.vitals.values()
            named = {self._at[name] for source in sources for name in (source.column, source.unit_column) if name}
        return sorted(named | self._beside_columns()) * 2

    def _beside_columns(self) -> set[int]:
        """Columns that say something about the value in another one: site, method, quality, mode, cuff, position."""
        beside = {self._at[name] for source in self._mapping.vitals.values() for name in _beside(source) if name}
        return beside | {each.at for each in self._qualifying if each.at >= 0}

    def _qualifiers(self, mapping: Mapping) -> list[_Qualifying]:
        """The qualifiers that the mapping reads or fixes."""
        found = []
        for key in qualifiers():
            source: Qualifier = getattr(mapping, key)
            if source.column is not None or source.fixed is not None:
                values = {text.strip(BLANKS): answer for text, answer in source.values.items()}
                found.append(_Qualifying(key, self._position(source.column), source.column or "", values, source.fixed))
        return found

    def take_up(
        self,
        patients: MappingOf[int, tuple[str, str]],
        sent: datetime | None,
        older: MappingOf[tuple[int, Dump], Older],
    ) -> None:
        """Set what is known besides the export.

        Args:
            patients: line -> patient identifier and its system, where a person has assigned one.
            sent: when the list was sent, where that was given.
            older: which entries of which lists have no defensible time.
        """
        self._assigned = patients
        self._older = older
        if sent != self._sent:
            self._sent = sent
            self._aged.clear()
            if self._clocks is not None:
                self._clocks = ClockReader(self._mapping.time, self._received, sent)
                self._settled.clear()

    # -- sets of entries

    def sets(self, entries: Sequence[Entry], export: int) -> Iterator[Candidate]:
        """The sets of a block, in the order of their first entries."""
        if not self._long:
            content = self._content
            for line, cells in entries:
                yield self._set(export, line, cells, None, "\x1f".join(content(cells)))
            return
        start = 0
        while start < len(entries):
            line, cells = entries[start]
            key = self._set_key(cells)
            end = start + 1
            while end < len(entries) and self._set_key(entries[end][1]) == key:
                end += 1
            rows = entries[start:end]
            content_text = "\x1e".join("\x1f".join(self._content(row)) for _, row in rows)
            yield self._set(export, line, cells, rows, content_text)
            start = end

    def _set(self, export: int, line: int, cells: list[str], rows: Sequence[Entry] | None, content: str) -> Candidate:
        found: list[Finding] = []
        named = cells[self._patient_at].strip(BLANKS) if self._patient_at >= 0 else ""

        def note(noticed: Noticed, column: str = "", vital: str = "", at: int = line) -> None:
            # Columns that moved put an identifier where a value belongs, and messages quote values.
            if len(named) > 2 and named in noticed.message:
                noticed = noticed._replace(message=noticed.message.replace(named, "(the patient's identifier)"))
            found.append(
                finding(
                    noticed,
                    export=export,
                    line=at,
                    column=column,
                    vital=vital,
                    effect=self._effects[noticed.rule],
                )
            )

        category = self._category(cells, note)
        slots: list[Reading | None]
        readings: Sequence[Reading]
        if rows is None:
            slots = self._wide(category, cells, note)
            readings = [reading for reading in slots if reading is not None]
            outcomes = [reading.outcome for reading in readings]
        else:
            slots, readings, outcomes = self._from_rows(category, rows, note)
        if not readings:
            note(Noticed("set-has-no-values", "the entry holds no value for any vital of the mapping"))
        if self._qualifying:
            readings = self._qualify(category, cells, rows, slots, readings, outcomes, note)

        for rule, pick, keys, memo in self._set_rules:
            members = pick(slots)
            if members in memo:
                noticed = memo[members]
            else:
                if len(memo) > _PAIRS_KEPT:
                    memo.clear()
                recorded = {
                    key: reading
                    for key, reading in zip(keys, members, strict=True)
                    if reading is not None and reading.outcome is Outcome.RECORDED
                }
                noticed = self._set_checks.apply(rule, recorded) if len(recorded) > 1 else None
                memo[members] = noticed
            if noticed is not None:
                note(noticed)
                readings = self._take(self._set_checks.effect(rule.slug), keys, slots, readings, outcomes)

        if Outcome.HELD in outcomes:
            self._hold_panels(readings, outcomes, note)

        moment = (
            self._moment(cells) if self._clocks is None else self._moment_by_clock(self._clocks, export, line, cells)
        )
        for noticed in moment.noticed:
            note(noticed, column=" ".join(self._mapping.time.columns))
        device = self._device(cells)
        if line in self._assigned:
            who = self._by_decision(*self._assigned[line], note)
        else:
            who = self._patient(cells, device, moment, note)
        patient = who.party if who is not None else None
        key: Key | None = None
        identity = ""
        if device is None and self._mapping.device.column:
            note(Noticed("device-missing", "the entry names no device"), self._mapping.device.column or "")
        parties = (device, self._operator(cells), self._location(cells), self._encounter(cells))
        unusable = _MALFORMED in parties or _MISCHECKED in parties
        for name, party in zip(_ROLES, parties, strict=True) if unusable else ():
            if party is _MALFORMED:
                message = f"the {name}'s identifier is blank, or holds control characters or broken text"
                note(Noticed("identifier-malformed", message))
            elif party is _MISCHECKED:
                note(Noticed("identifier-check-digit", f"the {name}'s identifier fails its check digit"))
        if patient is None or not moment.fhir or unusable:
            outcomes = [Outcome.HELD if outcome is Outcome.RECORDED else outcome for outcome in outcomes]
        clean = outcomes.count(Outcome.RECORDED) == len(outcomes)
        kept = tuple(readings) if clean else self._kept(readings, outcomes)
        if patient is not None and who is not None and moment.fhir and not unusable and readings:
            digest = self._identity(patient, device, moment, cells, content)
            identity = digest.hex()
            step = _STEPS[moment.precision]
            key = Key(
                self._wall(moment), digest, _digest(content, 8), export, line, device.value if device else "",
                self._sequence(cells), who.digest, who.how, self._prints.of(kept), step,
                device is None and telling(kept, step),
            )  # fmt: skip
        item = SetItem(
            identity,
            line,
            patient or _NOBODY,
            moment,
            kept,
            *parties,
            self._notes(cells if rows is None else None, rows, note) if self._notes_at else (),
        )
        if moment.resolution:
            item.notes = (*item.notes, f"Time known to {moment.known_to}: stamped as an age.")
        return Candidate(item, readings, None if clean else outcomes, found, key)

    def _wide(self, category: str, cells: list[str], note: Callable[..., None]) -> list[Reading | None]:
        slots: list[Reading | None] = []
        for column in self._table(category):
            text = cells[column.at]
            if column.besides:
                text = "\x1f".join([text, *[cells[at] for at in column.besides]])
            reading = column.memo.get(text, _UNREAD)
            if reading is _UNREAD:
                reading = self._learn(column, text, category)
            if reading is not None and reading.noticed:
                for noticed in reading.noticed:
                    note(noticed, column.name, reading.vital)
            slots.append(reading)
        return slots

    def _from_rows(
        self, category: str, rows: Sequence[Entry], note: Callable[..., None]
    ) -> tuple[list[Reading | None], list[Reading], list[Outcome]]:
        """The readings of a set in the long layout: by vital, and in order with their outcomes so far."""
        slots: list[Reading | None] = [None] * len(self._vitals)
        texts: dict[int, str] = {}
        others: list[tuple[Reading, Outcome]] = []
        disputed: set[int] = set()
        label_at, value_at, unit_at = self._long_columns
        label_column, value_column, _ = self._long_names
        table = self._table(category)
        for line, cells in rows:
            keys = self._label_of.get(cells[label_at].strip(BLANKS))
            if keys is None:
                if cells[value_at].strip(BLANKS):
                    others.append((_UNNAMED, Outcome.HELD))
                    note(
                        Noticed("undeclared-label", "the mapping names no vital for this label"), label_column, "", line
                    )
                continue
            for key in keys:
                slot = self._slot[key]
                column = table[slot]
                beside = [cells[at] for at in column.besides]
                text = "\x1f".join([cells[value_at], cells[unit_at] if unit_at >= 0 else "", *beside])
                reading = column.memo.get(text, _UNREAD)
                if reading is _UNREAD:
                    reading = self._learn(column, text, category)
                if reading is None:
                    continue
                for noticed in reading.noticed:
                    note(noticed, value_column, reading.vital, line)
                first = slots[slot]
                if first is None:
                    slots[slot] = reading
                    texts[slot] = text
                elif texts[slot] == text:
                    others.append((reading, Outcome.REPEAT))
                    note(Noticed("repeat-in-batch", "the set holds this reading twice"), label_column, key, line)
                else:
                    others.append((reading, Outcome.HELD))
                    disputed.add(slot)
                    note(
                        Noticed("label-repeated-in-set", "the set holds this vital with two different values"),
                        label_column, key, line,
                    )  # fmt: skip
        readings, outcomes = [], []
        for slot, reading in enumerate(slots):
            if reading is None:
                continue
            held = slot in disputed and reading.outcome is Outcome.RECORDED
            readings.append(reading)
            outcomes.append(Outcome.HELD if held else reading.outcome)
            if held:
                slots[slot] = None
        return slots, readings + [each for each, _ in others], outcomes + [outcome for _, outcome in others]

    def _learn(self, column: _Column, text: str, category: str) -> Reading | None:
        if len(column.memo) > _TEXTS_KEPT:
            column.memo.clear()
        parts = text.split("\x1f")
        expected = 1 + len(column.besides) + (1 if self._long else 0)
        if len(parts) != expected:  # a separator in a cell: the text as a whole is then read, and held
            parts = [text] + [""] * (expected - 1)
        texts = [parts[part] if part else "" for part in column.parts]
        reading = column.reader.read(parts[0], *texts)
        if reading is not None and column.qualifiers and reading.outcome in (Outcome.RECORDED, Outcome.ABSENT):
            stated = [(each, each.answer(parts[part] if part else "")) for each, part in column.qualifiers]
            reading = replace(reading, qualifiers=tuple([(each.key, answer) for each, answer in stated if answer]))
        if reading is not None:
            reading = self._checks.apply(reading, category)
        column.memo[text] = reading
        return reading

    def _table(self, category: str) -> list[_Column]:
        """The columns of the vitals with what has been understood for one patient category."""
        table = self._tables.get(category)
        if table is None:
            table = [self._column(key, self._mapping.vitals[key]) for key in self._vitals]
            self._tables[category] = table
        return table

    def _column(self, key: str, source: VitalSource) -> _Column:
        besides: list[int] = []
        own = 1 if self._long else 0

        def part(position: int) -> int:
            if position < 0:
                return 0
            besides.append(position)
            return len(besides) + own

        unit_part = 1 if self._long else part(self._position(source.unit_column))
        parts = (unit_part, *[part(self._position(name)) for name in _beside(source)])
        among = self._qualifying if key in self._qualified else ()
        asked = tuple([(each, part(each.at)) for each in among])
        name = source.column or self._long_names[1]
        return _Column(self._at[name], name, tuple(besides), parts, asked, self._readers[key])

    def _qualify(
        self,
        category: str,
        cells: list[str],
        rows: Sequence[Entry] | None,
        slots: list[Reading | None],
        readings: Sequence[Reading],
        outcomes: list[Outcome],
        note: Callable[..., None],
    ) -> Sequence[Reading]:
        """Say once for the set what is wrong with its qualifiers, which its readings carry already."""
        if not any(slots[self._slot[key]] is not None for key in self._qualified):
            return readings
        entries = [cells]
        if rows is not None:
            label_at = self._long_columns[0]
            labels = [(row, self._label_of.get(row[label_at].strip(BLANKS), ())) for _, row in rows]
            entries = [row for row, keys in labels if self._qualified.intersection(keys)]
        spoken: dict[tuple[str, str], None] = {}
        for entry in entries:
            texts = tuple([entry[each.at] if each.at >= 0 else "" for each in self._qualifying])
            said = self._qualifiers_said.get((category, texts))
            if said is None:
                if len(self._qualifiers_said) > _TEXTS_KEPT:
                    self._qualifiers_said.clear()
                pairs = zip(self._qualifying, texts, strict=True)
                said = tuple([found for each, text in pairs for found in each.said(text, category)])
                self._qualifiers_said[category, texts] = said
            for noticed, column in said:
                if self._effects[noticed.rule] is not Effect.OFF and (noticed.rule, column) not in spoken:
                    spoken[noticed.rule, column] = None
                    note(noticed, column)
        for rule, _ in spoken:
            readings = self._take(self._effects[rule], list(self._qualified), slots, readings, outcomes)
        return readings

    def _take(
        self,
        effect: Effect,
        keys: Sequence[str],
        slots: list[Reading | None],
        readings: Sequence[Reading],
        outcomes: list[Outcome],
    ) -> Sequence[Reading]:
        """Apply what a rule over several readings does: hold them or mark them as questionable."""
        taken = list(readings)
        for position, reading in enumerate(taken):
            if reading.vital not in keys or outcomes[position] is not Outcome.RECORDED:
                continue
            if effect is Effect.HOLD:
                outcomes[position] = Outcome.HELD
            elif effect is Effect.FLAG and not reading.flagged:
                twin = self._flagged.get(reading)
                if twin is None:
                    if len(self._flagged) > _TEXTS_KEPT:
                        self._flagged.clear()
                    twin = self._flagged[reading] = replace(reading, flagged=True)
                taken[position] = twin
        return taken

    def _hold_panels(self, readings: Sequence[Reading], outcomes: list[Outcome], note: Callable[..., None]) -> None:
        """A held member that its panel must have holds the panel: half a blood pressure is not sent while half waits.

        One that need not be there (a mean) waits alone.
        """
        waiting = {
            self._panel_of[reading.vital]
            for reading, outcome in zip(readings, outcomes, strict=True)
            if outcome is Outcome.HELD and reading.vital in self._panel_required
        }
        for position, reading in enumerate(readings):
            if outcomes[position] is Outcome.RECORDED and self._panel_of.get(reading.vital) in waiting:
                outcomes[position] = Outcome.HELD
                title = panels()[self._panel_of[reading.vital]].title
                note(Noticed("panel-member-held", f"another value of the {title.lower()} is held"), "", reading.vital)

    def _kept(self, readings: Sequence[Reading], outcomes: Sequence[Outcome]) -> tuple[Reading, ...]:
        """The readings that go into records."""
        pairs = list(zip(readings, outcomes, strict=True))
        if Outcome.ABSENT not in outcomes:
            return tuple([reading for reading, outcome in pairs if outcome is Outcome.RECORDED])
        recorded_panels = {
            self._panel_of[reading.vital]
            for reading, outcome in zip(readings, outcomes, strict=True)
            if outcome is Outcome.RECORDED
        }
        failed = self._mapping.output.failed == "record"
        return tuple(
            reading
            for reading, outcome in zip(readings, outcomes, strict=True)
            if outcome is Outcome.RECORDED
            or (
                outcome is Outcome.ABSENT
                and (
                    (self._panel_of[reading.vital] and self._panel_of[reading.vital] in recorded_panels)
                    or (failed and reading.reason in _TRIED and reading.vital != "bmi")
                )
            )
        )

    # -- who, when, where

    def _category(self, cells: list[str], note: Callable[..., None]) -> str:
        category = self._mapping.category
        if self._category_at < 0:
            return category.fixed or "unknown"
        text = cells[self._category_at].strip(BLANKS)
        if not text:
            return category.fixed or "unknown"
        known = category.values.get(text)
        if known is None:
            note(Noticed("undeclared-category", "the mapping names no patient category for this text"), category.column)
            return "unknown"
        return known

    def _moment(self, cells: list[str]) -> Moment:
        if self._ages is not None:
            return self._moment_by_age(self._ages, cells)
        text = (
            cells[self._time_at[0]]
            if len(self._time_at) == 1
            else joined([cells[position] for position in self._time_at])
        )
        moment = self._moments.get(text)
        if moment is None:
            if len(self._moments) > _TEXTS_KEPT:
                self._moments.clear()
            moment = self._moments[text] = self._times.read(text)
        return moment

    def _moment_by_clock(self, reader: ClockReader, export: int, line: int, cells: list[str]) -> Moment:
        """The time of an entry after what is known of the monitor's clock."""
        dump = self._dump(cells)
        older = self._older.get((export, dump))
        held = older.holds(line) if older is not None else None
        own = self._moment(cells)
        moment = self._settled.get((own.text, dump, held))
        if moment is None:
            if len(self._settled) > _TEXTS_KEPT:
                self._settled.clear()
            moment = self._settled[own.text, dump, held] = reader.settle(own, reader.compare(dump), held)
        return moment

    def _moment_by_age(self, reader: AgeReader, cells: list[str]) -> Moment:
        """The time of an entry that carries an age: so long before its list was sent."""
        kind = self._mapping.time.age.anchor if self._mapping.time.age is not None else ""
        text = ""
        if kind == "columns":
            text = joined([cells[position] for position in self._time_at])
        elif kind == "capture" and self._capture_at >= 0:
            text = cells[self._capture_at]
        age = cells[self._age_at]
        if self._out_of_order(age, text):
            message = "the ages go the other way here: another list may begin, whose heading is missing"
            return Moment(age, noticed=(Noticed("anchor-missing", message),))
        moment = self._aged.get((age, text))
        if moment is not None:
            return moment
        noticed: tuple[Noticed, ...] = ()
        anchor = self._sent if kind == "given" else None
        if kind == "columns":
            sent = self._times.read(text)
            noticed = sent.noticed
            anchor = datetime.fromisoformat(sent.fhir) if sent.fhir and sent.precision != "day" else None
        elif text:
            anchor = datetime.fromisoformat(text)
        moment = reader.read(age, anchor)
        moment = moment._replace(noticed=(*noticed, *moment.noticed))
        if len(self._aged) > _TEXTS_KEPT:
            self._aged.clear()
        self._aged[age, text] = moment
        return moment

    def _out_of_order(self, age: str, anchor: str) -> bool:
        """Whether ages that rose in this list fall, or the other way round: then its anchor no longer holds.

        A list goes from new to old or from old to new. Where that turns, a second list has begun and its heading was
        lost on the way; nothing after that is sure until the next heading.
        """
        if anchor != self._run.anchor:
            self._run = _Run(anchor)
        run = self._run
        if run.broken or not age.strip(BLANKS).isdecimal():
            return run.broken
        now = int(age)
        step = 0 if run.age is None else (now > run.age) - (now < run.age)
        run.broken = step * run.direction < 0
        run.age, run.direction = now, run.direction or step
        return run.broken

    def _role(self, source: Identified) -> Callable[[list[str]], Party | None]:
        """How to find a device, operator, location or encounter in an entry: one object for each distinct text."""
        position = self._position(source.column)
        if position < 0:
            fixed = Party(source.fixed, source.system, source.authority) if source.fixed else None
            return lambda _: fixed
        known: dict[str, Party | None] = {}
        identifiers = Identifiers(strip=source.strip, check=source.check)

        def party(cells: list[str]) -> Party | None:
            text = cells[position]
            if text in known:
                return known[text]
            if len(known) > _TEXTS_KEPT:
                known.clear()
            written = text.strip(BLANKS)
            value, fault, _ = identifiers.read(written)
            known[text] = Party(value, source.system, source.authority) if written else None
            if _UNPRINTABLE.search(written) or (written and fault == "form"):
                known[text] = _MALFORMED
            elif written and fault:
                known[text] = _MISCHECKED
            return known[text]

        return party

    def _patient(
        self, cells: list[str], device: Party | None, moment: Moment, note: Callable[..., None]
    ) -> _Who | None:
        column = self._mapping.patient.column or ""
        text = cells[self._patient_at].strip(BLANKS) if self._patient_at >= 0 else ""
        named: _Who | None = None
        if text:
            system = ""
            if self._issuer_at >= 0:
                issuer = self._issuers.get(cells[self._issuer_at].strip(BLANKS))
                if issuer is None:
                    message = "the mapping does not say whose identifier the patient's is"
                    note(Noticed("patient-system-undeclared", message), self._issuer_column)
                    return None
                system = issuer.system
            found = self._who(self._patients, text, system, self._identifiers.read, "column")
            if isinstance(found, Noticed):
                note(found, column)
                return None
            named = found
        if self._associations is not None and moment.fhir:
            named = self._by_association(self._associations, named, device, moment, note)
        elif named is None:
            note(Noticed("patient-missing", "the entry names no patient and no association was given"), column)
        return self._told(named, note) if named is not None and named.how == "merge" else named

    def _by_association(
        self,
        associations: Associations,
        named: _Who | None,
        device: Party | None,
        moment: Moment,
        note: Callable[..., None],
    ) -> _Who | None:
        """The patient who was on the device; `named` is the export's own, with whom the association must agree."""
        if device is None:
            note(Noticed("association-none", "the entry names no device, so no association can be looked up"))
            return None
        start, width = moment.epoch, {"day": 86400, "minute": 60}.get(moment.precision, 1)
        if self._ages is not None:
            start, width = start - self._ages.step + 1, self._ages.step + self._ages.slack
        if moment.own is not None and moment.own.width:
            start, width = start - moment.own.early, moment.own.width
        found = associations.find(device.value, start, width)
        if found.rule:
            if found.rule == "association-none" and named is not None:
                return named
            note(Noticed(found.rule, found.message))
            return None
        patient = self._who(self._associated, found.patient, found.system, self._identifiers.judged, "association")
        if isinstance(patient, Noticed):
            rule, message = patient
            note(Noticed(rule, message.replace("the patient", "the association's patient", 1)))
            return None
        if named is not None and named.digest != patient.digest:
            column = self._mapping.patient.column or ""
            note(Noticed("patient-disagrees", "the export and the association name different patients"), column)
            return None
        # Where both name the patient, the export has the first word.
        return named or patient

    def _by_decision(self, text: str, system: str, note: Callable[..., None]) -> _Who | None:
        """The patient whom a person has named, of a system that the mapping knows ("" for its own)."""
        if system not in self._by_system:
            note(Noticed("patient-system-undeclared", "the mapping does not know the assigned patient's system"))
            return None
        patient = self._who(self._associated, text, system, self._identifiers.judged, "association")
        if isinstance(patient, Noticed):
            rule, message = patient
            note(Noticed(rule, message.replace("the patient", "the assigned patient", 1)))
            return None
        return self._told(patient, note) if patient.how == "merge" else patient._replace(how="person")

    def _told(self, who: _Who, note: Callable[..., None]) -> _Who:
        """The patient, told of as another identifier stands for the one that was given."""
        message = "the patient's identifier has been merged; the one that stands for it now is recorded"
        note(Noticed("patient-merged", message))
        return who

    def _who(
        self,
        memo: dict[str, dict[str, _Who | Noticed]],
        text: str,
        system: str,
        read: Callable[[str], Identifier],
        how: str,
    ) -> _Who | Noticed:
        """The patient of an identifier: one object for each distinct text; or what is wrong with it."""
        known = memo.setdefault(system, {})
        who = known.get(text)
        if who is None:
            if len(known) > _TEXTS_KEPT:
                known.clear()
            who = known[text] = self._learn_who(read(text), self._by_system[system], how)
        return who

    def _learn_who(self, identifier: Identifier, issuer: PatientSystem, how: str) -> _Who | Noticed:
        if identifier.fault:
            return _REFUSED[identifier.fault]
        given = (issuer.system, identifier.value)
        stands = surviving(self._merged, given)
        if stands != given:
            how = "merge"
            if stands[0] not in self._by_system:
                message = "the identifier was merged into one of a system that the mapping does not name"
                return Noticed("patient-system-undeclared", message)
            issuer = self._by_system[stands[0]]
        elif identifier.scanned:
            how = "scan"
        party = Party(stands[1], issuer.system, issuer.authority, issuer.type)
        return _Who(party, how, patient_digest(issuer.system, party.value))

    def _identity(self, patient: Party, device: Party | None, moment: Moment, cells: list[str], content: str) -> bytes:
        """Digest of the source identity: who, on what, when by the export's own clock, and its own number.

        An entry with an age has no time of its own: its instant and what it says stand in.
        """
        # By the clock of the export: a zone corrected later in the mapping must not make another set of it.
        # By the monitor's own, uncorrected: a list compared with another host's time holds the same sets.
        # Source: HL7 Personal Health Device guide, notes on the identifier of PhdBaseObservation.
        clock = moment.fhir if moment.own is None else moment.own.fhir
        if self._wall_clock and moment.precision != "day":
            clock = clock[:-6]
        if self._ages is not None:
            clock = f"{moment.epoch}\x1f{content}"
        place = device.value if device else ""
        parts = [self._mapping.namespace, patient.system, patient.value, place, clock, self._sequence(cells)]
        return _digest("\x1f".join(parts), 16)

    def _wall(self, moment: Moment) -> int:
        """The time as the clock of the export printed it, as seconds since 1970-01-01T00:00:00 of that clock.

        The instant itself where the text carries its own offset, or is an age.
        """
        text, epoch = (moment.fhir, moment.epoch) if moment.own is None else (moment.own.fhir, moment.own.epoch)
        if not self._wall_clock or self._ages is not None:
            return epoch
        offset = text[10:][-6:]
        ahead = self._ahead.get(offset)
        if ahead is None:
            if not offset:
                return int(datetime.fromisoformat(f"{text}T00:00:00+00:00").timestamp())
            ahead = self._ahead[offset] = int(f"{offset[0]}1") * (int(offset[1:3]) * 3600 + int(offset[4:6]) * 60)
        return epoch + ahead

    def _sequence(self, cells: list[str]) -> str:
        """The monitor's own number of the entry, "" where it is not mapped."""
        return cells[self._sequence_at].strip(BLANKS) if self._sequence_at >= 0 else ""

    def _notes(
        self, cells: list[str] | None, rows: Sequence[Entry] | None, note: Callable[..., None]
    ) -> tuple[str, ...]:
        texts: dict[str, None] = {}
        for row in [cells] if cells is not None else [row for _, row in rows or ()]:
            for position, column in zip(self._notes_at, self._mapping.notes, strict=True):
                text = row[position].strip(BLANKS)
                if _UNPRINTABLE_NOTE.search(text):
                    note(Noticed("note-unprintable", "the note holds control characters; it is not carried"), column)
                elif len(text) > _NOTE_LIMIT:
                    note(Noticed("note-too-long", f"the note has {len(text)} characters; it is not carried"), column)
                elif text:
                    texts[text] = None
        return tuple(texts)


@dataclass(frozen=True, slots=True, eq=False)
class _Qualifying:
    """A qualifier that the mapping reads from a column, or fixes."""

    key: str
    at: int
    column: str
    values: dict[str, str]
    fixed: str | None

    def answer(self, text: str) -> str:
        """Key of the answer a text means; "" for a blank cell and for a text that the mapping does not name."""
        return self.fixed or self.values.get(text.strip(BLANKS), "")

    def said(self, text: str, category: str) -> Iterator[tuple[Noticed, str]]:
        """What there is to say of a text for a patient category, with the column."""
        qualifier = qualifiers()[self.key]
        answer = self.answer(text)
        if not answer and text.strip(BLANKS):
            message = f"the mapping does not say which {self.key} {shown(text.strip(BLANKS))} is; it is left out"
            yield Noticed("undeclared-qualifier", message), self.column
        elif answer and category in qualifier.answers[answer].against:
            message = f"the patient category is {category}, the cuff is a {qualifier.answers[answer].title}"
            yield Noticed("cuff-not-for-category", message), self.column


def _beside(source: VitalSource) -> tuple[str | None, str | None, str | None]:
    """The columns that tell site, method and quality of a vital, where there are such."""
    return (
        source.site.column if isinstance(source.site, Site) else None,
        source.method.column if isinstance(source.method, Method) else None,
        source.quality.column if source.quality else None,
    )


@dataclass(slots=True)
class _Column:
    """Where a vital stands and what its texts have been found to mean, for one patient category.

    Attributes:
        besides: positions of the other columns that its meaning depends on.
        parts: which part of a text is its unit, site, method and quality; 0 for none (part 0 is the value).
        qualifiers: likewise, for the qualifiers it carries.
    """

    at: int
    name: str
    besides: tuple[int, ...]
    parts: tuple[int, ...]
    qualifiers: tuple[tuple[_Qualifying, int], ...]
    reader: ValueReader
    memo: dict[str, Reading | None] = field(default_factory=dict)


_SetRule = tuple[Rule, Callable[[list[Reading | None]], Any], list[str], dict[Any, Noticed | None]]


@dataclass(slots=True)
class _Run:
    """The ages of one list so far: the last one, and whether they rise (1) or fall (-1)."""

    anchor: str
    age: int | None = None
    direction: int = 0
    broken: bool = False


class _Who(NamedTuple):
    """A patient, how the patient was established, and a digest (`gateway.once.Key`)."""

    party: Party
    how: str
    digest: bytes


_STEPS = {"second": 1, "minute": 60, "day": 86400}
_UNREAD = Reading("", "", Outcome.UNREADABLE)
_UNNAMED = Reading("", "", Outcome.HELD)
_NOBODY = Party("")
_MALFORMED = Party("")
_MISCHECKED = Party("")
_ROLES = ("device", "operator", "location", "encounter")
_REFUSED = {
    "form": Noticed("patient-malformed", "the patient identifier does not have the declared form"),
    "check-digit": Noticed("identifier-check-digit", "the patient identifier fails its check digit"),
}
_UNPRINTABLE = re.compile("[\x00-\x1f\x7f-\x9f\ud800-\udfff]")
_UNPRINTABLE_NOTE = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\ud800-\udfff]")


def _digest(text: str, size: int) -> bytes:
    return hashlib.blake2b(text.encode("utf-8", "surrogatepass"), digest_size=size).digest()
