"""The first tables."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

_ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
_OPEN = sa.text("state = 'open'")


def upgrade() -> None:
    """Make the tables, and let nobody change the audit trail."""
    op.create_table(
        "audit",
        sa.Column("id", _ID, autoincrement=False, nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("who", sa.Text(), nullable=False),
        sa.Column("action", sa.Text(), nullable=False),
        sa.Column("subject", sa.Text(), nullable=False),
        sa.Column("why", sa.Text(), nullable=False),
        sa.Column("detail", sa.Text(), nullable=False),
        sa.Column("previous", sa.LargeBinary(), nullable=False),
        sa.Column("hash", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("audit_by_subject", "audit", ["subject"], unique=False)
    op.create_table(
        "holds",
        sa.Column("id", _ID, nullable=False),
        sa.Column("block", sa.Integer(), nullable=False),
        sa.Column("line", sa.BigInteger(), nullable=False),
        sa.Column("device", sa.Text(), nullable=False),
        sa.Column("epoch", sa.BigInteger(), nullable=True),
        sa.Column("identity", sa.LargeBinary(), nullable=True),
        sa.Column("reasons", sa.Text(), nullable=False),
        sa.Column("vitals", sa.Text(), nullable=False),
        sa.Column("readings", sa.Integer(), nullable=False),
        sa.Column("export_id", _ID, nullable=False),
        sa.Column("opened_run", _ID, nullable=False),
        sa.Column("state", sa.Text(), server_default="open", nullable=False),
        sa.Column("closed_run", _ID, nullable=True),
        sa.Column("closed_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("action", sa.Text(), server_default="", nullable=False),
        sa.Column("patient", sa.Text(), server_default="", nullable=False),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("holds_by_line", "holds", ["export_id", "line"], unique=False)
    op.create_index("holds_by_state", "holds", ["state", "device"], unique=False)
    op.create_index(
        "holds_open", "holds", ["export_id", "line"], unique=True, sqlite_where=_OPEN, postgresql_where=_OPEN
    )
    op.create_table(
        "mappings",
        sa.Column("sha256", sa.Text(), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("sha256"),
    )
    op.create_table(
        "set_history",
        sa.Column("identity", sa.LargeBinary(), nullable=False),
        sa.Column("block", sa.Integer(), nullable=False),
        sa.Column("line", sa.BigInteger(), nullable=False),
        sa.Column("device", sa.Text(), nullable=False),
        sa.Column("epoch", sa.BigInteger(), nullable=False),
        sa.Column("patient", sa.Text(), nullable=False),
        sa.Column("patient_system", sa.Text(), nullable=False),
        sa.Column("sequence", sa.Text(), nullable=False),
        sa.Column("content", sa.LargeBinary(), nullable=False),
        sa.Column("readings", sa.Text(), nullable=False),
        sa.Column("rules", sa.Text(), nullable=False),
        sa.Column("keys", sa.Text(), nullable=False),
        sa.Column("fhir", sa.Text(), nullable=False),
        sa.Column("oru", sa.Text(), nullable=False),
        sa.Column("digest", sa.LargeBinary(), nullable=False),
        sa.Column("status", sa.Text(), nullable=False),
        sa.Column("export_id", _ID, nullable=False),
        sa.Column("run", _ID, nullable=False),
        sa.Column("namespace", sa.Text(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("retracted_run", _ID, nullable=True),
        sa.Column("retracted_reason", sa.Text(), nullable=False),
        sa.Column("replaced_run", _ID, nullable=False),
        sa.PrimaryKeyConstraint("identity", "revision"),
    )
    op.create_table(
        "sets",
        sa.Column("identity", sa.LargeBinary(), nullable=False),
        sa.Column("block", sa.Integer(), nullable=False),
        sa.Column("line", sa.BigInteger(), nullable=False),
        sa.Column("device", sa.Text(), nullable=False),
        sa.Column("epoch", sa.BigInteger(), nullable=False),
        sa.Column("patient", sa.Text(), nullable=False),
        sa.Column("patient_system", sa.Text(), nullable=False),
        sa.Column("sequence", sa.Text(), nullable=False),
        sa.Column("content", sa.LargeBinary(), nullable=False),
        sa.Column("readings", sa.Text(), nullable=False),
        sa.Column("rules", sa.Text(), nullable=False),
        sa.Column("keys", sa.Text(), nullable=False),
        sa.Column("fhir", sa.Text(), nullable=False),
        sa.Column("oru", sa.Text(), nullable=False),
        sa.Column("digest", sa.LargeBinary(), nullable=False),
        sa.Column("status", sa.Text(), nullable=False),
        sa.Column("export_id", _ID, nullable=False),
        sa.Column("run", _ID, nullable=False),
        sa.Column("namespace", sa.Text(), nullable=False),
        sa.Column("state", sa.Text(), server_default="recorded", nullable=False),
        sa.Column("revision", sa.Integer(), server_default="1", nullable=False),
        sa.Column("retracted_run", _ID, nullable=True),
        sa.Column("retracted_reason", sa.Text(), server_default="", nullable=False),
        sa.PrimaryKeyConstraint("identity"),
    )
    op.create_index("sets_by_device", "sets", ["namespace", "device", "epoch"], unique=False)
    op.create_index("sets_by_line", "sets", ["export_id", "line"], unique=False)
    op.create_index("sets_by_patient", "sets", ["patient_system", "patient", "epoch"], unique=False)
    op.create_table(
        "sightings",
        sa.Column("export_id", _ID, autoincrement=False, nullable=False),
        sa.Column("line", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("identity", sa.LargeBinary(), nullable=False),
        sa.Column("run", _ID, nullable=False),
        sa.PrimaryKeyConstraint("export_id", "line", "identity"),
    )
    op.create_table(
        "runs",
        sa.Column("id", _ID, nullable=False),
        sa.Column("token", sa.Text(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("mapping_sha256", sa.Text(), nullable=False),
        sa.Column("mapping_title", sa.Text(), nullable=False),
        sa.Column("mapping_version", sa.Text(), nullable=False),
        sa.Column("namespace", sa.Text(), nullable=False),
        sa.Column("gateway", sa.Text(), nullable=False),
        sa.Column("options", sa.Text(), nullable=False),
        sa.Column("associations_sha256", sa.Text(), nullable=False),
        sa.Column("started", sa.DateTime(timezone=True), nullable=False),
        sa.Column("written", sa.DateTime(timezone=True), nullable=True),
        sa.Column("finished", sa.DateTime(timezone=True), nullable=True),
        sa.Column("stage", sa.Text(), server_default="", nullable=False),
        sa.Column("target", sa.Text(), server_default="", nullable=False),
        sa.Column("replaces", sa.Text(), server_default="", nullable=False),
        sa.Column("counts", sa.Text(), server_default="", nullable=False),
        sa.ForeignKeyConstraint(
            ["mapping_sha256"],
            ["mappings.sha256"],
        ),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("token"),
    )
    op.create_table(
        "contents",
        sa.Column("run", _ID, autoincrement=False, nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("size", sa.BigInteger(), nullable=False),
        sa.Column("sha256", sa.Text(), nullable=False),
        sa.Column("data", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(
            ["run"],
            ["runs.id"],
        ),
        sa.PrimaryKeyConstraint("run", "name"),
    )
    op.create_table(
        "exports",
        sa.Column("id", _ID, nullable=False),
        sa.Column("sha256", sa.Text(), nullable=False),
        sa.Column("size", sa.BigInteger(), nullable=False),
        sa.Column("lines", sa.BigInteger(), nullable=False),
        sa.Column("form", sa.Text(), nullable=False),
        sa.Column("first_run", _ID, nullable=False),
        sa.ForeignKeyConstraint(
            ["first_run"],
            ["runs.id"],
        ),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("sha256"),
    )
    op.create_table(
        "blocks",
        sa.Column("export_id", _ID, autoincrement=False, nullable=False),
        sa.Column("number", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("data", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(
            ["export_id"],
            ["exports.id"],
        ),
        sa.PrimaryKeyConstraint("export_id", "number"),
    )
    op.create_table(
        "run_exports",
        sa.Column("run", _ID, autoincrement=False, nullable=False),
        sa.Column("export_id", _ID, autoincrement=False, nullable=False),
        sa.ForeignKeyConstraint(
            ["export_id"],
            ["exports.id"],
        ),
        sa.ForeignKeyConstraint(
            ["run"],
            ["runs.id"],
        ),
        sa.PrimaryKeyConstraint("run", "export_id"),
    )

    if op.get_bind().dialect.name == "sqlite":
        _guard_sqlite()
    else:
        _guard_postgresql()


def _guard_sqlite() -> None:
    op.execute("PRAGMA application_id = 1397772116")
    for event, when in (
        ("UPDATE", ""),
        ("DELETE", ""),
        # INSERT OR REPLACE takes a row away without firing a trigger on DELETE.
        ("INSERT", "WHEN EXISTS (SELECT 1 FROM audit WHERE id = NEW.id) "),
    ):
        op.execute(
            f"CREATE TRIGGER audit_{event.lower()} BEFORE {event} ON audit {when}"
            "BEGIN SELECT RAISE(ABORT, 'the audit trail is only added to'); END"
        )


def _guard_postgresql() -> None:
    # What is stored here is packed already, or must come back fast.
    for table in ("contents", "blocks"):
        op.execute(f"ALTER TABLE {table} ALTER COLUMN data SET STORAGE EXTERNAL")
    op.execute(
        "CREATE FUNCTION audit_refuse() RETURNS trigger LANGUAGE plpgsql AS "
        "$$ BEGIN RAISE EXCEPTION 'the audit trail is only added to'; END $$"
    )
    op.execute(
        "CREATE TRIGGER audit_change BEFORE UPDATE OR DELETE OR TRUNCATE ON audit "
        "FOR EACH STATEMENT EXECUTE FUNCTION audit_refuse()"
    )
