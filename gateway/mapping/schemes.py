"""Check digits by name: of python-stdnum, and the older modulus 11 that many record numbers carry."""

from __future__ import annotations

import pkgutil
from collections.abc import Callable
from functools import cache
from importlib import import_module

# The general systems: ISO/IEC 7812-1 (luhn), ISO/IEC 7064, Verhoeff, Damm.
_GENERAL = {
    "luhn": "luhn",
    "mod-11-2": "iso7064.mod_11_2",
    "mod-11-10": "iso7064.mod_11_10",
    "mod-37-2": "iso7064.mod_37_2",
    "mod-37-36": "iso7064.mod_37_36",
    "mod-97-10": "iso7064.mod_97_10",
    "verhoeff": "verhoeff",
    "damm": "damm",
}
_OWN = "mod-11"
# Modules without numbers, and iso9362, the old name of bic.
_NO_SCHEMES = frozenset({"exceptions", "numdb", "util", "iso7064", "iso9362", *_GENERAL})


@cache
def names() -> tuple[str, ...]:
    """Every name a mapping may give: the general systems first, then python-stdnum's own, such as "gb.nhs"."""
    import stdnum

    found = []
    for module in pkgutil.iter_modules(stdnum.__path__):
        if module.name in _NO_SCHEMES:
            continue
        if not module.ispkg:
            found.append(module.name)
            continue
        folder = [f"{path}/{module.name}" for path in stdnum.__path__]
        found += [f"{module.name}.{inner.name}" for inner in pkgutil.iter_modules(folder)]
    return (*general(), *sorted(found))


def general() -> tuple[str, ...]:
    """The names of the systems that belong to no country and no kind of number."""
    return tuple(sorted([*_GENERAL, _OWN]))


@cache
def scheme(name: str) -> Callable[[str], str] | None:
    """What validates numbers of a scheme: gives the number as the scheme writes it, or raises; None: no such scheme."""
    if name == _OWN:
        return _mod_11
    if name not in names():
        return None
    module = import_module(f"stdnum.{_GENERAL.get(name, name)}")
    return getattr(module, "validate", None)


def passes(name: str, value: str) -> bool:
    """Whether a value is a number of a scheme as it stands.

    Some schemes complete what they are given: they put lost zeros back, turn letters, take prefixes off. What needs
    that does not pass. Blanks, hyphens and other marks between letters and digits do not count.
    """
    validate = scheme(name)
    # Some schemes read digits of other scripts.
    if validate is None or not value.isascii():
        return False
    try:
        full = validate(value)
    except Exception:  # noqa: BLE001
        # Besides its own errors a scheme may fail on texts it does not expect; neither is a number of it.
        return False
    return _letters(full) == _letters(value)


def _letters(text: str) -> str:
    return "".join(sign for sign in text if sign.isalnum() or sign == "*")


def _mod_11(number: str) -> str:
    """Weights 2 to 7 from the right, over and over; the check digit completes the sum to a multiple of 11.

    A remainder that would need the digit 10 has no number. Source of weights and example:
    https://5y1.org/download/a7001dc9b68fcb20b4c96c613ec7fdb1.doc; that the remainder 0 gives the digit 0 is common
    practice, no source.
    """
    if not number.isdecimal() or len(number) < 2:
        raise ValueError("not digits")
    total = sum(int(digit) * (2 + place % 6) for place, digit in enumerate(reversed(number[:-1])))
    if (total + int(number[-1])) % 11:
        raise ValueError("check digit")
    return number
