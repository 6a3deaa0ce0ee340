"""The ledger: what was read, recorded, held, retracted and sent, so that nothing is lost and nothing said twice.

The rows are plain and load at once; SQLAlchemy is loaded when a ledger is opened.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

from gateway.errors import LedgerError
from gateway.ledger.rows import (
    SETTLED_FROM,
    AtLine,
    AuditEntry,
    Hold,
    HoldCounts,
    HoldFilter,
    HoldRow,
    KnownExport,
    KnownSet,
    OutboxCount,
    OutboxFilter,
    OutboxItem,
    OutboxKind,
    PastRun,
    Recovered,
    RunInfo,
    SentPart,
    SetFilter,
    SetRow,
    Sighting,
    Standing,
    Stopped,
    StoredBlock,
    Waiting,
)

if TYPE_CHECKING:
    from gateway.ledger.run import Run
    from gateway.ledger.store import Ledger, open_ledger

__all__ = [
    "SETTLED_FROM",
    "AtLine",
    "AuditEntry",
    "Hold",
    "HoldCounts",
    "HoldFilter",
    "HoldRow",
    "KnownExport",
    "KnownSet",
    "Ledger",
    "LedgerError",
    "OutboxCount",
    "OutboxFilter",
    "OutboxItem",
    "OutboxKind",
    "PastRun",
    "Recovered",
    "Run",
    "RunInfo",
    "SentPart",
    "SetFilter",
    "SetRow",
    "Sighting",
    "Standing",
    "Stopped",
    "StoredBlock",
    "Waiting",
    "open_ledger",
]

_HOMES = {"Ledger": "gateway.ledger.store", "Run": "gateway.ledger.run", "open_ledger": "gateway.ledger.store"}


def __getattr__(name: str) -> object:
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(_HOMES[name]), name)
