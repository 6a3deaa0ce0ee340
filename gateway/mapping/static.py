"""Everything that can be known to be wrong with a mapping before an export is seen: finds the checks and runs them.

Each check looks at the whole mapping, tells all it finds and stops at nothing. What the model alone can see (types,
unknown keys, allowed words) is told by `gateway.mapping.explain`; the agreements between keys, and with the vocabulary,
stand beside the tables they are about.
"""

from __future__ import annotations

from collections.abc import Callable, Collection
from collections.abc import Mapping as MappingOf
from typing import TypeAlias

from gateway.mapping import forms, uses
from gateway.mapping.hints import missing
from gateway.mapping.identifiers import check_uri
from gateway.mapping.model import Mapping
from gateway.mapping.places import Path
from gateway.mapping.problems import Problems, listed, nearest, quoted
from gateway.mapping.tables import category, numbers, output, parties, patient, plausibility, qualifiers, time, vitals

Effects: TypeAlias = MappingOf[str, Collection[str]]
"""Slug of a rule -> what a mapping may set its effect to."""


def check(
    mapping: Mapping,
    problems: Problems,
    known_rules: Collection[str] | None = None,
    adjustable_rules: Effects | None = None,
) -> None:
    """Note everything that is wrong with a mapping.

    Args:
        mapping: the mapping, or what could be saved of it (`gateway.mapping.explain.mended`).
        problems: takes the mistakes; knows which keys to leave alone.
        known_rules: slugs of the rules there are; None to leave `[rules]` unchecked.
        adjustable_rules: slugs of the rules whose effect a mapping may set, and to what; None for all.
    """
    for run in _CHECKS:
        run(mapping, problems)
    if known_rules is not None:
        _rules(mapping, problems, known_rules, adjustable_rules)


def _form(mapping: Mapping, problems: Problems) -> None:
    if not problems.known(("form",)):
        if mapping.delimited is None:
            problems.spoil(("delimited",))
        return
    for form in forms.tables():
        path: Path = (form,)
        there = getattr(mapping, form) is not None
        if form == mapping.form and not there and problems.known(path):
            problems.add(path, *missing(path))
            problems.spoil(path)
        elif form != mapping.form and there:
            problems.add(
                path,
                f"the table [{form}] is for exports of the form {form}, and the form here is {mapping.form}",
                f'Take it out, or write form = "{form}" at the top of the file',
            )


def _tables_of_forms(mapping: Mapping, problems: Problems) -> None:
    """Its own form first: of two mistakes in one line it has the one to be told first."""
    tables = forms.tables()
    tables[mapping.form].check(mapping, problems)
    for form, table in tables.items():
        if form != mapping.form:
            table.check(mapping, problems)


def _namespace(mapping: Mapping, problems: Problems) -> None:
    check_uri(mapping.namespace, ("namespace",), problems)


def _rules(mapping: Mapping, problems: Problems, known: Collection[str], adjustable: Effects | None) -> None:
    for slug in mapping.rules:
        if slug not in known:
            close = nearest(slug, known)
            problems.add(
                ("rules", slug),
                f"there is no rule named {quoted(slug)}",
                f"Write {close}, if that is what was meant" if close else "`gateway rules` lists them",
            )
        elif adjustable is not None and slug not in adjustable:
            problems.add(
                ("rules", slug),
                f"the effect of {slug} is not for a mapping to choose",
                f"Take it out; adjustable are {listed(sorted(adjustable), 30)}",
            )
        elif adjustable is not None and mapping.rules[slug] not in adjustable[slug] and not problems.earlier:
            problems.add(
                ("rules", slug),
                "what is unusual may be true, and is not marked in a record as doubtful",
                'Write "note" to record it, or "hold" to have somebody look first',
            )


_CHECKS: tuple[Callable[[Mapping, Problems], None], ...] = (
    _form,
    vitals.check,
    _tables_of_forms,
    numbers.check,
    uses.check,
    time.check,
    _namespace,
    patient.check,
    parties.check,
    category.check,
    qualifiers.check,
    vitals.check_patterns,
    plausibility.check,
    output.check,
)
"""In the order in which mistakes of one line are told."""
