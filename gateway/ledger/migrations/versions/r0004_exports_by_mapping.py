"""Exports by the mapping that reads them: one file may be read with several, and each has its own blocks and holds.

Until this step a hold of one mapping took the place of another's at the same line.
"""

from __future__ import annotations

import hashlib

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Tell the hash of the bytes from what makes an export one: those bytes, read with the mapping of that title."""
    connection = op.get_bind()
    connection.execute(sa.text("ALTER TABLE exports RENAME COLUMN sha256 TO read_as"))
    op.add_column("exports", sa.Column("sha256", sa.Text(), server_default="", nullable=False))
    rows = connection.execute(
        sa.text(
            "SELECT exports.id, exports.read_as, runs.namespace, runs.mapping_title"
            " FROM exports JOIN runs ON runs.id = exports.first_run"
        )
    ).all()
    for row in rows:
        key = hashlib.sha256(f"{row.namespace}\n{row.mapping_title}\n{row.read_as}".encode()).hexdigest()
        connection.execute(
            sa.text("UPDATE exports SET sha256 = read_as, read_as = :key WHERE id = :id"), {"key": key, "id": row.id}
        )
    op.create_index("exports_by_bytes", "exports", ["sha256"])
