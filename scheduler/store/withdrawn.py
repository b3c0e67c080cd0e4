"""Facts that later facts withdraw: they stay in their tables, and count for nothing."""

from __future__ import annotations

import sqlite3
from typing import NamedTuple

from scheduler.json_reading import read_json
from scheduler.store.rows import Unreadable

UNDO = "undo"
"""Kind of the note that withdraws others; its details list their ids: {"notes": [...], "applied": [...]}."""


class Withdrawn(NamedTuple):
    notes: frozenset[int]
    applied: frozenset[int]


def withdrawn(connection: sqlite3.Connection) -> Withdrawn:
    """The ids of what counts for nothing; an undo that was itself withdrawn withdraws nothing."""
    notes: set[int] = set()
    applied: set[int] = set()
    query = (
        "SELECT id, details FROM notes WHERE kind = ? ORDER BY id DESC"  # each speaks of what was before it
    )
    for number, details in connection.execute(query, (UNDO,)).fetchall():
        if number not in notes:
            of = ids_of(details)
            notes.update(of["notes"])
            applied.update(of["applied"])
    return Withdrawn(frozenset(notes), frozenset(applied))


def ids_of(details: str) -> dict[str, list[int]]:
    """What an undo withdraws, by table. Unreadable for what no undo says."""
    try:
        of = read_json(details)
        return {table: [int(number) for number in of[table]] for table in ("notes", "applied")}
    except (ValueError, TypeError, LookupError) as error:
        raise Unreadable(str(error)) from error
