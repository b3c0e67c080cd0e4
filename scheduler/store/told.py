"""All that the grower told, in the order of telling: notes, water booked by hand, and what was taken back."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import Literal

from scheduler.errors import BadInput
from scheduler.model import Applied, Note
from scheduler.store import rows
from scheduler.store.store import Store
from scheduler.store.withdrawn import UNDO, ids_of, withdrawn

Table = Literal["notes", "applied"]
TABLES: tuple[Table, ...] = ("notes", "applied")


@dataclass(frozen=True, slots=True)
class Told:
    """One thing the grower told at one time: a note, water of one or several runs, or an undo."""

    number: int  # from 1, in the order of telling
    recorded_at: datetime
    day: date  # the first, where it speaks of several
    table: Table
    ids: tuple[int, ...]
    note: Note | None = None
    water: tuple[Applied, ...] = ()
    withdraws: int | None = None  # the number of what this takes back
    withdrawn_by: int | None = None  # the undo in force that takes this back

    @property
    def in_force(self) -> bool:
        return self.withdrawn_by is None


def told(store: Store) -> list[Told]:
    """Everything, also what was taken back; readings that a sensor sent are not the grower's."""
    with store.reading() as connection:
        noted = connection.execute("SELECT * FROM notes ORDER BY id").fetchall()
        booked = connection.execute(_BY_HAND).fetchall()
    found = [*_notes(noted), *_water(booked)]
    found.sort(key=lambda one: (one.recorded_at, one.table, one.ids))
    return _linked([replace(one, number=number) for number, one in enumerate(found, 1)], noted)


# a run that a valve should have given and did not has a pulse; what the service opened has its times
_BY_HAND = """
SELECT * FROM applied WHERE outcome = 'by hand'
OR (outcome = 'never opened' AND pulse IS NULL AND opened_at IS NULL) ORDER BY id
"""


def _notes(found: Sequence[sqlite3.Row]) -> Iterator[Told]:
    for row in found:
        note = rows.note(row)
        if "source" not in note.details:
            yield Told(0, note.recorded_at, note.day, "notes", (row["id"],), note)


def _water(found: Sequence[sqlite3.Row]) -> Iterator[Told]:
    """Runs that were answered together, as planned, are one answer."""
    together: list[tuple[int, Applied]] = []
    for row in found:
        record = rows.applied(row)
        if together and not _one_answer(together[-1][1], record):
            yield _answer(together)
            together = []
        together.append((row["id"], record))
    if together:
        yield _answer(together)


def _one_answer(one: Applied, other: Applied) -> bool:
    return one.recorded_at == other.recorded_at and one.pulse is not None and other.pulse is not None


def _answer(together: Sequence[tuple[int, Applied]]) -> Told:
    records = tuple(record for _, record in together)
    ids = tuple(number for number, _ in together)
    return Told(0, records[0].recorded_at, min(one.day for one in records), "applied", ids, water=records)


def _linked(found: Sequence[Told], noted: Sequence[sqlite3.Row]) -> list[Told]:
    """With the numbers of what withdraws what; of undos, the newest first, as `withdrawn` reads them."""
    place: dict[tuple[str, int], int] = {
        (one.table, number): i for i, one in enumerate(found) for number in one.ids
    }
    out = list(found)
    for row in reversed(noted):
        if row["kind"] != UNDO:
            continue
        mine, of = place["notes", row["id"]], ids_of(row["details"])
        targets = {place[table, number] for table in of for number in of[table]}
        for target in targets:
            out[mine] = replace(out[mine], withdraws=out[target].number)
            if out[mine].in_force:
                out[target] = replace(out[target], withdrawn_by=out[mine].number)
    return out


def moment_of_telling(store: Store, now: datetime) -> datetime:
    """`now`, or just after what was told in the same instant: telling is ordered by its moments."""
    query = "SELECT max(recorded_at) AS at FROM {} WHERE recorded_at BETWEEN ? AND ?"
    span = (rows.utc_text(now), rows.utc_text(now + timedelta(seconds=1)))
    with store.reading() as connection:
        found = [connection.execute(query.format(table), span).fetchone()["at"] for table in TABLES]
    at = max((text for text in found if text is not None), default=None)
    return (
        now if at is None else datetime.fromisoformat(at).astimezone(now.tzinfo) + timedelta(microseconds=1)
    )


def withdraw(store: Store, one: Told, at: datetime) -> None:
    """A fact that withdraws a fact. BadInput where somebody else has just done so."""
    of: dict[str, list[int]] = {"notes": [], "applied": []} | {one.table: list(one.ids)}
    row = {
        "kind": UNDO,
        "day": rows.day_text(one.day),
        "recorded_at": rows.utc_text(at),
        "zone": None if one.note is None else one.note.zone,
        "details": rows.json_text(of),
    }
    with store.writing() as connection:
        gone = withdrawn(connection)
        if set(one.ids) & (gone.notes if one.table == "notes" else gone.applied):
            raise BadInput(f"note {one.number} has just been taken back")
        rows.insert(connection, "notes", [row])
