"""Rules: what the gateway notices, why it matters and what it does about it.

A rule with a check is a file of `gateway/checks/rules`, found by being there; what another stage notices is a table of
`rules.toml`. `gateway rules` and the documentation are made from both. A check looks and says; it never changes a
value. What follows from it is the rule's effect, which the mapping may change where the rule allows it.
"""

from __future__ import annotations

import pkgutil
from collections.abc import Collection, Mapping
from dataclasses import replace
from fractions import Fraction
from functools import cache
from importlib import import_module, resources
from types import MappingProxyType

# The folder and the function share a name: importing the folder first leaves the name to the function.
import gateway.checks.rules as _folder
from gateway import vocabulary
from gateway.checks import table
from gateway.checks.base import Rule
from gateway.checks.table import broken
from gateway.errors import MappingError
from gateway.mapping.model import Category
from gateway.mapping.model import Mapping as MappingFile
from gateway.model import Effect, Finding, Noticed, Outcome, Reading, Severity
from gateway.vocabulary import Limits
from gateway.vocabulary.tables import whole_of

__all__ = ["LimitsInForce", "ReadingChecks", "Rule", "SetChecks", "discover", "effects", "finding", "rules"]

_SEVERITY = {Effect.HOLD: Severity.ERROR, Effect.FLAG: Severity.WARNING, Effect.NOTE: Severity.INFORMATION}


@cache
def rules() -> Mapping[str, Rule]:
    """Every rule by slug, sorted.

    Raises:
        VocabularyError: a rule file or the table of rules is broken, or a slug stands in both.
    """
    tables = table.read(resources.files(__package__).joinpath(table.FILE).read_text("utf-8"))
    return MappingProxyType(joined(tables, discover(_folder.__name__)))


def joined(tables: Mapping[str, Rule], files: Mapping[str, Rule]) -> dict[str, Rule]:
    """The rules of the table and of the files as one, sorted by slug.

    Raises:
        VocabularyError: a slug stands in both.
    """
    for slug in tables.keys() & files.keys():
        raise broken(f"{table.FILE}, table {slug}", "the rule has a file as well, and can have one of the two only")
    return dict(sorted({**tables, **files}.items()))


def discover(package: str) -> dict[str, Rule]:
    """Load the rules that have a check: one module of a package each, holding `RULE`.

    Args:
        package: importable name of the package.

    Returns:
        The rules by slug, sorted.

    Raises:
        VocabularyError: a module cannot be imported, holds no `RULE`, its name is not its rule's slug, or its rule has
            no check.
    """
    found = {}
    for module in pkgutil.iter_modules(import_module(package).__path__):
        where = f"{package}.{module.name}"
        try:
            rule = import_module(where).RULE
        except Exception as error:
            raise broken(where, f"the rule file cannot be loaded ({type(error).__name__}: {error})") from error
        if not isinstance(rule, Rule):
            raise broken(where, "RULE is not a Rule")
        if rule.slug != module.name.replace("_", "-"):
            raise broken(where, f'the rule is called "{rule.slug}", which is not the name of its file')
        if rule.check is None:
            raise broken(where, f"the rule has no check: write it as a table of {table.FILE}")
        found[rule.slug] = rule
    return dict(sorted(found.items()))


def effects(mapping: MappingFile) -> Mapping[str, Effect]:
    """What each rule does under a mapping: its default, or the mapping's choice where the rule allows one.

    Raises:
        MappingError: the mapping names an unknown rule or one whose effect is fixed.
    """
    known = rules()
    chosen = {slug: rule.effect for slug, rule in known.items()}
    problems = []
    for slug, effect in mapping.rules.items():
        if slug in known and known[slug].adjustable:
            # A mapping of before may mark what is unusual; the check of a mapping refuses it.
            unmarked = known[slug].unusual and effect == "flag"
            chosen[slug] = Effect.NOTE if unmarked else Effect(effect)
            continue
        what = f'the effect of rule "{slug}" is fixed' if slug in known else f'there is no rule "{slug}"'
        todo = "`gateway rules` lists the rules and says which may be set"
        problems.append(MappingError(what, where=f"key rules.{slug}", todo=todo))
    if problems:
        raise MappingError("the table of rules cannot be used", where="key rules", problems=problems)
    return MappingProxyType(chosen)


def finding(
    noticed: Noticed,
    *,
    export: int,
    line: int,
    column: str = "",
    vital: str = "",
    offset: int = -1,
    effect: Effect | None = None,
) -> Finding:
    """Give what was noticed its place.

    Args:
        noticed: rule and message.
        export: position of the export in the batch, from 1; 0 for the batch itself.
        line: line in the export, from 1; 0 when there is none.
        column: column name, or "".
        vital: key of the vital, or "".
        offset: byte offset in the export, from 0; -1 when not known.
        effect: the effect in force, from `effects(mapping)`; None for the rule's own.

    Returns:
        The finding, with the effect in force. The severity is the rule's own, unless the mapping changed the
        effect: then a hold is an error, a mark a warning, a note information.

    Raises:
        VocabularyError: there is no such rule.
    """
    rule = rules().get(noticed.rule)
    if rule is None:
        raise broken(f"rule {noticed.rule}", "a stage names a rule that does not exist")
    if effect is None or effect is rule.effect:
        effect, severity = rule.effect, rule.severity
    else:
        severity = _SEVERITY.get(effect, rule.severity)
    return Finding(noticed.rule, severity, effect, noticed.message, export, line, offset, column, vital)


class LimitsInForce:
    """The limits of the profile that a mapping chooses, with the mapping's own in their place.

    Args:
        mapping: the mapping file; its `[plausibility]` table is used.

    Raises:
        MappingError: the table cannot be used.
    """

    def __init__(self, mapping: MappingFile) -> None:
        self._plausibility = mapping.plausibility
        if self._plausibility.profile not in vocabulary.profiles():
            raise MappingError(
                f'there is no plausibility profile "{self._plausibility.profile}"',
                where="key plausibility.profile",
                todo=f"Choose one of: {', '.join(vocabulary.profiles())}",
            )
        self._limits: dict[tuple[str, str, str], Limits | None] = {}
        for category, overrides in self._plausibility.limits.items():
            for vital in overrides:
                self._override(category, vital)

    def of(self, vital: str, category: str, unit: str) -> Limits | None:
        """The limits in force for a vital, in a unit.

        Args:
            vital: key of the vital.
            category: patient category.
            unit: UCUM unit wanted.

        Returns:
            The profile's limits with the mapping's own in their place, converted exactly; None when there are none.
        """
        key = (vital, category, unit)
        if key not in self._limits:
            found = self._in_force(vital, category)
            self._limits[key] = _in_unit(found, vital, unit) if found else None
        return self._limits[key]

    def _in_force(self, vital: str, category: str) -> Limits | None:
        for known, overrides in self._plausibility.limits.items():
            if known == whole_of(category) and vital in overrides:
                return self._override(known, vital)
        return vocabulary.limits(self._plausibility.profile, category, vital)

    def _override(self, category: Category, vital: str) -> Limits:
        """The profile's limits with those the mapping states in their place."""
        band = self._plausibility.limits[category][vital]
        where = f"key plausibility.limits.{category}.{vital}"
        known = vocabulary.vitals().get(vital)
        if known is None or not known.units:
            raise MappingError(
                f'there is no vital "{vital}" with a number',
                where=where,
                todo="`gateway vitals` lists the vitals",
            )
        table = vocabulary.limits(self._plausibility.profile, category, vital)
        for name, pair in (("hold", band.hold), ("flag", band.flag)):
            if pair is not None and pair[0] > pair[1]:
                raise MappingError(
                    f"the lower {name} limit is above the upper one", where=where, todo="Write them as [low, high]"
                )
        return Limits(
            hold=_fractions(band.hold) or (table.hold if table else None),
            flag=_fractions(band.flag) or (table.flag if table else None),
            unit=table.unit if table else known.units[0],
            source="the mapping",
        )


class ReadingChecks:
    """The checks of single readings under one mapping.

    Args:
        mapping: the mapping file; its `[rules]` and `[plausibility]` tables are used.

    Attributes:
        limits: the limits in force.

    Raises:
        MappingError: one of those tables cannot be used.
    """

    def __init__(self, mapping: MappingFile) -> None:
        self._effects = effects(mapping)
        self.limits = LimitsInForce(mapping)
        checks = (
            rule
            for rule in rules().values()
            if rule.subject == "reading" and rule.check and self._effects[rule.slug] is not Effect.OFF
        )
        self._rules = sorted(checks, key=lambda rule: (rule.rank, rule.slug))

    def apply(self, reading: Reading, category: str) -> Reading:
        """Check one reading.

        A reading without a number, or already held, is left as it is. After a rule has held the reading no other is
        asked, and only the first rule that marks it, or tells it as unusual, speaks: one cause, one finding.

        Args:
            reading: the reading as normalised.
            category: patient category; "unknown" takes the widest limits.

        Returns:
            A new reading with `noticed`, `outcome` and `flagged` as the rules say; the same one when none speaks.
        """
        if reading.outcome is not Outcome.RECORDED or reading.exact is None:
            return reading
        limits = self.limits.of(reading.vital, category, reading.unit)
        noticed: list[Noticed] = []
        flagged = reading.flagged
        held = unusual = False
        for rule in self._rules:
            effect = self._effects[rule.slug]
            said = (effect is Effect.FLAG and flagged) or (
                rule.unusual and (unusual or flagged) and effect is not Effect.HOLD
            )
            if said or (rule.vitals and reading.vital not in rule.vitals):
                continue
            assert rule.check is not None
            message = rule.check(reading, limits)
            if message is None:
                continue
            noticed.append(Noticed(rule.slug, message))
            flagged = flagged or effect is Effect.FLAG
            unusual = unusual or rule.unusual
            held = effect is Effect.HOLD
            if held:
                break
        if not noticed:
            return reading
        outcome = Outcome.HELD if held else reading.outcome
        return replace(reading, noticed=(*reading.noticed, *noticed), outcome=outcome, flagged=flagged)


class SetChecks:
    """The checks between the readings of one set under one mapping.

    Args:
        mapping: the mapping file; its `[rules]` and `[plausibility]` tables are used.
        vitals: keys of the vitals the mapping reads.

    Attributes:
        rules: the rules that can speak: not switched off, and at least two of their vitals are read.

    Raises:
        MappingError: one of those tables cannot be used.
    """

    def __init__(self, mapping: MappingFile, vitals: Collection[str]) -> None:
        self._effects = effects(mapping)
        self._limits = LimitsInForce(mapping)
        self.rules: tuple[Rule, ...] = tuple(
            rule
            for rule in rules().values()
            if rule.subject == "set"
            and rule.check
            and self._effects[rule.slug] is not Effect.OFF
            and len(set(rule.vitals).intersection(vitals)) >= 2
        )

    def apply(self, rule: Rule, readings: Mapping[str, Reading], category: str) -> Noticed | None:
        """Ask one rule about a set.

        Args:
            rule: one of `rules`.
            category: patient category; "unknown" takes the widest limits.
            readings: readings of the set by vital. Those that are not recorded, or have a comparator, are left out:
                nothing exact can be said about them.

        Returns:
            What the rule says, or None. It concerns those of `rule.vitals` that are recorded in the set.
        """
        compared = {
            vital: reading
            for vital in rule.vitals
            if (reading := readings.get(vital)) is not None
            and reading.outcome is Outcome.RECORDED
            and (reading.exact is not None or reading.code)
            and not reading.comparator
        }
        if len(compared) < 2 or rule.check is None:
            return None
        message = rule.check(compared, *self._limits_for(rule, category))
        return None if message is None else Noticed(rule.slug, message)

    def _limits_for(self, rule: Rule, category: str) -> list[Limits | None]:
        if not rule.limits_of:
            return []
        return [self._limits.of(rule.limits_of, category, vocabulary.vitals()[rule.limits_of].units[0])]

    def effect(self, rule: str) -> Effect:
        """What a rule does under this mapping."""
        return self._effects[rule]


def _fractions(pair: tuple[object, object] | None) -> tuple[Fraction, Fraction] | None:
    return None if pair is None else (Fraction(str(pair[0])), Fraction(str(pair[1])))


def _in_unit(limits: Limits, vital: str, unit: str) -> Limits:
    if limits.unit == unit:
        return limits

    def converted(band: tuple[Fraction, Fraction] | None) -> tuple[Fraction, Fraction] | None:
        if band is None:
            return None
        low, high = (vocabulary.convert(end, limits.unit, unit, vital=vital) for end in band)
        return low, high

    return Limits(hold=converted(limits.hold), flag=converted(limits.flag), unit=unit, source=limits.source)
