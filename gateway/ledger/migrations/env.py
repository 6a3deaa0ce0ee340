"""What Alembic runs to bring a ledger up to date, on the connection (and in the transaction) it is given."""

from __future__ import annotations

from alembic import context

from gateway.ledger.tables import METADATA, VERSION_TABLE

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=METADATA,
    version_table=VERSION_TABLE,
    transactional_ddl=True,
)
with context.begin_transaction():
    context.run_migrations()
