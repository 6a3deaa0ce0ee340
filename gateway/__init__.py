"""Spot-check gateway: readings from portable monitors into FHIR R4 Observations and HL7 v2 ORU messages.

The public face is `__all__`; everything else may change. Names are loaded when they are first asked for, so
`import gateway` costs next to nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from gateway.conversion import Batch, convert
    from gateway.errors import GatewayError
    from gateway.mapping.model import Mapping
    from gateway.report.model import Report

__all__ = ["Batch", "GatewayError", "Mapping", "Report", "convert"]

_HOMES = {
    "Batch": "gateway.conversion",
    "GatewayError": "gateway.errors",
    "Mapping": "gateway.mapping.model",
    "Report": "gateway.report.model",
    "convert": "gateway.conversion",
}


def __getattr__(name: str) -> object:
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    value = getattr(import_module(_HOMES[name]), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
