"""The audit trail: entries that are only added, each holding the hash of the one before.

Triggers refuse changes in both databases, and the chain of hashes tells of those that were made past them. An end that
was cut off leaves no gap in the chain: keep the newest hash elsewhere where that matters.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import TypeAlias

from sqlalchemy import Connection, insert, select

from gateway.ledger.rows import AuditEntry
from gateway.ledger.tables import audit

New: TypeAlias = tuple[datetime, str, str, str, str, Mapping[str, object]]
"""When, who, action, subject, why, detail."""

_FIRST = bytes(32)


def append(connection: Connection, entries: Sequence[New]) -> None:
    """Add entries at the end, in one transaction with whatever they are about."""
    last = connection.execute(select(audit.c.id, audit.c.hash).order_by(audit.c.id.desc()).limit(1)).one_or_none()
    number, previous = (last.id, last.hash) if last is not None else (0, _FIRST)
    rows = []
    for at, who, action, subject, why, detail in entries:
        number += 1
        told = json.dumps(detail, ensure_ascii=False, sort_keys=True, separators=(",", ":"))
        entry = AuditEntry(number, at.astimezone(UTC), who, action, subject, why, told, previous, b"")
        previous = _hash(entry)
        rows.append(entry._replace(hash=previous)._asdict())
    if rows:
        connection.execute(insert(audit), rows)


def append_all(
    connection: Connection, who: str, action: str, why: str, about: Mapping[str, Mapping[str, object]]
) -> None:
    """Add the entries of one decision about several subjects, each with its detail."""
    at = datetime.now(UTC)
    append(connection, [(at, who, action, subject, why, detail) for subject, detail in about.items()])


def first_broken(connection: Connection) -> int | None:
    """The id of the first entry that is not what was written, or None."""
    previous = _FIRST
    rows = connection.execution_options(stream_results=True).execute(select(audit).order_by(audit.c.id))
    for number, row in enumerate(rows, 1):
        entry = AuditEntry._make(row)
        if (entry.id, entry.previous, entry.hash) != (number, previous, _hash(entry)):
            return number
        previous = entry.hash
    return None


def _hash(entry: AuditEntry) -> bytes:
    at = entry.at.astimezone(UTC).isoformat(timespec="microseconds")
    told = [entry.id, at, entry.who, entry.action, entry.subject, entry.why, entry.detail, entry.previous.hex()]
    return hashlib.sha256(json.dumps(told, ensure_ascii=True).encode("ascii")).digest()
