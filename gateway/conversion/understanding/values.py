"""The cells of the vitals become readings: each distinct text of a column is read and checked once.

What a text means can depend on other cells of its entry (unit, site, method, quality, qualifiers) and on the patient
category. The texts of these cells, joined, are what is looked up; there is a table for each category.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from collections.abc import Mapping as TextMap
from dataclasses import dataclass, replace
from functools import partial
from operator import itemgetter
from typing import Protocol

from gateway.checks import ReadingChecks
from gateway.conversion.fields import NOWHERE, Fields
from gateway.conversion.understanding.candidate import Notes
from gateway.conversion.understanding.qualifiers import Qualifier, Qualifiers
from gateway.mapping import Mapping, columns
from gateway.mapping.model import Method, Site, VitalSource
from gateway.memo import Memo
from gateway.model import BLANKS, Entry, Noticed, Outcome, Reading
from gateway.normalise.values import ValueReader, shown
from gateway.vocabulary import vitals

_CELLS = "\x1f"
"""Between the texts of an entry's cells."""

_ENTRIES = "\x1e"
"""Between the entries of a set."""

_UNNAMED = Reading("", "", Outcome.HELD)
OBTAINED = "obtained"
"""What a status means that says nothing against the value."""

_NO_VALUE = Noticed("value-blank", "the row names a vital and holds no value")
_TWICE = Noticed("repeat-in-batch", "the set holds this reading twice")
_TWO_VALUES = Noticed("label-repeated-in-set", "the set holds this vital with two different values")


@dataclass(slots=True)
class Found:
    """What the entries of a set say of the vitals.

    Attributes:
        slots: the reading of each vital of the mapping, in its order; None where there is none to rely on.
        readings: every reading.
        outcomes: what becomes of each of `readings`, as far as is known.
    """

    slots: list[Reading | None]
    readings: list[Reading]
    outcomes: list[Outcome]


class Layout(Protocol):
    """How entries hold the values of a set.

    Attributes:
        vitals: keys of the mapping's vitals, in the order of the vocabulary.
    """

    vitals: list[str]

    def sets(self, entries: Sequence[Entry]) -> Iterator[tuple[Sequence[Entry], str]]:
        """The entries of each set, and the texts of its measurements as one text."""

    def read(self, entries: Sequence[Entry], category: str, notes: Notes) -> Found:
        """What the entries of one set say, for one patient category."""

    def about(self, entries: Sequence[Entry], keys: frozenset[str]) -> Sequence[Entry]:
        """Those entries of a set that are about one of some vitals."""


def layout_of(mapping: Mapping, fields: Fields, qualifiers: Qualifiers) -> Layout:
    """The layout of an export."""
    return Long(mapping, fields, qualifiers) if mapping.long else Wide(mapping, fields, qualifiers)


class Wide:
    """One entry is a set: each vital has a column of its own."""

    def __init__(self, mapping: Mapping, fields: Fields, qualifiers: Qualifiers) -> None:
        sources = mapping.vitals.values()
        measured = fields.every(name for each in sources for name in (each.column, each.unit_column) if name)
        self.vitals = _ordered(mapping)
        self._content = _texts_at({*measured, *_beside(mapping, fields), *qualifiers.columns()})
        self._tables = _tables(mapping, fields, qualifiers, self.vitals)

    def sets(self, entries: Sequence[Entry]) -> Iterator[tuple[Sequence[Entry], str]]:
        """See `Layout.sets`."""
        content = self._content
        for entry in entries:
            yield (entry,), _CELLS.join(content(entry[1]))

    def read(self, entries: Sequence[Entry], category: str, notes: Notes) -> Found:
        """See `Layout.read`."""
        _, cells = entries[0]
        slots: list[Reading | None] = []
        for column in self._tables[category]:
            text = cells[column.at]
            if column.besides:
                text = _CELLS.join([text, *[cells[at] for at in column.besides]])
            reading = column.readings[text]
            if reading is not None and reading.noticed:
                for noticed in reading.noticed:
                    notes.note(noticed, column.name, reading.vital)
            slots.append(reading)
        readings = [reading for reading in slots if reading is not None]
        return Found(slots, readings, [reading.outcome for reading in readings])

    def about(self, entries: Sequence[Entry], keys: frozenset[str]) -> Sequence[Entry]:
        """See `Layout.about`: an entry is about all vitals."""
        return entries


class Long:
    """One entry is one value, which a label names; the entries of a set follow each other and agree in all the rest."""

    def __init__(self, mapping: Mapping, fields: Fields, qualifiers: Qualifiers) -> None:
        layout = mapping.delimited
        assert layout is not None
        assert layout.label_column is not None
        assert layout.value_column is not None
        self.vitals = _ordered(mapping)
        self._slot = {key: slot for slot, key in enumerate(self.vitals)}
        self._label_column, self._value_column = layout.label_column, layout.value_column
        self._label, self._value = fields.at(layout.label_column), fields.at(layout.value_column)
        self._unit = fields.at(layout.unit_column or None)
        self._any_order = layout.order == "any"
        self._status = Status(layout.status_column, layout.statuses, fields)
        self._keys: dict[str, list[str]] = {}
        for key in self.vitals:
            for label in mapping.vitals[key].labels:
                self._keys.setdefault(label, []).append(key)
        beside = _beside(mapping, fields) | qualifiers.columns()
        measured = {self._label, self._value} | ({self._unit, self._status.at} - {NOWHERE})
        shared = set(fields.every(columns(mapping))) - measured - beside - set(fields.every(mapping.notes))
        self._content = _texts_at(measured | beside)
        self._of_set = _texts_at(shared)
        self._tables = _tables(mapping, fields, qualifiers, self.vitals)
        self._blank = {
            key: Reading(key, "", Outcome.ABSENT, reason="unknown", noticed=(_NO_VALUE,)) for key in self.vitals
        }

    def sets(self, entries: Sequence[Entry]) -> Iterator[tuple[Sequence[Entry], str]]:
        """See `Layout.sets`."""
        if self._any_order:
            groups: dict[tuple[str, ...], list[Entry]] = {}
            for entry in entries:
                groups.setdefault(self._of_set(entry[1]), []).append(entry)
            for group in groups.values():
                # What a set says does not depend on the order of its rows.
                yield group, _ENTRIES.join(sorted(_CELLS.join(self._content(cells)) for _, cells in group))
            return
        start = 0
        while start < len(entries):
            shared = self._of_set(entries[start][1])
            end = start + 1
            while end < len(entries) and self._of_set(entries[end][1]) == shared:
                end += 1
            own = entries[start:end]
            yield own, _ENTRIES.join([_CELLS.join(self._content(cells)) for _, cells in own])
            start = end

    def read(self, entries: Sequence[Entry], category: str, notes: Notes) -> Found:
        """See `Layout.read`.

        Where a vital is there twice, the second is a repeat if it says the same; if not, neither is to be relied on.
        """
        slots: list[Reading | None] = [None] * len(self.vitals)
        texts: dict[int, str] = {}
        others: list[tuple[Reading, Outcome]] = []
        disputed: set[int] = set()
        blanks: list[tuple[int, int]] = []
        with_status = self._status.at >= 0
        table = self._tables[category]
        for line, cells in entries:
            keys = self._keys.get(cells[self._label].strip(BLANKS))
            if keys is None:
                if cells[self._value].strip(BLANKS):
                    others.append((_UNNAMED, Outcome.HELD))
                    noticed = Noticed("undeclared-label", "the mapping names no vital for this label")
                    notes.note(noticed, self._label_column, line=line)
                continue
            unit = cells[self._unit] if self._unit >= 0 else ""
            for key in keys:
                slot = self._slot[key]
                column = table[slot]
                text = _CELLS.join([cells[self._value], unit, *[cells[at] for at in column.besides]])
                reading = column.readings[text]
                if with_status:
                    reading = self._status.says(key, cells, self._value) or reading
                if reading is None:
                    if not cells[self._value].strip(BLANKS):
                        blanks.append((slot, line))
                    continue
                for noticed in reading.noticed:
                    notes.note(noticed, self._value_column, key, line)
                if slots[slot] is None:
                    slots[slot] = reading
                    texts[slot] = text
                elif texts[slot] == text:
                    others.append((reading, Outcome.REPEAT))
                    notes.note(_TWICE, self._label_column, key, line)
                else:
                    others.append((reading, Outcome.HELD))
                    disputed.add(slot)
                    notes.note(_TWO_VALUES, self._label_column, key, line)
        for slot, line in blanks:
            blank = self._blank[self.vitals[slot]]
            notes.note(blank.noticed[0], self._value_column, blank.vital, line)
            if slots[slot] is None:
                slots[slot] = blank
            else:
                others.append((blank, Outcome.REPEAT))
        readings, outcomes = [], []
        for slot, first in enumerate(slots):
            if first is None:
                continue
            unsure = slot in disputed and first.outcome is Outcome.RECORDED
            readings.append(first)
            outcomes.append(Outcome.HELD if unsure else first.outcome)
            if unsure:
                slots[slot] = None
        readings += [reading for reading, _ in others]
        return Found(slots, readings, outcomes + [outcome for _, outcome in others])

    def about(self, entries: Sequence[Entry], keys: frozenset[str]) -> Sequence[Entry]:
        """See `Layout.about`."""
        label = self._label
        return [each for each in entries if keys.intersection(self._keys.get(each[1][label].strip(BLANKS), ()))]


class Status:
    """The column that says whether the value of a row was obtained (long layout).

    Args:
        column: its name, None where there is none.
        meanings: its texts and what they mean: "obtained", or a code of FHIR's data-absent-reason.
        fields: where the columns stand.

    Attributes:
        at: its position, NOWHERE where there is none.
    """

    def __init__(self, column: str | None, meanings: TextMap[str, str], fields: Fields) -> None:
        self.at = fields.at(column)
        self._meanings = {"": OBTAINED} | {text.strip(BLANKS): meant for text, meant in meanings.items()}

    def says(self, vital: str, cells: list[str], value: int) -> Reading | None:
        """What the status makes of a row: a reading without a value, or one that is held; None for it to be read.

        Args:
            vital: key of the vital.
            cells: of the row.
            value: position of the value.
        """
        text = cells[self.at].strip(BLANKS)
        meant = self._meanings.get(text)
        if meant == OBTAINED:
            return None
        written = cells[value]
        if meant is None:
            what = f"The mapping does not say what the status {shown(text)} means"
            return Reading(vital, written, Outcome.HELD, noticed=(Noticed("undeclared-status", what),))
        if written.strip(BLANKS):
            what = f"The status {shown(text)} says that there is no value, and the row holds one"
            return Reading(vital, written, Outcome.HELD, noticed=(Noticed("status-against-value", what),))
        noticed = Noticed("absent-declared", f"the status {shown(text)} is declared as absent: {meant}")
        return Reading(vital, written, Outcome.ABSENT, reason=meant, noticed=(noticed,))


class _Column:
    """The cells of one vital, for one patient category.

    Args:
        reader: reads its values.
        mapping: the mapping.
        source: what the mapping says of the vital.
        fields: where the columns stand.
        qualifiers: those that the vital carries.
        check: asks the rules about single readings.

    Attributes:
        at: position of its column.
        name: name of the column.
        besides: positions of the other columns that its meaning depends on.
        readings: texts of the cells, joined -> what they mean, None where nothing was measured.
    """

    __slots__ = ("_check", "_parts", "_qualifiers", "_reader", "_texts", "at", "besides", "name", "readings")

    def __init__(
        self,
        reader: ValueReader,
        mapping: Mapping,
        source: VitalSource,
        fields: Fields,
        qualifiers: Sequence[Qualifier],
        check: Callable[[Reading], Reading],
    ) -> None:
        layout = mapping.delimited
        self.name = source.column or (layout.value_column if layout is not None else None) or ""
        self.at = fields.at(self.name)
        self.readings: Memo[str, Reading | None] = Memo(self._read)
        self._reader = reader
        self._check = check
        besides: list[int] = []
        # In the long layout the unit stands behind the value, whether there is a column for it or not.
        own = 2 if mapping.long else 1

        def part(position: int) -> int:
            """Which of the texts is that of a column; the first for none."""
            if position < 0:
                return 0
            besides.append(position)
            return own + len(besides) - 1

        unit = 1 if mapping.long else part(fields.at(source.unit_column))
        self._parts = (unit, *[part(fields.at(name)) for name in _about_value(source)])
        self._qualifiers = tuple([(each, part(each.at)) for each in qualifiers])
        self.besides = tuple(besides)
        self._texts = own + len(besides)

    def _read(self, text: str) -> Reading | None:
        """What the texts of the cells mean, after the rules about single readings."""
        texts = text.split(_CELLS)
        if len(texts) != self._texts:  # a separator in a cell: the text as a whole is then read, and held
            texts = [text] + [""] * (self._texts - 1)
        reading = self._reader.read(texts[0], *[texts[part] if part else "" for part in self._parts])
        if reading is None:
            return None
        if self._qualifiers and reading.outcome in (Outcome.RECORDED, Outcome.ABSENT):
            stated = [(each.key, each.answer(texts[part] if part else "")) for each, part in self._qualifiers]
            reading = replace(reading, qualifiers=tuple([(key, answer) for key, answer in stated if answer]))
        return self._check(reading)


def _tables(mapping: Mapping, fields: Fields, qualifiers: Qualifiers, keys: Sequence[str]) -> Memo[str, list[_Column]]:
    """Patient category -> the columns of the vitals, with what has been understood."""
    checks = ReadingChecks(mapping)
    readers = {key: ValueReader(key, mapping.vitals[key], mapping) for key in keys}

    def table(category: str) -> list[_Column]:
        check = partial(checks.apply, category=category)
        return [
            _Column(reader, mapping, mapping.vitals[key], fields, qualifiers.of(key), check)
            for key, reader in readers.items()
        ]

    return Memo(table)


def _ordered(mapping: Mapping) -> list[str]:
    """The vitals of a mapping in the order of the vocabulary."""
    order = list(vitals())
    return sorted(mapping.vitals, key=order.index)


def _about_value(source: VitalSource) -> tuple[str | None, str | None, str | None]:
    """The columns that tell site, method and quality of a vital, where there are such."""
    return (
        source.site.column if isinstance(source.site, Site) else None,
        source.method.column if isinstance(source.method, Method) else None,
        source.quality.column if source.quality else None,
    )


def _beside(mapping: Mapping, fields: Fields) -> set[int]:
    """Positions of the columns that say something about the value in another one."""
    return set(fields.every(name for source in mapping.vitals.values() for name in _about_value(source) if name))


def _texts_at(positions: Iterable[int]) -> Callable[[list[str]], tuple[str, ...]]:
    """Takes the texts of some cells, in the order of the columns.

    Each is taken twice, so that one alone comes as a tuple too. Digests that ledgers keep are made of these texts.
    """
    return itemgetter(*sorted(positions) * 2)
