"""A set that is understood and not yet recorded, and what is noticed about it on the way."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

from gateway.checks import finding
from gateway.memo import Memo
from gateway.model import Effect, Finding, Noticed, Outcome, Reading, SetItem
from gateway.once import Earlier, Key


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
        """Hold every reading that would have been recorded: there are no records of the set."""
        before = self.outcomes or [reading.outcome for reading in self.readings]
        self.outcomes = held(before)
        self.item.readings = ()


def held(outcomes: Sequence[Outcome]) -> list[Outcome]:
    """The outcomes of readings of which none is to be recorded."""
    return [Outcome.HELD if outcome is Outcome.RECORDED else outcome for outcome in outcomes]


def marked() -> Memo[Reading, Reading]:
    """Readings -> the same, marked as questionable.

    There is one object for each, as whatever is made of a reading is remembered by the object.
    """
    return Memo(lambda reading: replace(reading, flagged=True))


class Notes:
    """What is noticed about one set, as findings at their place.

    Args:
        effects: rule -> what it does under the mapping.
        export: position of the export in the batch.
        line: line of the set's first entry.
        named: what the export says of who the patient is: the identifier, or name and birth date. Columns that moved
            put it where a value belongs, and messages quote values.

    Attributes:
        found: the findings.
    """

    __slots__ = ("_effects", "_export", "_line", "_named", "found")

    def __init__(self, effects: Mapping[str, Effect], export: int, line: int, named: Sequence[str]) -> None:
        self.found: list[Finding] = []
        self._effects = effects
        self._export = export
        self._line = line
        self._named = named

    def note(self, noticed: Noticed, column: str = "", vital: str = "", line: int = 0) -> None:
        """Take down what was noticed.

        Args:
            noticed: rule and message.
            column: name of the column it is about, "" for none.
            vital: key of the vital it is about, "" for none.
            line: line of the entry, 0 for the set's first.
        """
        for text in self._named:
            if len(text) > 2 and text in noticed.message:
                noticed = noticed._replace(message=noticed.message.replace(text, "(the patient's identifier)"))
        self.found.append(
            finding(
                noticed,
                export=self._export,
                line=line or self._line,
                column=column,
                vital=vital,
                effect=self._effects[noticed.rule],
            )
        )
