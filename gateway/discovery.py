"""Finds what a package offers by its being there: adapters, targets, forms of associations.

What is half done stops the program with the name of the module and of what is missing in it: something that is left
out in silence would be found out by a patient's record.
"""

from __future__ import annotations

import importlib
import pkgutil
from collections.abc import Collection
from typing import Any

from gateway.errors import GatewayError


def members(face: type) -> tuple[str, ...]:
    """Names of the methods and properties of a protocol, in its order: whoever has that face has all of them."""
    found = (name for name, value in vars(face).items() if callable(value) or isinstance(value, property))
    return tuple(name for name in found if name[0] != "_" or name in ("__enter__", "__exit__"))


def find(package: str, attribute: str, wanted: Collection[str], *, what: str, apart: Collection[str]) -> dict[str, Any]:
    """Load the one class that each module of a package offers, except modules whose name begins with "_".

    Args:
        package: dotted name of the package.
        attribute: name that each module gives its class.
        wanted: what the class must have.
        what: what such a class is called, for errors.
        apart: modules of the package that offer none.

    Returns:
        The classes by the name of their module, sorted.

    Raises:
        GatewayError: a module cannot be imported, has no such class, or its class lacks something.
    """
    found: dict[str, Any] = {}
    for info in pkgutil.iter_modules(importlib.import_module(package).__path__):
        if info.name in apart or info.name.startswith("_"):
            continue
        name = f"{package}.{info.name}"
        try:
            module = importlib.import_module(name)
        except Exception as error:
            raise broken(name, what, f"cannot be imported ({type(error).__name__}: {error})") from error
        offered = getattr(module, attribute, None)
        if not isinstance(offered, type):
            raise broken(name, what, f"defines no class named {attribute}")
        fields = getattr(offered, "model_fields", ())  # of a model of pydantic, which keeps them apart
        missing = [each for each in wanted if not hasattr(offered, each) and each not in fields]
        if missing:
            raise broken(name, what, f"lacks {', '.join(missing)} in its {attribute}")
        found[info.name] = offered
    return dict(sorted(found.items()))


def broken(name: str, what: str, fault: str) -> GatewayError:
    """The error for a module that is half done."""
    return GatewayError(
        f"this {what} {fault}", where=f"module {name}", todo="Mend the module or take it out of the folder"
    )
