"""Reads the rules that carry only words: a table each in `rules.toml`, which says at its top what its keys mean."""

from __future__ import annotations

import tomllib
from itertools import pairwise
from typing import Any, get_args

from gateway.checks.base import About, Rule, Subject
from gateway.errors import VocabularyError
from gateway.model import Effect, Severity

FILE = "rules.toml"

_WORDS = ("title", "why", "example", "reference", "todo")
_CHOICES: dict[str, tuple[str, ...]] = {
    "severity": tuple(Severity),
    "effect": (Effect.HOLD, Effect.FLAG, Effect.NOTE),
    "subject": get_args(Subject),
    "about": get_args(About),
}
_NEEDED = ("severity", "effect", "subject", *_WORDS)
_KEYS = (*_NEEDED, "about", "adjustable", "vitals")


def read(text: str) -> dict[str, Rule]:
    """The rules of a table of rules.

    Args:
        text: the text of `rules.toml`.

    Returns:
        The rules by slug, in their order, which is the alphabet's.

    Raises:
        VocabularyError: the text is no TOML, its tables are out of order, or one of them cannot be used.
    """
    try:
        tables = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise broken(FILE, f"the file cannot be read ({error})") from error
    for before, after in pairwise(tables):
        if before > after:
            raise broken(f"{FILE}, table {after}", f'the table stands after "{before}": the tables go by the alphabet')
    return {slug: _rule(slug, table) for slug, table in tables.items()}


def broken(where: str, what: str) -> VocabularyError:
    """A mistake in the rules themselves, which no user made."""
    return VocabularyError(what, where=where, todo="This is a fault in the gateway: please report it")


def _rule(slug: str, table: Any) -> Rule:
    """One table as a rule."""
    where = f"{FILE}, table {slug}"
    if not isinstance(table, dict):
        raise broken(where, f'"{slug}" is not a table')
    for key in _NEEDED:
        if key not in table:
            raise broken(where, f'the key "{key}" is missing')
    for key, value in table.items():
        if key not in _KEYS:
            raise broken(where, f'there is no key "{key}"; the keys are {", ".join(_KEYS)}')
        if key in _CHOICES and value not in _CHOICES[key]:
            raise broken(where, f'"{key}" is {value!r}, not one of {", ".join(filter(None, _CHOICES[key]))}')
        if key in _WORDS and not (isinstance(value, str) and value):
            raise broken(where, f'"{key}" is not a text')
        if key == "adjustable" and not isinstance(value, bool):
            raise broken(where, '"adjustable" is neither true nor false')
        if key == "vitals" and not (isinstance(value, list) and all(isinstance(each, str) for each in value)):
            raise broken(where, '"vitals" is not a list of names')
    typed = {
        "severity": Severity(table["severity"]),
        "effect": Effect(table["effect"]),
        "vitals": tuple(table.get("vitals", ())),
    }
    return Rule(slug, **{**table, **typed})
