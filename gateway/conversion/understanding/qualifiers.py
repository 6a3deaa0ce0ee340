"""What is said beside a measurement, for the set as a whole: mode, cuff, position."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import chain

from gateway.conversion.fields import NOWHERE, Fields
from gateway.mapping import Mapping
from gateway.mapping import model as keys
from gateway.memo import Memo
from gateway.model import BLANKS, Entry, Noticed, Outcome, Reading
from gateway.normalise.values import shown
from gateway.vocabulary import panels, qualifiers, vitals


@dataclass(frozen=True, slots=True, eq=False)
class Qualifier:
    """A qualifier that the mapping reads from a column, or fixes.

    Attributes:
        key: its key in the vocabulary.
        at: position of its column, NOWHERE where it is fixed.
        column: name of the column, "" where it is fixed.
        values: text -> key of the answer.
        fixed: key of the answer for the whole export, or None.
        not_stated: texts that mean what a blank cell means.
    """

    key: str
    at: int
    column: str
    values: dict[str, str]
    fixed: str | None
    not_stated: frozenset[str] = frozenset()

    def answer(self, text: str) -> str:
        """Key of the answer a text means; "" for a blank cell and for a text that the mapping does not name."""
        return self.fixed or self.values.get(text.strip(BLANKS), "")

    def remarks(self, text: str, category: str) -> Iterator[tuple[Noticed, str]]:
        """What there is to say of a text for a patient category, with the column."""
        qualifier = qualifiers()[self.key]
        answer = self.answer(text)
        if not answer and text.strip(BLANKS) and text.strip(BLANKS) not in self.not_stated:
            message = f"the mapping does not say which {self.key} {shown(text.strip(BLANKS))} is; it is left out"
            yield Noticed("undeclared-qualifier", message), self.column
        elif answer and category in qualifier.answers[answer].against:
            message = f"the patient category is {category}, the cuff is a {qualifier.answers[answer].title}"
            yield Noticed("cuff-not-for-category", message), self.column


class Qualifiers:
    """The qualifiers of an export.

    Args:
        mapping: the mapping.
        fields: where the columns stand.

    Attributes:
        all: those that the mapping reads or fixes.
        vitals: keys of the vitals they are said of.
    """

    def __init__(self, mapping: Mapping, fields: Fields) -> None:
        self.all = tuple(_declared(mapping, fields))
        table = vitals()
        self.vitals = frozenset(
            key for key in mapping.vitals if table[key].panel and panels()[table[key].panel].qualifiers
        )
        self._of_patient = [each for each in self.all if each.at >= 0 and qualifiers()[each.key].of_patient]
        self._remarks: Memo[tuple[str, tuple[str, ...]], tuple[tuple[Noticed, str], ...]] = Memo(self._of_texts)

    def of(self, vital: str) -> tuple[Qualifier, ...]:
        """The qualifiers that are said of a vital."""
        return self.all if vital in self.vitals else ()

    def columns(self) -> set[int]:
        """Positions of their columns."""
        return {each.at for each in self.all} - {NOWHERE}

    def remarks(self, entries: Sequence[Entry], category: str) -> Iterator[tuple[Noticed, str]]:
        """What is wrong with the qualifiers of entries, each with its column."""
        for _, cells in entries:
            texts = tuple([cells[each.at] if each.at >= 0 else "" for each in self.all])
            yield from self._remarks[category, texts]

    def left_behind(
        self, entries: Sequence[Entry], readings: Sequence[Reading], outcomes: Sequence[Outcome]
    ) -> Iterator[tuple[Noticed, str]]:
        """What entries say of the patient that no record of theirs says, each with its column.

        Args:
            entries: the entries of a set.
            readings: its readings.
            outcomes: what becomes of each of them.
        """
        pairs = zip(readings, outcomes, strict=True)
        recorded = [reading for reading, outcome in pairs if outcome is Outcome.RECORDED]
        carried = {pair for reading in recorded if reading.vital in self.vitals for pair in reading.qualifiers}
        for each in self._of_patient if recorded else ():
            stated = dict.fromkeys(each.answer(cells[each.at]) for _, cells in entries)
            for answer in stated:
                if answer and (each.key, answer) not in carried:
                    known = qualifiers()[each.key]
                    what = f"the {known.title} ({known.answers[answer].title}) is in no record: only those of "
                    yield Noticed("qualifier-not-carried", f"{what}blood pressures have a place for it"), each.column

    def _of_texts(self, key: tuple[str, tuple[str, ...]]) -> tuple[tuple[Noticed, str], ...]:
        category, texts = key
        pairs = zip(self.all, texts, strict=True)
        return tuple(chain.from_iterable(each.remarks(text, category) for each, text in pairs))


def _declared(mapping: Mapping, fields: Fields) -> Iterator[Qualifier]:
    for key in qualifiers():
        source: keys.Qualifier = getattr(mapping, key)
        if source.column is not None or source.fixed is not None:
            values = {text.strip(BLANKS): answer for text, answer in source.values.items()}
            blank = frozenset(source.not_stated)
            yield Qualifier(key, fields.at(source.column), source.column or "", values, source.fixed, blank)
