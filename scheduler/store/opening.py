"""From a path to a sound database at the newest revision, whatever was there before."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from scheduler.errors import CouldNot
from scheduler.store import files
from scheduler.store.rows import utc_text

HEAD = "0003"
"""The newest revision, known without asking alembic: importing it costs half of what a morning takes."""
TABLES = frozenset(
    ("store_info", "weather_values", "applied", "notes", "plans", "openings", "heartbeats", "closings")
)
OLDEST_SQLITE = (3, 37, 0)  # STRICT tables; an older one takes our schema for damage


@dataclass(frozen=True, slots=True)
class Setup:
    """Where the alembic revisions are, the newest of them, and how long to wait for another program."""

    scripts: Path = Path(__file__).parent / "migrations"
    head: str = HEAD
    patience_s: float = 5.0


SHIPPED = Setup()


@dataclass(frozen=True, slots=True)
class Opened:
    notices: tuple[str, ...] = ()
    replaced: bool = False


def open_database(path: Path, *, now: datetime, setup: Setup, check: bool) -> Opened:
    """Makes, upgrades or replaces the database where that is needed. CouldNot where it must not.

    check: look through the whole file, even if that was done lately.
    """
    if sqlite3.sqlite_version_info < OLDEST_SQLITE:
        wanted = ".".join(map(str, OLDEST_SQLITE[:2]))
        raise CouldNot(f"SQLite {sqlite3.sqlite_version} is too old: {wanted} or later is needed")
    path.parent.mkdir(parents=True, exist_ok=True)
    files.share(path)
    check = check or not files.checked_lately(path, now)
    if _look(path, now, setup, check).kind == "ready":
        return Opened()
    with files.only_me(path.parent, setup.patience_s):
        # again: another process may have been faster
        state = _look(path, now, setup, check)
        match state.kind:
            case "ready":
                return Opened()
            case "foreign":
                raise CouldNot(
                    f"{path} is a database of another program; it is left as it is",
                    hint="name another folder with --data",
                )
            case "other":
                return _upgrade(path, str(state.revision), now, setup)
            case "lost":
                return _replace(path, state.why, now, setup)
        _create(path, now, setup, replaced=False)
        return Opened()


def _look(path: Path, now: datetime, setup: Setup, check: bool) -> files.State:
    state = files.look(path, setup.head, TABLES, setup.patience_s, check=check)
    if check and state.kind == "ready":
        files.mark_checked(path, now)
    return state


def _create(path: Path, now: datetime, setup: Setup, *, replaced: bool) -> None:
    from scheduler.store import migrate

    info = [("created_at", utc_text(now))]
    if replaced:
        info.append(("replaced_at", utc_text(now)))
    files.make(path)
    with migrate.writing(path, setup.patience_s) as connection:
        migrate.upgrade(connection, setup.scripts)
        connection.exec_driver_sql("INSERT INTO store_info (name, value) VALUES (?, ?)", info)


def _replace(path: Path, why: str, now: datetime, setup: Setup) -> Opened:
    aside = files.set_aside(path, now)
    kept = f"it is kept as {aside.name}, and " if aside else ""
    notice = (
        f"the database {path} {why}: {kept}a new one is begun. What was recorded before is not counted, "
        "and today counts as watered until told otherwise."
        + (f" What can still be read of it comes back with: rowwater facts --import {aside}" if aside else "")
    )
    _create(path, now, setup, replaced=True)
    return Opened((notice,), True)


def _upgrade(path: Path, revision: str, now: datetime, setup: Setup) -> Opened:
    from scheduler.store import migrate

    if revision not in migrate.known_revisions(setup.scripts):
        raise CouldNot(
            f"the database {path} was written by a newer version (revision {revision}); it is left as it is",
            hint="install that version again, or name another folder with --data",
        )
    # the write lock is held from before the copy until the end: no row can fall between the two
    with migrate.writing(path, setup.patience_s) as connection:
        copy = files.copy_before(path, setup.head, now, setup.patience_s)
        migrate.upgrade(connection, setup.scripts)
    notice = f"the database was brought from revision {revision} to {setup.head}; a copy is {copy.name}"
    return Opened((notice,))
