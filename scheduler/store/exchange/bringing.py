"""A facts file into a store: all of it or nothing."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Mapping
from contextlib import closing
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from scheduler.errors import CouldNot
from scheduler.store.connection import connect, transaction
from scheduler.store.exchange.merging import merge, set_info
from scheduler.store.exchange.reading import Header, lay_ready
from scheduler.store.failures import explained
from scheduler.store.owner import OWNERS, SAME_PLACE_DEGREES, Owner
from scheduler.store.store import Store

PATIENCE_S = 30.0


@dataclass(frozen=True, slots=True)
class TakenIn:
    """How many facts of each kind were new, and how many the file holds.

    gap: first and last day between both records, of which neither knows what was given.
    """

    new: Mapping[str, int]
    of: Mapping[str, int]
    gap: tuple[date, date] | None = None


def take_in(
    store: Store, lines: Iterable[bytes], *, name: str, owner: Owner, now: datetime, same: bool
) -> TakenIn:
    """Adds what is not on record yet, in one transaction.

    name: of the file, for complaints. owner: the garden whose records these are.
    same: the grower says that a file under another name, or of another place, is of this garden.
    BadInput for lines that are wrong; CouldNot for another garden's facts. Then nothing was written.
    """
    with explained(store.path), closing(connect(store.path, PATIENCE_S)) as connection:
        with transaction(connection, write=False):  # temporary tables: the records are not touched yet
            ready = lay_ready(
                connection, lines, name, now, lambda header: None if same else _refuse_another(header, owner)
            )
        with transaction(connection, write=True):
            gap = _gap(connection, ready.header)
            new = merge(connection, name)
            if any(new.values()):
                _know(connection, ready.header, owner)
        return TakenIn(new, ready.counts, gap)


def _refuse_another(header: Header, owner: Owner) -> None:
    """By name and place alone: where the file lay on the other machine says nothing."""
    far = max(abs(header.latitude - owner.latitude), abs(header.longitude - owner.longitude))
    if header.garden != owner.name or far > SAME_PLACE_DEGREES:
        raise CouldNot(
            f"these are the facts of another garden: {header.garden} at {header.latitude:g}, "
            f"{header.longitude:g}, not {owner.name} at {owner.latitude:g}, {owner.longitude:g}; "
            "nothing was taken in",
            hint="if it is the same garden under a new name: --same-garden",
        )


def _know(connection: sqlite3.Connection, header: Header, owner: Owner) -> None:
    if connection.execute(OWNERS).fetchone() is None:
        theirs = Owner(header.garden, header.latitude, header.longitude, owner.file)
        set_info(connection, "owner 1", theirs.as_text())
    known_from = _info(connection, "first_day")
    if known_from is None and header.replaced_at is not None:
        set_info(connection, "replaced_at", header.replaced_at)
    if header.known_from is not None and (known_from is None or header.known_from < known_from):
        set_info(connection, "first_day", header.known_from)


def _info(connection: sqlite3.Connection, name: str) -> str | None:
    found = connection.execute("SELECT value FROM store_info WHERE name = ?", (name,)).fetchone()
    return None if found is None else str(found["value"])


def _gap(connection: sqlite3.Connection, header: Header) -> tuple[date, date] | None:
    """Between the days that one of them knows and those of the other."""
    spans = [
        (begin, _last_day(connection, tables) or begin)
        for begin, tables in ((_info(connection, "first_day"), "main."), (header.known_from, "temp.in_"))
        if begin is not None
    ]
    if len(spans) < 2:
        return None
    (_, end), (begin, _) = sorted(spans)
    first, last = date.fromisoformat(end) + timedelta(days=1), date.fromisoformat(begin) - timedelta(days=1)
    return (first, last) if first <= last else None


def _last_day(connection: sqlite3.Connection, prefix: str) -> str | None:
    found = [
        connection.execute(f"SELECT max(day) FROM {prefix}{table}").fetchone()[0]
        for table in ("applied", "plans", "openings")
    ]
    return max((day for day in found if day is not None), default=None)
