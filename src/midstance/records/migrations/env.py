"""Runs the migrations on the connection that ``midstance.records.schema`` gives; nothing else is read from a file."""

from __future__ import annotations

from alembic import context

from midstance.records.schema import VERSION_TABLE
from midstance.records.tables import Base

connection = context.config.attributes["connection"]
context.configure(
    connection=connection,
    target_metadata=Base.metadata,
    version_table=VERSION_TABLE,
    # SQLite can take table definitions back too, once the driver leaves transactions to us.
    transactional_ddl=True,
    render_as_batch=connection.dialect.name == "sqlite",
)
with context.begin_transaction():
    context.run_migrations()
