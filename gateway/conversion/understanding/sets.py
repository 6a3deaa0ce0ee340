"""The way of an entry to a set: which entries make one, and what each part of them says."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from collections.abc import Set as AbstractSet
from datetime import datetime

from gateway.checks import effects
from gateway.conversion.fields import Fields
from gateway.conversion.options import Options
from gateway.conversion.understanding.candidate import Candidate, Notes, held
from gateway.conversion.understanding.checks import Checks
from gateway.conversion.understanding.qualifiers import Qualifiers
from gateway.conversion.understanding.source import Source
from gateway.conversion.understanding.values import Found, layout_of
from gateway.conversion.understanding.when import when_of
from gateway.conversion.understanding.who import UNSOUND, Category, Patients, roles
from gateway.identity import Associations
from gateway.mapping import LoadedMapping
from gateway.mapping import Mapping as MappingFile
from gateway.model import BLANKS, Entry, Noticed, Outcome, Party, SetItem
from gateway.normalise.clocks import Dump, Older
from gateway.once import Patient
from gateway.vocabulary.tables import whole_of

_NOBODY = Party("")
_NO_VALUES = Noticed("set-has-no-values", "the entry holds no value for any vital of the mapping")
_LOST_A_ROW = Noticed("set-lost-a-row", "a row beside these cannot be read, and may belong to this set")
_LONGEST = 4_000
_UNPRINTABLE = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\ud800-\udfff]")


class Understanding:
    """Reads entries as sets of readings.

    Args:
        loaded: the mapping.
        names: column names of the export, in the order of the cells.
        options: for the times of receipt and of sending.
        associations: who was on which device, or None.
        merged: patients (system, identifier) whose identifiers were merged -> who stands for them.
    """

    def __init__(
        self,
        loaded: LoadedMapping,
        names: Sequence[str],
        options: Options,
        associations: Associations | None,
        merged: Mapping[Patient, Patient],
    ) -> None:
        mapping = loaded.mapping
        fields = Fields(names)
        self._effects = effects(mapping)
        self._category = Category(mapping, fields)
        self._qualifiers = Qualifiers(mapping, fields)
        self._layout = layout_of(mapping, fields, self._qualifiers)
        self._checks = Checks(mapping, self._layout.vitals, self._effects)
        self._when = when_of(mapping, fields, options)
        self._time_columns = " ".join(mapping.time.columns)
        self._roles = roles(mapping, fields)
        self._device_column = mapping.device.column
        self._patients = Patients(mapping, fields, associations, merged, self._when)
        self._assigned: Mapping[int, tuple[str, str]] = {}
        self._source = Source(mapping, fields, self._when)
        self._free_text = _FreeText(mapping, fields) if mapping.notes else None

    def take_up(
        self,
        patients: Mapping[int, tuple[str, str]],
        received: int | None,
        sent: datetime | None,
        older: Mapping[tuple[int, Dump], Older],
    ) -> None:
        """Set what is known besides the export.

        Args:
            patients: line -> patient identifier and its system, where a person has assigned one.
            received: when the export was received, in seconds since 1970-01-01T00:00:00Z; None when not known.
            sent: when the list was sent, where that was given.
            older: (export, list) -> which of its entries are from before a clock was set.
        """
        self._assigned = patients
        self._when.take_up(received, sent, older)

    def sets(
        self, entries: Sequence[Entry], export: int, incomplete: AbstractSet[int] = frozenset()
    ) -> Iterator[Candidate]:
        """The sets of a block, in the order of their first entries.

        Args:
            entries: the entries of the block.
            export: position of the export in the batch.
            incomplete: lines of entries whose sets may have lost a row that could not be read; these sets are held.
        """
        for own, content in self._layout.sets(entries):
            whole = not incomplete or incomplete.isdisjoint([line for line, _ in own])
            yield self._set(export, own, content, whole)

    def _set(self, export: int, entries: Sequence[Entry], content: str, whole: bool) -> Candidate:
        line, cells = entries[0]
        named = self._patients.text(cells)
        notes = Notes(self._effects, export, line, self._patients.said(cells, named))

        moment = self._when.moment(export, line, cells)
        found = self._read(entries, self._category.of(cells, moment, notes), notes)
        for noticed in moment.noticed:
            notes.note(noticed, self._time_columns)
        parties = device, operator, location, encounter = [role.of(cells) for role in self._roles]
        if line in self._assigned:
            who = self._patients.assigned(*self._assigned[line], notes)
        else:
            who = self._patients.of(cells, named, device, moment, notes)
        sound = self._sound(parties, notes)
        if not whole:
            sound = False
            notes.note(_LOST_A_ROW)

        # Without patient, time and sound parties there is nothing to record, and nothing to compare with.
        whose = who if sound and moment.fhir else None
        outcomes = found.outcomes if whose is not None else held(found.outcomes)
        clean = outcomes.count(Outcome.RECORDED) == len(outcomes)
        kept = tuple(found.readings) if clean else self._checks.kept(found.readings, outcomes)
        key = None
        if whose is not None and found.readings:
            key = self._source.key((export, line), cells, whose, device, moment, kept, content)
        said = self._free_text.of(entries, notes) if self._free_text is not None else ()
        if moment.resolution:
            said = (*said, f"Time known to {moment.known_to}: stamped as an age.")
        patient = who.party if who is not None else _NOBODY
        identity = key.identity.hex() if key else ""
        item = SetItem(identity, line, patient, moment, kept, device, operator, location, encounter, said)
        return Candidate(item, found.readings, None if clean else outcomes, notes.found, key)

    def _read(self, entries: Sequence[Entry], category: str, notes: Notes) -> Found:
        """The readings of a set, after all that is checked about them."""
        found = self._layout.read(entries, category, notes)
        if not found.readings:
            notes.note(_NO_VALUES)
        if self._qualifiers.all:
            about = self._layout.about(entries, self._qualifiers.vitals)
            remarks = self._qualifiers.remarks(about, whole_of(category))
            self._checks.qualifiers(remarks, self._qualifiers.vitals, found, notes)
        self._checks.together(found, category, notes)
        if self._qualifiers.all:
            for noticed, column in self._qualifiers.left_behind(entries, found.readings, found.outcomes):
                notes.note(noticed, column)
        return found

    def _sound(self, parties: Sequence[Party | None], notes: Notes) -> bool:
        """Whether device, operator, location and encounter can be recorded; what is wrong with them is told."""
        if parties[0] is None and self._device_column:
            notes.note(Noticed("device-missing", "the entry names no device"), self._device_column)
        if not any(party in UNSOUND for party in parties):
            return True
        for role, party in zip(self._roles, parties, strict=True):
            fault = role.fault(party)
            if fault is not None:
                notes.note(fault)
        return False


class _FreeText:
    """Free text that the export carries along with its sets."""

    def __init__(self, mapping: MappingFile, fields: Fields) -> None:
        self._columns = list(zip(fields.every(mapping.notes), mapping.notes, strict=True))

    def of(self, entries: Sequence[Entry], notes: Notes) -> tuple[str, ...]:
        """The texts of a set, each once; one that cannot be carried is told."""
        texts: dict[str, None] = {}
        for _, cells in entries:
            for position, column in self._columns:
                text = cells[position].strip(BLANKS)
                if _UNPRINTABLE.search(text):
                    notes.note(
                        Noticed("note-unprintable", "the note holds control characters; it is not carried"), column
                    )
                elif len(text) > _LONGEST:
                    notes.note(
                        Noticed("note-too-long", f"the note has {len(text)} characters; it is not carried"), column
                    )
                elif text:
                    texts[text] = None
        return tuple(texts)
