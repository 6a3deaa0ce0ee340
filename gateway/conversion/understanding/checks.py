"""What holds or marks readings that were understood one by one: rules over a set, qualifiers, panels."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from operator import itemgetter

from gateway.checks import Rule, SetChecks
from gateway.conversion.understanding.candidate import Notes, marked
from gateway.conversion.understanding.values import Found
from gateway.mapping.model import Mapping as MappingFile
from gateway.memo import Memo
from gateway.model import Effect, Noticed, Outcome, Reading
from gateway.vocabulary import panels, vitals

_COMBINATIONS = 50_000
"""Combinations of readings for which a rule's answer is kept."""

_TRIED = frozenset({"error", "not-a-number", "negative-infinity", "positive-infinity"})
"""Reasons of an absent value that say that it was tried to measure it."""


class Checks:
    """The checks of a set that are more than the checks of its readings.

    Args:
        mapping: the mapping.
        keys: keys of its vitals, in the order of the slots.
        effects: rule -> what it does under the mapping.
    """

    def __init__(self, mapping: MappingFile, keys: Sequence[str], effects: Mapping[str, Effect]) -> None:
        checks = SetChecks(mapping, keys)
        self._effects = effects
        self._rules = [_SetRule(rule, keys, checks) for rule in checks.rules]
        self._marked = marked()
        self._failed_too = mapping.output.failed == "record"
        self._panel = {key: vitals()[key].panel for key in keys}
        self._required = frozenset(key for key in keys if vitals()[key].panel_required)

    def qualifiers(
        self, remarks: Iterable[tuple[Noticed, str]], keys: Collection[str], found: Found, notes: Notes
    ) -> None:
        """Say once for the set what is wrong with the qualifiers that its readings carry.

        Args:
            remarks: what is wrong, each with its column.
            keys: the vitals that carry qualifiers.
            found: the readings.
            notes: takes what is noticed.
        """
        if not any(reading is not None and reading.vital in keys for reading in found.slots):
            return
        said: dict[tuple[str, str], None] = {}
        for noticed, column in remarks:
            if self._effects[noticed.rule] is not Effect.OFF and (noticed.rule, column) not in said:
                said[noticed.rule, column] = None
                notes.note(noticed, column)
        for rule, _ in said:
            self._apply(self._effects[rule], keys, found)

    def together(self, found: Found, category: str, notes: Notes) -> None:
        """Apply the rules over the readings of a set, then hold what cannot go without what is held.

        Args:
            found: the readings.
            category: patient category.
            notes: takes what is noticed.
        """
        for rule in self._rules:
            noticed = rule.answers[category, rule.pick(found.slots)]
            if noticed is not None:
                notes.note(noticed)
                self._apply(self._effects[noticed.rule], rule.keys, found)
        if Outcome.HELD in found.outcomes:
            self._hold_panels(found, notes)

    def _apply(self, effect: Effect, keys: Collection[str], found: Found) -> None:
        """Hold the readings of some vitals, or mark them as questionable."""
        for position, reading in enumerate(found.readings):
            if reading.vital not in keys or found.outcomes[position] is not Outcome.RECORDED:
                continue
            if effect is Effect.HOLD:
                found.outcomes[position] = Outcome.HELD
            elif effect is Effect.FLAG and not reading.flagged:
                found.readings[position] = self._marked[reading]

    def _hold_panels(self, found: Found, notes: Notes) -> None:
        """A held member that its panel must have holds the panel: half a blood pressure is not sent while half waits.

        One that need not be there (a mean) waits alone.
        """
        waiting = {
            self._panel[reading.vital]
            for reading, outcome in zip(found.readings, found.outcomes, strict=True)
            if outcome is Outcome.HELD and reading.vital in self._required
        }
        for position, reading in enumerate(found.readings):
            if found.outcomes[position] is Outcome.RECORDED and self._panel.get(reading.vital) in waiting:
                found.outcomes[position] = Outcome.HELD
                title = panels()[self._panel[reading.vital]].title
                notes.note(
                    Noticed("panel-member-held", f"another value of the {title.lower()} is held"), vital=reading.vital
                )

    def kept(self, readings: Sequence[Reading], outcomes: Sequence[Outcome]) -> tuple[Reading, ...]:
        """The readings that go into records: the recorded ones, and the absent ones that belong beside them."""
        pairs = list(zip(readings, outcomes, strict=True))
        if Outcome.ABSENT not in outcomes:
            return tuple([reading for reading, outcome in pairs if outcome is Outcome.RECORDED])
        panels_recorded = {self._panel[reading.vital] for reading, outcome in pairs if outcome is Outcome.RECORDED}
        return tuple(
            [
                reading
                for reading, outcome in pairs
                if outcome is Outcome.RECORDED
                or (outcome is Outcome.ABSENT and self._is_told(reading, panels_recorded))
            ]
        )

    def _is_told(self, reading: Reading, panels_recorded: Collection[str]) -> bool:
        """Whether a record says that this value is absent: in a panel that is recorded, or as a failure by itself."""
        panel = self._panel[reading.vital]
        if panel and panel in panels_recorded:
            return True
        return self._failed_too and reading.reason in _TRIED and reading.vital != "bmi"


class _SetRule:
    """A rule over several vitals of a set.

    Attributes:
        keys: those of its vitals that the mapping reads.
        pick: takes their readings from the slots of a set.
        answers: category and these readings -> what the rule says of them, None for nothing.
    """

    __slots__ = ("_checks", "_rule", "answers", "keys", "pick")

    def __init__(self, rule: Rule, keys: Sequence[str], checks: SetChecks) -> None:
        self._rule = rule
        self._checks = checks
        self.keys = [key for key in rule.vitals if key in keys]
        self.pick = itemgetter(*[keys.index(key) for key in self.keys])
        self.answers: Memo[tuple[str, tuple[Reading | None, ...]], Noticed | None] = Memo(self._answer, _COMBINATIONS)

    def _answer(self, asked: tuple[str, tuple[Reading | None, ...]]) -> Noticed | None:
        category, members = asked
        recorded = {
            key: reading
            for key, reading in zip(self.keys, members, strict=True)
            if reading is not None and reading.outcome is Outcome.RECORDED
        }
        return self._checks.apply(self._rule, recorded, category) if len(recorded) > 1 else None
