"""Associations from FHIR R4 in NDJSON: DeviceUseStatement and other resources, one on each line."""

from __future__ import annotations

from gateway.identity.associations import Association
from gateway.identity.forms import _fhir
from gateway.identity.reading import Issuers


class FORM:
    """FHIR in NDJSON."""

    name = "FHIR in NDJSON"
    endings = (".ndjson",)
    begins = _fhir.BEGINS
    holds = "FHIR R4: one resource on each line"

    @staticmethod
    def read(text: str, where: str, issuers: Issuers) -> list[Association]:
        """Read the resources of the lines."""
        return _fhir.read_lines(text, where, issuers)

    @staticmethod
    def example() -> str:
        """One statement, whose end belongs to it."""
        return _fhir.EXAMPLE + "\n"
