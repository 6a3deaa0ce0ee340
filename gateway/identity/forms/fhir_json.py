"""Associations from FHIR R4 in JSON: a Bundle with DeviceUseStatement resources, or one of them."""

from __future__ import annotations

from gateway.identity.associations import Association
from gateway.identity.forms import _fhir
from gateway.identity.reading import Issuers


class FORM:
    """FHIR in JSON."""

    name = "FHIR in JSON"
    endings = (".json",)
    begins = _fhir.BEGINS
    holds = "FHIR R4: a Bundle with DeviceUseStatement resources, or one of them"

    @staticmethod
    def read(text: str, where: str, issuers: Issuers) -> list[Association]:
        """Read a Bundle, or one DeviceUseStatement."""
        return _fhir.read_bundle(text, where, issuers)

    @staticmethod
    def example() -> str:
        """One statement, whose end belongs to it."""
        return _fhir.EXAMPLE
