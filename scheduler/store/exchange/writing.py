"""A store's facts, line by line: the whole of one moment, in memory that does not grow with it."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import closing
from datetime import date, timedelta
from typing import Any

from scheduler.errors import CouldNot
from scheduler.json_reading import read_json
from scheduler.store import rows
from scheduler.store.exchange.kinds import FORMAT, KINDS, UNITS, VERSION, line_of, valve_name
from scheduler.store.owner import OWNERS, Owner
from scheduler.store.store import Store
from scheduler.store.withdrawn import UNDO, ids_of

WORKING_DAYS = 14
"""Of so many days up to the newest plan its working goes along; of older ones what was planned and told."""

_UNSETTLED = "SELECT opening FROM openings WHERE opening NOT IN (SELECT opening FROM closings)"
_CHOSEN = {
    # of an opening that was closed in the books they have had their say
    "heartbeat": f"id IN (SELECT max(id) FROM heartbeats WHERE opening IN ({_UNSETTLED}) GROUP BY opening)",
    "plan": "id IN (SELECT max(id) FROM plans GROUP BY day)",
}
"""Of these kinds not every row matters for the record."""


def facts_of(store: Store) -> Iterator[str]:
    """The lines of a facts file. CouldNot where nothing was recorded, or the records cannot be read."""
    with store.reading() as connection:
        yield line_of(_header(connection))
        for kind in KINDS:
            yield from _lines(connection, kind)


def _header(connection: sqlite3.Connection) -> dict[str, Any]:
    owners = connection.execute(OWNERS).fetchall()
    if not owners:
        raise CouldNot("nothing is on record yet", hint="rowwater day begins the records of a garden")
    owner = Owner.read(owners[-1]["value"])
    info = {row["name"]: row["value"] for row in connection.execute("SELECT name, value FROM store_info")}
    known = {"known_from": info.get("first_day"), "replaced_at": info.get("replaced_at")}
    return {
        "format": FORMAT,
        "version": VERSION,
        "garden": owner.name,
        "latitude": owner.latitude,
        "longitude": owner.longitude,
        **{name: value for name, value in known.items() if value is not None},
        "units": UNITS,
        "facts": {kind: _count(connection, kind) for kind in KINDS},
    }


def _count(connection: sqlite3.Connection, kind: str) -> int:
    query = f"SELECT count(*) FROM {KINDS[kind].table} WHERE {_CHOSEN.get(kind, 'true')}"
    return int(connection.execute(query).fetchone()[0])


def _lines(connection: sqlite3.Connection, kind: str) -> Iterator[str]:
    numbers = _Numbers(connection)
    since = _working_since(connection)
    one = KINDS[kind]
    query = f"SELECT * FROM {one.table} WHERE {_CHOSEN.get(kind, 'true')} ORDER BY {_ORDER.get(kind, 'id')}"
    with closing(connection.execute(query)) as found:
        for place, row in enumerate(found, 1):
            head: dict[str, Any] = {"fact": kind, **({"number": place} if one.numbered else {})}
            yield line_of(head | dict(_values(row, kind, numbers, since)))


_ORDER = {"plan": "day"}


def _values(row: sqlite3.Row, kind: str, numbers: _Numbers, working_since: str) -> Iterator[tuple[str, Any]]:
    for name in KINDS[kind].columns:
        value = row[name]
        match name:
            case "measured" | "replaces_day":
                yield name, bool(value)
            case "valve":
                yield name, valve_name(value)
            case "details":
                yield name, numbers.of_undo(value) if row["kind"] == UNDO else read_json(value)
            case "page":
                yield name, rows.unpacked(value)
            case "working":
                if row["day"] >= working_since and (working := rows.unpacked(value)):
                    yield name, working
            case _ if value is not None:
                yield name, value


class _Numbers:
    """Row ids as numbers of lines: what an undo speaks of. They differ where a row number was left out."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection

    def of_undo(self, details: str) -> Mapping[str, list[int]]:
        return {table: [self._of(table, row_id) for row_id in ids] for table, ids in ids_of(details).items()}

    def _of(self, table: str, row_id: int) -> int:
        query = f"SELECT count(*) FROM {table} WHERE id <= ?"
        return int(self._connection.execute(query, (row_id,)).fetchone()[0])


def _working_since(connection: sqlite3.Connection) -> str:
    newest = connection.execute("SELECT max(day) FROM plans").fetchone()[0]
    if newest is None:
        return date.max.isoformat()
    return (date.fromisoformat(newest) - timedelta(days=WORKING_DAYS - 1)).isoformat()
