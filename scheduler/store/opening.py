"""From a path to a sound database at the newest revision, whatever was there before."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from sqlalchemy import URL, Connection, Engine, create_engine, event, insert

from scheduler.errors import CouldNot
from scheduler.store import files, tables
from scheduler.store.rows import utc_text

OLDEST_SQLITE = (3, 37, 0)  # STRICT tables; an older one takes our schema for damage


@dataclass(frozen=True, slots=True)
class Setup:
    """Where the alembic revisions are, the newest of them, and how long to wait for another program."""

    scripts: Path = Path(__file__).parent / "migrations"
    head: str = tables.HEAD
    patience_s: float = 5.0


SHIPPED = Setup()


@dataclass(frozen=True, slots=True)
class Opened:
    engine: Engine
    notices: tuple[str, ...]
    replaced: bool


def open_database(path: Path, *, now: datetime, setup: Setup) -> Opened:
    """Makes, upgrades or replaces the database where that is needed. CouldNot where it must not."""
    if sqlite3.sqlite_version_info < OLDEST_SQLITE:
        wanted = ".".join(map(str, OLDEST_SQLITE[:2]))
        raise CouldNot(f"SQLite {sqlite3.sqlite_version} is too old: {wanted} or later is needed")
    path.parent.mkdir(parents=True, exist_ok=True)
    if files.look(path, setup.head, tables.metadata.tables, setup.patience_s).kind == "ready":
        return Opened(engine_of(path, setup.patience_s), (), False)
    with files.only_me(path.parent, setup.patience_s):
        # again: another process may have been faster
        state = files.look(path, setup.head, tables.metadata.tables, setup.patience_s)
        match state.kind:
            case "ready":
                return Opened(engine_of(path, setup.patience_s), (), False)
            case "foreign":
                raise CouldNot(
                    f"{path} is a database of another program; it is left as it is",
                    hint="name another folder with --data",
                )
            case "other":
                return _upgrade(path, str(state.revision), now, setup)
            case "lost":
                return _replace(path, state.why, now, setup)
        return Opened(_create(path, now, setup, replaced=False), (), False)


def engine_of(path: Path, patience_s: float) -> Engine:
    """Full durability, bounded waiting, and transactions that begin when we say so.

    The default of the driver begins late: a read followed by a write can then fail "locked" at once,
    without waiting. Use with `execution_options(write=True)` takes the write lock at the beginning.
    """
    engine = create_engine(
        URL.create("sqlite", database=str(path)), connect_args={"timeout": patience_s}, hide_parameters=True
    )
    event.listen(engine, "connect", _on_connect)
    event.listen(engine, "begin", _on_begin)
    return engine


def _on_connect(connection: sqlite3.Connection, _: Any) -> None:
    connection.isolation_level = None  # no BEGIN of the driver's own: see _on_begin
    # recursive_triggers: else REPLACE deletes rows past the triggers that refuse it
    for pragma in (
        "journal_mode = WAL",
        "synchronous = FULL",
        "foreign_keys = ON",
        "recursive_triggers = ON",
    ):
        connection.execute(f"PRAGMA {pragma}").close()


def _on_begin(connection: Connection) -> None:
    write = connection.get_execution_options().get("write", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if write else "BEGIN")


def _create(path: Path, now: datetime, setup: Setup, *, replaced: bool) -> Engine:
    from scheduler.store import migrate

    info = {"created_at": utc_text(now)}
    if replaced:
        info["replaced_at"] = utc_text(now)
    engine = engine_of(path, setup.patience_s)
    try:
        with engine.execution_options(write=True).begin() as connection:
            migrate.upgrade(connection, setup.scripts)
            connection.execute(
                insert(tables.store_info), [{"name": name, "value": value} for name, value in info.items()]
            )
    except BaseException:
        engine.dispose()
        raise
    return engine


def _replace(path: Path, why: str, now: datetime, setup: Setup) -> Opened:
    aside = files.set_aside(path, now)
    kept = f"it is kept as {aside.name}, and " if aside else ""
    notice = (
        f"the database {path} {why}: {kept}a new one is begun. What was recorded before is not counted, "
        "and today counts as watered until told otherwise."
    )
    return Opened(_create(path, now, setup, replaced=True), (notice,), True)


def _upgrade(path: Path, revision: str, now: datetime, setup: Setup) -> Opened:
    from scheduler.store import migrate

    if revision not in migrate.known_revisions(setup.scripts):
        raise CouldNot(
            f"the database {path} was written by a newer version (revision {revision}); it is left as it is",
            hint="install that version again, or name another folder with --data",
        )
    engine = engine_of(path, setup.patience_s)
    try:
        # the write lock is held from before the copy until the end: no row can fall between the two
        with engine.execution_options(write=True).begin() as connection:
            copy = files.copy_before(path, setup.head, now, setup.patience_s)
            migrate.upgrade(connection, setup.scripts)
    except BaseException:
        engine.dispose()
        raise
    notice = f"the database was brought from revision {revision} to {setup.head}; a copy is {copy.name}"
    return Opened(engine, (notice,), False)
