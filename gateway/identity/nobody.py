"""Texts that stand where an identifier belongs and are none: NA, unknown, 00000000, 1.23E+08."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Iterable
from functools import cache
from importlib import resources
from typing import Any


def nobody(kind: str, more: Iterable[str] = ()) -> Callable[[str], bool]:
    """A function that tells whether a text is no identifier.

    Args:
        kind: "patient", or "anything" for the identifiers of devices, operators, locations and encounters.
        more: further such texts, by the mapping.
    """
    words, shapes = _known(kind)
    everything = words | {_folded(text) for text in more}
    return lambda text: _folded(text) in everything or shapes.fullmatch(text) is not None


@cache
def _known(kind: str) -> tuple[frozenset[str], re.Pattern[str]]:
    text = resources.files("gateway.identity").joinpath("nobody.toml").read_text("utf-8")
    table: dict[str, Any] = tomllib.loads(text)
    kinds = ("anything", "patient") if kind == "patient" else ("anything",)
    words = frozenset(_folded(word) for each in kinds for word in table[each])
    shapes = "|".join(f"(?:{shape})" for each in kinds for shape in table["shapes"][each])
    return words, re.compile(shapes, re.IGNORECASE)


def _folded(text: str) -> str:
    return " ".join(text.split()).casefold()
