"""One connection, as every part of the store uses it: full durability, bounded waiting, our own transactions.

With the standard library alone: the service and the commands a person waits for load nothing more.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path


def connect(path: Path, patience_s: float) -> sqlite3.Connection:
    """patience_s: how long to wait for another program's lock."""
    # no BEGIN of the driver's own: it begins late, and a read followed by a write can then fail "locked" at
    # once, without waiting. See `transaction`
    connection = sqlite3.connect(path, timeout=patience_s, isolation_level=None, check_same_thread=False)
    try:
        # recursive_triggers: else REPLACE deletes rows past the triggers that refuse it
        for pragma in (
            "journal_mode = WAL",
            "synchronous = FULL",
            "foreign_keys = ON",
            "recursive_triggers = ON",
        ):
            connection.execute(f"PRAGMA {pragma}").close()
    except BaseException:
        connection.close()
        raise
    connection.row_factory = sqlite3.Row
    return connection


@contextmanager
def transaction(connection: sqlite3.Connection, *, write: bool) -> Iterator[None]:
    """write: takes the write lock at the beginning."""
    connection.execute(BEGIN[write])
    try:
        yield
        connection.execute("COMMIT")
    except BaseException:
        with suppress(sqlite3.Error):  # a full disk has rolled back by itself
            connection.execute("ROLLBACK")
        raise


BEGIN = {False: "BEGIN", True: "BEGIN IMMEDIATE"}
