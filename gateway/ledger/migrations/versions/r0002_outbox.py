"""The outbox: what is to be sent to which target, and what became of it."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

_ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    """Make the tables; what was recorded before stays out of the outbox, for it was sent by other means."""
    op.create_table(
        "owners",
        sa.Column("target", sa.Text(), nullable=False),
        sa.Column("owner", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("target"),
    )
    op.create_table(
        "outbox",
        sa.Column("id", _ID, nullable=False),
        sa.Column("target", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("run", _ID, nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("part", sa.Integer(), nullable=False),
        sa.Column("start", sa.BigInteger(), nullable=False),
        sa.Column("size", sa.BigInteger(), nullable=False),
        sa.Column("queued", sa.DateTime(timezone=True), nullable=False),
        sa.Column("state", sa.Text(), server_default="waiting", nullable=False),
        sa.Column("attempts", sa.Integer(), server_default="0", nullable=False),
        sa.Column("tried", sa.DateTime(timezone=True), nullable=True),
        sa.Column("settled", sa.DateTime(timezone=True), nullable=True),
        sa.Column("code", sa.Text(), server_default="", nullable=False),
        sa.Column("message", sa.Text(), server_default="", nullable=False),
        sa.Column("detail", sa.Text(), server_default="", nullable=False),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("outbox_by_file", "outbox", ["run", "name", "target", "part"], unique=True)
    op.create_index("outbox_by_state", "outbox", ["target", "state", "id"], unique=False)
