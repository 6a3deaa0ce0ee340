"""The tables of vitals: where each stands and how it is read."""

from __future__ import annotations

from collections.abc import Collection
from typing import TYPE_CHECKING, Literal

from pydantic import Field

from gateway import vocabulary
from gateway.mapping import units
from gateway.mapping.places import Path
from gateway.mapping.problems import Problems, listed, meant, nearest, quoted
from gateway.mapping.table import Table, Text, Words
from gateway.mapping.texts import regex, texts_there, tokens
from gateway.vocabulary import Vital

if TYPE_CHECKING:
    from gateway.mapping.model import Mapping

AbsentReason = Literal[
    "unknown", "asked-unknown", "temp-unknown", "not-asked", "asked-declined", "masked", "not-applicable",
    "unsupported", "as-text", "error", "not-a-number", "negative-infinity", "positive-infinity", "not-performed",
    "not-permitted",
]  # fmt: skip
"""The 15 codes of http://terminology.hl7.org/CodeSystem/data-absent-reason, FHIR R4 4.0.1."""


class Absent(Table):
    """A token that means: there is no value."""

    reason: AbsentReason
    meaning: Words | Literal[""] = Field(default="", description="what the monitor means by it, in words")


class Site(Table):
    """Body site from a column."""

    column: Text
    values: dict[str, Text] = Field(description="text in the column = site key of the vocabulary")
    not_stated: list[Text] = Field(default=[], description="texts that mean what a blank cell means")


class Method(Table):
    """Method of measuring from a column."""

    column: Text
    values: dict[str, Text] = Field(description="text in the column = method key of the vocabulary")
    not_stated: list[Text] = Field(default=[], description="texts that mean what a blank cell means")


class Quality(Table):
    """Signal quality from a column: what the monitor itself thinks of the value."""

    column: Text
    values: dict[str, Literal["good", "questionable", "invalid"]] = Field(
        description="text in the column = what it means; a blank cell says nothing, any other text is held"
    )


class VitalSource(Table):
    """Where one vital stands and how it is read."""

    column: Text | None = Field(default=None, description="wide layout")
    labels: list[Text] = Field(default=[], description="long layout: texts of the label column that mean this vital")
    pattern: str = Field(
        default="", description="regular expression with named groups; the group named as this vital is read"
    )
    unit: Text | None = Field(default=None, description="fixed unit, in UCUM or a usual spelling")
    unit_column: Text | None = Field(default=None, description="wide layout: the column that holds the unit")
    unit_in_text: bool = Field(default=False, description="the unit stands behind the number in the cell")
    units: dict[str, Text] | list[Text] = Field(default=[], description="unit texts accepted from a column or the text")
    record_unit: Text | None = Field(
        default=None, description="UCUM unit of the record; default: the vocabulary's first"
    )
    decimals: int | None = Field(
        default=None, ge=0, le=4, description="decimals of a converted value; default: vocabulary"
    )
    method: Text | Method | None = Field(default=None, description="method key of the vocabulary, or a column")
    site: Text | Site | None = Field(default=None, description="site key of the vocabulary, or a column")
    quality: Quality | None = Field(default=None, description="signal quality from a column")
    codes: dict[str, Text] = Field(default={}, description="coded vitals: text = answer key of the vocabulary")
    absent: dict[str, AbsentReason | Absent] = Field(
        default={}, description="tokens that mean absent, besides the common ones"
    )
    comparators: bool | None = None


def check(mapping: Mapping, problems: Problems) -> None:
    """Note what is wrong with the tables of vitals and with the tokens that mean absent; patterns are apart."""
    known = vocabulary.vitals()
    for key, source in mapping.vitals.items():
        vital = known.get(key)
        path: Path = ("vitals", key)
        if vital is None:
            problems.add(path, f"{quoted(key)} is not a vital the gateway knows", _meant_vital(key))
            problems.spoil(path)
            continue
        units.check(mapping, source, vital, path, problems)
        _site_and_method(source, vital, path, problems)
        _answers(source, vital, path, problems)
        tokens(source.absent, (*path, "absent"), problems, blank=True)
    tokens(mapping.absent, ("absent",), problems, blank=True)


def _meant_vital(name: str) -> str:
    known = vocabulary.vitals()
    plain = name.replace("_", " ").casefold()
    for key, vital in known.items():
        if plain in {label.casefold() for label in vital.labels} or plain == vital.title.casefold():
            return f"Write [vitals.{key}], if {vital.title.lower()} is meant; known: {listed(known, 30)}"
    close = nearest(name, known)
    if close:
        return f"Write [vitals.{close}], if that is what was meant; known: {listed(known, 30)}"
    return f"Known: {listed(known, 30)}"


def _site_and_method(source: VitalSource, vital: Vital, path: Path, problems: Problems) -> None:
    for name, told, known, example in (
        ("site", source.site, vital.sites, '"O" = "oral"'),
        ("method", source.method, vital.methods, '"OSC" = "oscillometric"'),
    ):
        if isinstance(told, str):
            _choice(told, (*path, name), name, known, vital, problems)
        elif told is not None:
            texts_there(told.values, (*path, name, "values"), example, problems)
            for text, choice in told.values.items():
                _choice(choice, (*path, name, "values", text), name, known, vital, problems)
    if source.quality is not None and vital.kind == "coded":
        problems.add((*path, "quality"), f"{vital.key} is one of a few answers and has no quality", "Take it out")
    elif source.quality is not None:
        texts_there(source.quality.values, (*path, "quality", "values"), '"LOW" = "questionable"', problems)


def _choice(name: str, path: Path, what: str, known: Collection[str], vital: Vital, problems: Problems) -> None:
    if name not in known:
        todo = meant(name, known) if known else f"Take it out: the vocabulary has no {what} for {vital.key}"
        article = "an" if what == "answer" else "a"
        problems.add(path, f"{quoted(name)} is not {article} {what} of {vital.key}", todo)


def _answers(source: VitalSource, vital: Vital, path: Path, problems: Problems) -> None:
    if vital.kind != "coded":
        if source.codes:
            problems.add(
                (*path, "codes"),
                f"{vital.key} is a number, not one of a few answers",
                "Take codes out; tokens that stand for no value belong in absent",
            )
        return
    if not source.codes and problems.known((*path, "codes")):
        problems.add(
            path,
            f"nothing says which texts mean which answer of {vital.key}",
            f'Add codes = {{ "text" = "answer" }}; answers: {listed(vital.answers)}',
        )
    tokens(source.codes, (*path, "codes"), problems)
    for text, answer in source.codes.items():
        _choice(answer, (*path, "codes", text), "answer", vital.answers, vital, problems)
        if text in source.absent:
            problems.add(
                (*path, "absent", text), f"{quoted(text)} is an answer in codes as well", "Keep one of the two"
            )


def check_patterns(mapping: Mapping, problems: Problems) -> None:
    """Note what is wrong with the patterns: groups that name no vital, or whose value would be lost."""
    known = vocabulary.vitals()
    for key, source in mapping.vitals.items():
        if not source.pattern or key not in known:
            continue
        path: Path = ("vitals", key, "pattern")
        pattern = regex(source.pattern, path, problems)
        if pattern is None:
            continue
        groups = set(pattern.names)
        if key not in groups:
            problems.add(path, f"no group is named {key}", f"Name the group that holds the value: (?P<{key}>\\d+)")
        elif pattern.fits(""):
            problems.add(path, "it fits the empty text", "Make the number necessary: \\d+ rather than \\d*")
        for group in sorted(groups - {key}):
            if group not in known:
                problems.add(
                    path,
                    f"the group {group} is not a vital the gateway knows",
                    f"Use (?:...) for a group that is not read; {_lower_first(meant_key(group))}",
                )
            elif not _reads(mapping, group, source) and problems.known(("vitals", group)):
                where = f"column = {quoted(source.column)}" if source.column is not None else "the same labels"
                todo = f"Add [vitals.{group}] with {where} and the same pattern, or use (?:...)"
                if group in mapping.vitals:
                    todo = f"Use (?:...), as {group} is read from elsewhere"
                problems.add(path, f"the group {group} is read by no vital, so its value would be lost", todo)


def check_columns(
    mapping: Mapping, problems: Problems, *, labels: str, needs: str, column: str, instead: str = ""
) -> None:
    """Note the vitals that have no column where each needs one, and those that have labels.

    Args:
        mapping: the mapping.
        problems: takes the mistakes.
        labels: what labels belong to.
        needs: what needs the columns.
        column: what a column is there.
        instead: the same where labels stood; "" for the same words.
    """
    for key, source in mapping.vitals.items():
        if source.labels:
            problems.add(
                ("vitals", key, "labels"),
                f"labels belong to {labels}",
                f"Take labels out and add column = {quoted(source.labels[0])}, {instead or column}",
            )
        elif source.column is None and problems.known(("vitals", key, "column")):
            problems.add(("vitals", key), f"{needs} needs the column of this vital", f'Add column = "...", {column}')


def meant_key(name: str) -> str:
    """What to do about a name that is no vital's key."""
    close = nearest(name, vocabulary.vitals())
    return f"Write {close}, if that is what was meant" if close else f"Known: {listed(vocabulary.vitals(), 30)}"


def _lower_first(text: str) -> str:
    return text[:1].lower() + text[1:]


def _reads(mapping: Mapping, key: str, like: VitalSource) -> bool:
    other = mapping.vitals.get(key)
    if other is None:
        return False
    return other.column == like.column and (like.column is not None or bool(set(other.labels) & set(like.labels)))
