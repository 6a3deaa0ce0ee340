"""The tables of the forms of export: one file each, named as the form, found by its being there.

They stand here and not with the adapters, because imports run downwards: a mapping is read and checked without any
adapter, and the adapters read it. That each form has both, a test makes sure of (`tests/adapters`).
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache

from gateway.discovery import find
from gateway.mapping.table import FormTable


@cache
def tables() -> Mapping[str, type[FormTable]]:
    """The forms of export and their tables, sorted.

    Raises:
        GatewayError: a module among them is broken.
    """
    return discover("gateway.mapping.forms")


def discover(package: str) -> dict[str, type[FormTable]]:
    """Load the tables of a package: one per module, named TABLE."""
    wanted = ("stand_ins", "hints", "encoding", "check")
    found: dict[str, type[FormTable]] = find(package, "TABLE", wanted, what="form of export", apart=())
    return found
