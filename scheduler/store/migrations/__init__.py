"""Alembic revisions of the database, run by `scheduler.store.migrate` alone."""
