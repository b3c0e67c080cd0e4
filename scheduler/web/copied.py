"""The records copied to where this process may write, for the commands that read them.

SQLite opens a database with a write-ahead log only where it may write beside it, and the page's unit may not:
see https://sqlite.org/wal.html, "Read-Only Databases". One that nobody has open is read as it stands.
"""

from __future__ import annotations

import shutil
import sqlite3
import time
from collections.abc import Callable
from contextlib import closing, suppress
from pathlib import Path

from scheduler.errors import CouldNot

DATABASE = "rowwater.db"
BESIDE = ("today.json", "openings.trace")
PATIENCE_S = 5.0


def copy_records(data: Path, to: Path) -> None:
    """Whole and of one moment. CouldNot where they are locked or gone."""
    source = data / DATABASE
    if not source.is_file():
        raise CouldNot(f"{source} is gone", hint="the service tells what became of it")
    try:
        try:
            _copy(source, to / DATABASE, "mode=ro")
        except sqlite3.OperationalError as error:
            cannot_open = error.sqlite_errorcode & 0xFF == sqlite3.SQLITE_CANTOPEN
            if not cannot_open or source.with_name(f"{DATABASE}-wal").exists():
                raise
            _copy(source, to / DATABASE, "mode=ro&immutable=1")
    except sqlite3.Error as error:
        raise CouldNot(f"{source} cannot be read: {error}") from error
    for name in BESIDE:
        with suppress(FileNotFoundError):
            shutil.copyfile(data / name, to / name)


def _copy(source: Path, to: Path, mode: str) -> None:
    to.unlink(missing_ok=True)
    with (
        closing(sqlite3.connect(f"{source.as_uri()}?{mode}", uri=True, timeout=PATIENCE_S)) as found,
        closing(sqlite3.connect(to)) as copy,
    ):
        found.execute("SELECT count(*) FROM sqlite_master").fetchone()  # waits for a lock as long as said
        found.backup(copy, progress=_until(time.monotonic() + PATIENCE_S))


def _until(deadline: float) -> Callable[[int, int, int], None]:
    """Python's backup waits for a lock without end; what is raised in here ends it."""

    def look(status: int, _left: int, _of: int) -> None:
        if status not in (sqlite3.SQLITE_OK, sqlite3.SQLITE_DONE) and time.monotonic() > deadline:
            raise sqlite3.DatabaseError("database is locked")

    return look
