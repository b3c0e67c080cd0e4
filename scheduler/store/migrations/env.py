"""Run by alembic: the revisions go over the connection, and inside the transaction, of the caller."""

from __future__ import annotations

from alembic import context

context.configure(connection=context.config.attributes["connection"])
with context.begin_transaction():
    context.run_migrations()
