"""Alembic, run from the program itself. Import this only where the database is not at its newest revision."""

from __future__ import annotations

from pathlib import Path

from alembic import command
from alembic.config import Config
from alembic.script import ScriptDirectory
from sqlalchemy import Connection


def _config(scripts: Path) -> Config:
    config = Config()
    config.set_main_option("script_location", str(scripts).replace("%", "%%"))
    return config


def known_revisions(scripts: Path) -> frozenset[str]:
    directory = ScriptDirectory.from_config(_config(scripts))
    return frozenset(script.revision for script in directory.walk_revisions())


def upgrade(connection: Connection, scripts: Path) -> None:
    """To the newest revision, inside the transaction that is open on the connection."""
    config = _config(scripts)
    config.attributes["connection"] = connection
    command.upgrade(config, "head")
