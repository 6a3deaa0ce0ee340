"""The tables of the ledger, as the newest migration leaves them."""

from __future__ import annotations

import hashlib
from datetime import UTC, datetime

from sqlalchemy import (
    BigInteger,
    Column,
    DateTime,
    Dialect,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    Table,
    Text,
    TypeDecorator,
    text,
)

REVISIONS = ("0001", "0002", "0003", "0004")
"""The steps of the schema in order; the last is what this program reads and writes."""

VERSION_TABLE = "ledger_version"
APPLICATION_ID = 0x53504F54
"""Stands in the header of an SQLite file that is a ledger ("SPOT")."""

METADATA = MetaData()


class Utc(TypeDecorator[datetime]):
    """A moment: aware in Python, always UTC, without its zone where the database has none."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """To the database."""
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError("a time without a zone")
        value = value.astimezone(UTC)
        return value.replace(tzinfo=None) if dialect.name == "sqlite" else value

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """From the database."""
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)


# SQLite numbers rows by itself only where the type is INTEGER.
_Id = BigInteger().with_variant(Integer, "sqlite")

mappings = Table(
    "mappings",
    METADATA,
    Column("sha256", Text, primary_key=True),
    Column("text", Text, nullable=False),
)

runs = Table(
    "runs",
    METADATA,
    Column("id", _Id, primary_key=True),
    Column("token", Text, nullable=False, unique=True),
    Column("state", Text, nullable=False),
    Column("mapping_sha256", Text, ForeignKey("mappings.sha256"), nullable=False),
    Column("mapping_title", Text, nullable=False),
    Column("mapping_version", Text, nullable=False),
    Column("namespace", Text, nullable=False),
    Column("gateway", Text, nullable=False),
    Column("options", Text, nullable=False),
    Column("associations_sha256", Text, nullable=False),
    Column("started", Utc, nullable=False),
    Column("written", Utc),
    Column("finished", Utc),
    Column("stage", Text, nullable=False, server_default=""),
    Column("target", Text, nullable=False, server_default=""),
    Column("replaces", Text, nullable=False, server_default=""),
    Column("counts", Text, nullable=False, server_default=""),
)

exports = Table(
    "exports",
    METADATA,
    Column("id", _Id, primary_key=True),
    # Bytes, read with the mappings of one namespace and title: see `read_as`.
    Column("read_as", Text, nullable=False, unique=True),
    Column("sha256", Text, nullable=False, server_default=""),
    Column("size", BigInteger, nullable=False),
    Column("lines", BigInteger, nullable=False),
    Column("form", Text, nullable=False),
    Column("first_run", _Id, ForeignKey("runs.id"), nullable=False),
    Index("exports_by_bytes", "sha256"),
)


def read_as(sha256: str, namespace: str, title: str) -> str:
    """What makes an export one: its bytes and the mappings, in whichever version, that read it."""
    return hashlib.sha256(f"{namespace}\n{title}\n{sha256}".encode()).hexdigest()


run_exports = Table(
    "run_exports",
    METADATA,
    Column("run", _Id, ForeignKey("runs.id"), primary_key=True, autoincrement=False),
    Column("export_id", _Id, ForeignKey("exports.id"), primary_key=True, autoincrement=False),
)

blocks = Table(
    "blocks",
    METADATA,
    Column("export_id", _Id, ForeignKey("exports.id"), primary_key=True, autoincrement=False),
    Column("number", Integer, primary_key=True, autoincrement=False),
    Column("data", LargeBinary, nullable=False),
)

contents = Table(
    "contents",
    METADATA,
    Column("run", _Id, ForeignKey("runs.id"), primary_key=True, autoincrement=False),
    Column("name", Text, primary_key=True),
    Column("size", BigInteger, nullable=False),
    Column("sha256", Text, nullable=False),
    Column("data", LargeBinary, nullable=False),
)

# The tables that grow with the readings name runs and exports without foreign keys: PostgreSQL would look up each of
# them for each row, which took as long as everything else, and neither runs nor exports are ever removed.
sets = Table(
    "sets",
    METADATA,
    Column("identity", LargeBinary, primary_key=True),
    Column("block", Integer, nullable=False),
    Column("line", BigInteger, nullable=False),
    Column("device", Text, nullable=False),
    Column("epoch", BigInteger, nullable=False),
    Column("patient", Text, nullable=False),
    Column("patient_system", Text, nullable=False),
    Column("sequence", Text, nullable=False),
    Column("content", LargeBinary, nullable=False),
    Column("readings", Text, nullable=False),
    Column("rules", Text, nullable=False),
    Column("keys", Text, nullable=False),
    Column("fhir", Text, nullable=False),
    Column("oru", Text, nullable=False),
    Column("status", Text, nullable=False),
    Column("export_id", _Id, nullable=False),
    Column("run", _Id, nullable=False),
    Column("namespace", Text, nullable=False),
    Column("state", Text, nullable=False, server_default="recorded"),
    Column("revision", Integer, nullable=False, server_default="1"),
    Column("retracted_run", _Id),
    Column("retracted_reason", Text, nullable=False, server_default=""),
    Column("wall", BigInteger, nullable=False, server_default="0"),
    Column("chain", LargeBinary),
    Column("how", Text, nullable=False, server_default=""),
    Column("changed_run", _Id),
    Index("sets_by_place", "namespace", "device", "wall"),
    Index(
        "sets_changed",
        "changed_run",
        sqlite_where=text("changed_run IS NOT NULL"),
        postgresql_where=text("changed_run IS NOT NULL"),
    ),
    Index("sets_by_patient", "patient_system", "patient", "epoch"),
    Index("sets_by_line", "export_id", "line"),
)

# Columns that were added when there were rows.
_DEFAULTS = {"wall": "0", "how": ""}

set_history = Table(
    "set_history",
    METADATA,
    *(
        Column(
            column.name,
            column.type,
            primary_key=column.name in ("identity", "revision"),
            nullable=column.nullable,
            server_default=_DEFAULTS.get(column.name),
        )
        for column in sets.columns
    ),
    Column("replaced_run", _Id, nullable=False),
)

sightings = Table(
    "sightings",
    METADATA,
    Column("export_id", _Id, primary_key=True, autoincrement=False),
    Column("line", BigInteger, primary_key=True, autoincrement=False),
    Column("identity", LargeBinary, primary_key=True),
    Column("run", _Id, nullable=False),
)

holds = Table(
    "holds",
    METADATA,
    Column("id", _Id, primary_key=True),
    Column("block", Integer, nullable=False),
    Column("line", BigInteger, nullable=False),
    Column("device", Text, nullable=False),
    Column("epoch", BigInteger),
    Column("identity", LargeBinary),
    Column("reasons", Text, nullable=False),
    Column("vitals", Text, nullable=False),
    Column("readings", Integer, nullable=False),
    Column("export_id", _Id, nullable=False),
    Column("opened_run", _Id, nullable=False),
    Column("state", Text, nullable=False, server_default="open"),
    Column("closed_run", _Id),
    Column("closed_at", Utc),
    Column("action", Text, nullable=False, server_default=""),
    Column("patient", Text, nullable=False, server_default=""),
    Column("patient_system", Text, nullable=False, server_default=""),
    Column("said", Text, nullable=False, server_default=""),
    Index("holds_by_state", "state", "device"),
    Index("holds_by_line", "export_id", "line"),
    Index(
        "holds_open",
        "export_id",
        "line",
        unique=True,
        sqlite_where=text("state = 'open'"),
        postgresql_where=text("state = 'open'"),
    ),
)

audit = Table(
    "audit",
    METADATA,
    Column("id", _Id, primary_key=True, autoincrement=False),
    Column("at", Utc, nullable=False),
    Column("who", Text, nullable=False),
    Column("action", Text, nullable=False),
    Column("subject", Text, nullable=False),
    Column("why", Text, nullable=False),
    Column("detail", Text, nullable=False),
    Column("previous", LargeBinary, nullable=False),
    Column("hash", LargeBinary, nullable=False),
    Index("audit_by_subject", "subject"),
)

owners = Table(
    "owners",
    METADATA,
    Column("target", Text, primary_key=True),
    Column("owner", Text, nullable=False),
    Column("stopped", Text, nullable=False, server_default=""),
    Column("stopped_by", Text, nullable=False, server_default=""),
    Column("stopped_at", Utc),
)

merged = Table(
    "merged",
    METADATA,
    Column("system", Text, primary_key=True),
    Column("patient", Text, primary_key=True),
    Column("surviving_system", Text, nullable=False),
    Column("surviving", Text, nullable=False),
    Column("at", Utc, nullable=False),
    Column("who", Text, nullable=False),
)

outbox = Table(
    "outbox",
    METADATA,
    Column("id", _Id, primary_key=True),
    Column("target", Text, nullable=False),
    Column("kind", Text, nullable=False),
    Column("run", _Id, nullable=False),
    Column("name", Text, nullable=False),
    Column("part", Integer, nullable=False),
    Column("start", BigInteger, nullable=False),
    Column("size", BigInteger, nullable=False),
    Column("queued", Utc, nullable=False),
    Column("state", Text, nullable=False, server_default="waiting"),
    Column("attempts", Integer, nullable=False, server_default="0"),
    Column("tried", Utc),
    Column("settled", Utc),
    Column("code", Text, nullable=False, server_default=""),
    Column("message", Text, nullable=False, server_default=""),
    Column("detail", Text, nullable=False, server_default=""),
    Column("only", Text, nullable=False, server_default=""),
    Column("without", Text, nullable=False, server_default=""),
    Column("form", Text, nullable=False, server_default=""),
    Column("reached", Integer, nullable=False, server_default="0"),
    Column("split", Integer, nullable=False, server_default="0"),
    Column("answered", Integer, nullable=False, server_default="0"),
    Index("outbox_by_file", "run", "name", "target", "part", "split", unique=True),
    Index("outbox_by_state", "target", "state", "id"),
)
