"""Alembic, run from the program itself. Import this only where the database is not at its newest revision."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from alembic import command
from alembic.config import Config
from alembic.script import ScriptDirectory
from sqlalchemy import Connection

from scheduler.store.engine import engine_of, transaction


def _config(scripts: Path) -> Config:
    config = Config()
    config.set_main_option("script_location", str(scripts).replace("%", "%%"))
    return config


def known_revisions(scripts: Path) -> frozenset[str]:
    directory = ScriptDirectory.from_config(_config(scripts))
    return frozenset(script.revision for script in directory.walk_revisions())


@contextmanager
def writing(path: Path, patience_s: float) -> Iterator[Connection]:
    """One transaction that holds the write lock from its beginning; for `upgrade`."""
    engine = engine_of(path, patience_s)
    try:
        with transaction(engine, write=True) as connection:
            yield connection
    finally:
        engine.dispose()


def upgrade(connection: Connection, scripts: Path, revision: str = "head") -> None:
    """To the newest revision, inside the transaction that is open on the connection."""
    config = _config(scripts)
    config.attributes["connection"] = connection
    command.upgrade(config, revision)
