"""The facts on disk (SQLite): added one by one, never edited, never deleted.

By the standard library's sqlite3, which the service and the commands a person waits for can load at once.
Weather, which only the daily way asks for, goes through SQLAlchemy Core (`store/weather.py`).
"""

from __future__ import annotations

import json
import os
import sqlite3
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from datetime import date, datetime, timedelta
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Self, TypeVar

from scheduler.errors import CouldNot
from scheduler.model import Applied, Note, NoteKind, StoredPlan, WeatherValue
from scheduler.store import files, rows
from scheduler.store.connection import connect, transaction
from scheduler.store.effective import effective_applied
from scheduler.store.failures import Damaged, explained
from scheduler.store.opening import SHIPPED, Opened, Setup, open_database
from scheduler.store.owner import OWNERS, Owner, refuse_another
from scheduler.store.usable import why_unusable, why_unusable_plan
from scheduler.store.withdrawn import UNDO, withdrawn

if TYPE_CHECKING:
    from sqlalchemy import Connection, Engine

    from scheduler.shapes.day import DayPage
    from scheduler.shapes.working import StoredWorking

Raw = TypeVar("Raw")
Fact = TypeVar("Fact")

__all__ = ["Store", "effective_applied"]

_NEWEST_PLANS = """
SELECT id, day, made_at, inputs, page FROM plans WHERE id IN (
    SELECT max(id) FROM plans WHERE day BETWEEN ? AND ? AND id NOT IN (SELECT value FROM json_each(?))
    GROUP BY day
) ORDER BY day
"""
_WORKING = "SELECT working FROM plans WHERE day = ? AND made_at = ? AND inputs = ? ORDER BY id DESC LIMIT 1"


class Store:
    """One database. Safe to use from several threads, and beside other processes.

    Every method raises CouldNot where disk, database or another program stand in the way; what was
    acknowledged before is then still on disk. Moments come back in UTC, JSON as JSON reads it (lists for
    tuples). ValueError for naive moments and for numbers that are not finite.
    """

    def __init__(self, path: Path, opened: Opened, patience_s: float) -> None:
        """Use `Store.open`."""
        self.path = path
        self.notices = opened.notices
        """What opening had to do, for the grower: a database set aside, an upgrade."""
        self.replaced = opened.replaced
        """Whether this very opening began a new database in place of a lost one; see `replaced_on`."""
        self._patience_s = patience_s
        self._idle: deque[sqlite3.Connection] = deque()
        self._engine: Engine | None = None  # for weather
        self._identity = _identity(path)
        self._gone = False
        self._closed = False

    @classmethod
    def open(cls, path: Path, *, now: datetime, setup: Setup = SHIPPED, check: bool = False) -> Self:
        """Opens the database, making folder and file where there are none, upgrading an older one.

        A damaged or lost one is set aside and a new one begun: `notices` and `replaced` say so. CouldNot,
        and nothing touched, for a database of a newer version or of another program.
        now: dates what is set aside, and the new database.
        check: look through the whole file; else that is done once a day.
        """
        path = Path(path).absolute()
        rows.utc_text(now)
        with explained(path):
            opened = open_database(path, now=now, setup=setup, check=check)
            return cls(path, opened, setup.patience_s)

    def close(self) -> None:
        self._closed = True
        self._drop_connections()

    def _drop_connections(self) -> None:
        while self._idle:
            self._idle.pop().close()
        if self._engine is not None:
            self._engine.dispose()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    # --- what the store knows of itself ---

    def prove(self) -> None:
        """One durable write that leaves everything as it was. CouldNot where the disk does not take it."""
        with self.writing() as connection:
            connection.execute("PRAGMA user_version = 0")

    def begin(self, day: date) -> None:
        """Records the first day from which water given is known. The first call wins."""
        text = rows.day_text(day)
        if self._info("first_day") is None:
            with self.writing() as connection:
                connection.execute("INSERT OR IGNORE INTO store_info VALUES ('first_day', ?)", (text,))

    def refuse_another(self, owner: Owner) -> None:
        """CouldNot, and nothing written, where these are the records of another garden."""
        refuse_another(owner, self._owners(), self.path)

    def keep_for(self, owner: Owner, *, same: bool = False) -> None:
        """Records whose garden this is, also under a new name; else as `refuse_another`.

        same: the grower says that it is the same garden, whatever has changed.
        """
        known = self._owners()
        if not same:
            refuse_another(owner, known, self.path)
        if owner not in known[-1:]:
            row = (f"owner {len(known) + 1}", owner.as_text())
            with self.writing() as connection:
                connection.execute("INSERT OR IGNORE INTO store_info VALUES (?, ?)", row)

    def _owners(self) -> list[Owner]:
        """Oldest first; none of a database that no garden has opened yet."""
        return self._read_all(Owner.read, [row["value"] for row in self._rows(OWNERS)])

    @property
    def first_day(self) -> date | None:
        text = self._info("first_day")
        return None if text is None else date.fromisoformat(text)

    @property
    def replaced_at(self) -> datetime | None:
        """When this database took the place of a lost one, whichever opening did it."""
        text = self._info("replaced_at")
        return None if text is None else datetime.fromisoformat(text)

    def replaced_on(self, day: date) -> bool:
        """Whether `day` is the first of a database that took a lost one's place: it counts as watered.

        Unlike `replaced` it also holds for a second run on that day, and is over the day after.
        """
        replaced_at, first_day = self.replaced_at, self.first_day
        if replaced_at is None or self._info("right replaced") is not None:  # a person said so: `older`
            return False
        if first_day is not None and first_day > day:  # a wrong clock named it: the day of the loss counts
            around = (replaced_at - timedelta(hours=14), replaced_at + timedelta(hours=14))
            return around[0].date() <= day <= around[1].date()
        return first_day in (None, day)

    def _info(self, name: str) -> str | None:
        found = self._rows("SELECT value FROM store_info WHERE name = ?", name)
        return str(found[0]["value"]) if found else None

    # --- weather ---

    def add_weather(self, values: Iterable[WeatherValue]) -> int:
        """Adds the values that differ from the newest stored ones of their day, field, source and kind.

        Newest is what was added last. Returns how many were added: none when the same answer comes again.
        """
        new = [rows.weather_row(value) for value in values]
        if not new:
            return 0
        from scheduler.store import weather

        with self._weather(write=True) as connection:
            return weather.add_changed(connection, new)

    def weather(self, first: date, last: date, fields: Sequence[str] = ()) -> list[WeatherValue]:
        """The newest value per day, field, source and kind of the days first..last, as they were added.

        fields: these alone; () for all.
        """
        from scheduler.store import weather

        with self._weather() as connection:
            return weather.newest(connection, rows.day_text(first), rows.day_text(last), fields)

    def weather_span(self) -> tuple[date, date] | None:
        """The first and the last day with any weather."""
        from scheduler.store import weather

        with self._weather() as connection:
            return weather.span(connection)

    def weather_issued(self, first: date, last: date, *, kind: str | None = None) -> list[WeatherValue]:
        """All values ever issued for the days first..last, oldest first."""
        from scheduler.store import weather

        with self._weather() as connection:
            return weather.issued(connection, rows.day_text(first), rows.day_text(last), kind)

    # --- water given ---

    def add_applied(self, record: Applied) -> None:
        self._add("applied", rows.applied_row(record))

    def applied(self, first: date, last: date, zone: str | None = None) -> list[Applied]:
        """The records of the local days first..last, in the order of recording; see `effective_applied`.

        What the grower has withdrawn is not among them, here and in `notes`; `store/told.py` has all.
        """
        query = "SELECT * FROM applied WHERE day BETWEEN ? AND ? AND zone = ifnull(?, zone) ORDER BY id"
        with self.reading() as connection:
            found = connection.execute(query, (rows.day_text(first), rows.day_text(last), zone)).fetchall()
            gone = withdrawn(connection).applied
        return self._read_all(rows.applied, (row for row in found if row["id"] not in gone))

    # --- what the grower noted ---

    def add_note(self, note: Note) -> None:
        self._add("notes", rows.note_row(note))

    def notes(
        self, first: date | None = None, last: date | None = None, kind: NoteKind | None = None
    ) -> list[Note]:
        """In the order of recording; all where not narrowed. What cannot count is left out."""
        days = (rows.day_text(first or date.min), rows.day_text(last or date.max))
        return [note for note in self._noted(*days, kind) if why_unusable(note) is None]

    def unusable_notes(self) -> list[tuple[Note, str]]:
        """Those that `notes` leaves out, each with the reason."""
        every = self._noted(rows.day_text(date.min), rows.day_text(date.max), None)
        return [(note, why) for note in every if (why := why_unusable(note)) is not None]

    def _noted(self, first: str, last: str, kind: NoteKind | None) -> list[Note]:
        query = "SELECT * FROM notes WHERE day BETWEEN ? AND ? AND kind = ifnull(?, kind) ORDER BY id"
        with self.reading() as connection:
            found = connection.execute(query, (first, last, kind)).fetchall()
            gone = withdrawn(connection).notes
        in_force = (row for row in found if row["kind"] != UNDO and row["id"] not in gone)
        return self._read_all(rows.note, in_force)

    # --- plans ---

    def add_plan(
        self, day: date, made_at: datetime, inputs: str, page: DayPage, working: StoredWorking
    ) -> StoredPlan:
        """The plan as stored; the day's newest, and nothing added, where that rests on the same inputs."""
        row = rows.plan_row(day, made_at, inputs, page, working)
        days = (row["day"], row["day"], "[]")
        with self.writing() as connection:
            newest = connection.execute(_NEWEST_PLANS, days).fetchone()
            if newest is None or newest["inputs"] != inputs or why_unusable_plan(rows.plan(newest)):
                rows.insert(connection, "plans", [row])
                newest = connection.execute(_NEWEST_PLANS, days).fetchone()
        return self._read_all(rows.plan, [newest])[0]

    def plan(self, day: date) -> StoredPlan | None:
        """The day's newest."""
        return next(iter(self.plans(day, day)), None)

    def newest_plan(self) -> StoredPlan | None:
        """The newest plan of the newest day that has one."""
        (newest,) = self._rows("SELECT max(day) AS day FROM plans")
        return None if newest["day"] is None else self.plan(date.fromisoformat(newest["day"]))

    def plans(self, first: date, last: date) -> list[StoredPlan]:
        """The newest of each of the days first..last that has one, in order of days; see `unusable_plans`."""
        return self._plans(first, last)[0]

    def unusable_plans(self, first: date, last: date) -> list[tuple[StoredPlan, str]]:
        """Those that `plans` leaves out in favour of older ones, each with the reason."""
        return self._plans(first, last)[1]

    def _plans(self, first: date, last: date) -> tuple[list[StoredPlan], list[tuple[StoredPlan, str]]]:
        aside: dict[int, tuple[StoredPlan, str]] = {}
        while True:
            days = rows.day_text(first), rows.day_text(last)
            found = self._rows(_NEWEST_PLANS, *days, json.dumps([*aside]))
            plans = self._read_all(rows.plan, found)
            worse = {
                row["id"]: (plan, why)
                for row, plan in zip(found, plans, strict=True)
                if (why := why_unusable_plan(plan))
            }
            if not worse:
                return plans, list(aside.values())
            aside |= worse

    def working(self, plan: StoredPlan) -> StoredWorking:
        """What `why` shows of a plan of this store."""
        key = (rows.day_text(plan.day), rows.utc_text(plan.made_at), plan.inputs)
        (found,) = self._rows(_WORKING, *key)
        return self._read_all(rows.working, [found["working"]])[0]

    # --- the file ---

    def backup(self, to: Path) -> None:
        """A whole copy by SQLite's backup call, put into place by rename; replaces an older backup only."""
        to = Path(to).absolute()
        with explained(to):
            if to.exists() and (to.samefile(self.path) or not files.has_header(to)):
                raise CouldNot(f"{to} is not an older backup; it is left as it is", hint="name another file")
        with self.reading() as connection, explained(to):
            files.copy_database(connection, to, marked=True)

    # --- one transaction per use ---

    @contextmanager
    def reading(self) -> Iterator[sqlite3.Connection]:
        with self._use(write=False) as connection:
            yield connection

    @contextmanager
    def writing(self) -> Iterator[sqlite3.Connection]:
        with self._use(write=True) as connection:
            yield connection

    def _rows(self, query: str, *values: object) -> list[sqlite3.Row]:
        with self.reading() as connection:
            return connection.execute(query, values).fetchall()

    def _read_all(self, read: Callable[[Raw], Fact], found: Iterable[Raw]) -> list[Fact]:
        with self._explained():
            return [read(row) for row in found]

    def _add(self, table: str, row: rows.Row) -> None:
        with self.writing() as connection:
            rows.insert(connection, table, [row])

    @contextmanager
    def _use(self, *, write: bool) -> Iterator[sqlite3.Connection]:
        with self._present():
            try:
                connection = self._idle.pop()
            except IndexError:
                connection = connect(self.path, self._patience_s)
            try:
                with transaction(connection, write=write):
                    yield connection
            finally:
                self._idle.append(connection)
                if self._closed or self._gone:
                    self._drop_connections()

    @contextmanager
    def _weather(self, *, write: bool = False) -> Iterator[Connection]:
        from scheduler.store import engine

        with self._present():
            if self._engine is None:
                self._engine = engine.engine_of(self.path, self._patience_s)
            with engine.transaction(self._engine, write=write) as connection:
                yield connection

    @contextmanager
    def _present(self) -> Iterator[None]:
        """For one use of the file that was opened, and no other that took its place."""
        if self._closed:
            raise RuntimeError(f"the store {self.path} is closed")
        with self._explained():
            if self._gone or _identity(self.path) != self._identity:
                # rows written to the file we hold open would vanish with it; a later file may get its number
                self._gone = True
                self._drop_connections()
                raise CouldNot(
                    f"the database {self.path} was deleted or replaced while it was in use",
                    hint="run the command again: it opens what is there now, or begins a new one",
                )
            yield

    @contextmanager
    def _explained(self) -> Iterator[None]:
        try:
            with explained(self.path):
                yield
        except Damaged:
            files.forget_check(self.path)
            raise


def _identity(path: Path) -> tuple[int, int] | None:
    try:
        found = os.stat(path)  # noqa: PTH116 - on every use, and half the price
    except FileNotFoundError:
        return None
    return found.st_dev, found.st_ino
