"""Identifiers as an export writes them: declared prefixes taken off, the declared form and check digit looked at.

Nothing else is changed: no digit is added, no letter turned, no zero dropped.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import NamedTuple

from gateway.identity.nobody import nobody
from gateway.mapping.model import Identified, Patient
from gateway.mapping.schemes import passes
from gateway.mapping.tables.patient import ANY
from gateway.patterns import Pattern


class Identifier(NamedTuple):
    """An identifier, what is wrong with it ("", "nobody", "form", "check-digit"), whether a prefix was taken."""

    value: str
    fault: str = ""
    scanned: bool = False


class Identifiers:
    """Reads identifiers of one kind.

    Args:
        strip: prefixes that are no part of the identifier; the longest that fits is taken off, once.
        pattern: regular expression for the whole identifier without its prefix; "" for any.
        check: name of the check digit's scheme (`gateway.mapping.schemes`); "" for none.
        nobody: tells whether a text is no identifier at all; None where every text is one.
    """

    def __init__(
        self,
        *,
        strip: Iterable[str] = (),
        pattern: str = "",
        check: str = "",
        nobody: Callable[[str], bool] | None = None,
    ) -> None:
        self._prefixes = tuple(sorted(strip, key=len, reverse=True))
        self._pattern = Pattern(pattern) if pattern else None
        self._check = check
        self._nobody = nobody

    @classmethod
    def of(cls, source: Patient | Identified) -> Identifiers:
        """Those of a patient, a device, an operator, a location or an encounter, by their table of the mapping."""
        if isinstance(source, Patient):
            pattern = "" if source.pattern == ANY else source.pattern
            none = nobody("patient", source.nobody)
            return cls(strip=source.strip, pattern=pattern, check=source.check, nobody=none)
        return cls(strip=source.strip, check=source.check, nobody=nobody("anything", source.nobody))

    def read(self, text: str) -> Identifier:
        """An identifier of the export, blanks around it taken off already."""
        for prefix in self._prefixes:
            if text.startswith(prefix):
                text = text[len(prefix) :]
                if text != text.strip():
                    return Identifier(text, "form")
                return self.judged(text)._replace(scanned=True)
        return self.judged(text)

    def judged(self, value: str) -> Identifier:
        """An identifier that has no prefix."""
        if self._nobody is not None and self._nobody(value):
            return Identifier(value, "nobody")
        if not value or (self._pattern is not None and not self._pattern.fits(value)):
            return Identifier(value, "form")
        if self._check and not passes(self._check, value):
            return Identifier(value, "check-digit")
        return Identifier(value)
