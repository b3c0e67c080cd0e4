"""The facts on disk, through SQLAlchemy Core on SQLite: added one by one, never edited, never deleted."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterable, Iterator, Mapping
from contextlib import AbstractContextManager, contextmanager
from datetime import date, datetime, timedelta
from pathlib import Path
from types import TracebackType
from typing import Any, Self, cast

from sqlalchemy import Connection, Engine, Select, func, insert, select
from sqlalchemy.dialects.sqlite import insert as sqlite_insert

from scheduler.errors import CouldNot
from scheduler.model import Applied, Note, NoteKind, StoredPlan, WeatherValue
from scheduler.store import files, rows
from scheduler.store.effective import effective_applied
from scheduler.store.failures import explained
from scheduler.store.opening import SHIPPED, Opened, Setup, open_database
from scheduler.store.tables import applied, notes, plans, store_info, weather_values

__all__ = ["Store", "effective_applied"]

_NEWEST_KEY = (weather_values.c.day, weather_values.c.field, weather_values.c.source, weather_values.c.kind)
_WEATHER = (*_NEWEST_KEY[:2], weather_values.c.value, *_NEWEST_KEY[2:], weather_values.c.fetched_at)


class Store:
    """One database. Safe to use from several threads, and beside other processes.

    Every method raises CouldNot where disk, database or another program stand in the way; what was
    acknowledged before is then still on disk. Moments come back in UTC, JSON as JSON reads it (lists for
    tuples). ValueError for naive moments and for numbers that are not finite.
    """

    def __init__(self, path: Path, opened: Opened) -> None:
        """Use `Store.open`."""
        self.path = path
        self.notices = opened.notices
        """What opening had to do, for the grower: a database set aside, an upgrade."""
        self.replaced = opened.replaced
        """Whether this very opening began a new database in place of a lost one; see `replaced_on`."""
        self._reader: Engine = opened.engine
        self._writer: Engine = opened.engine.execution_options(write=True)
        self._identity = _identity(path)
        self._gone = False
        self._closed = False

    @classmethod
    def open(cls, path: Path, *, now: datetime, setup: Setup = SHIPPED) -> Store:
        """Opens the database, making folder and file where there are none, upgrading an older one.

        A damaged or lost one is set aside and a new one begun: `notices` and `replaced` say so. CouldNot,
        and nothing touched, for a database of a newer version or of another program.
        now: dates what is set aside, and the new database.
        """
        path = Path(path).absolute()
        rows.utc_text(now)
        with explained(path):
            opened = open_database(path, now=now, setup=setup)
            try:
                return cls(path, opened)
            except BaseException:
                opened.engine.dispose()
                raise

    def close(self) -> None:
        self._closed = True
        self._reader.dispose()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    # --- what the store knows of itself ---

    def begin(self, day: date) -> None:
        """Records the first day from which water given is known. The first call wins."""
        text = rows.day_text(day)
        if self._info("first_day") is None:
            row = {"name": "first_day", "value": text}
            with self._write() as connection:
                connection.execute(sqlite_insert(store_info).values(row).on_conflict_do_nothing())

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
        if replaced_at is None:
            return False
        if first_day is not None and first_day > day:  # a wrong clock named it: the day of the loss counts
            around = (replaced_at - timedelta(hours=14), replaced_at + timedelta(hours=14))
            return around[0].date() <= day <= around[1].date()
        return first_day in (None, day)

    def _info(self, name: str) -> str | None:
        with self._read() as connection:
            return connection.scalar(select(store_info.c.value).where(store_info.c.name == name))

    # --- weather ---

    def add_weather(self, values: Iterable[WeatherValue]) -> int:
        """Adds the values that differ from the newest stored ones of their day, field, source and kind.

        Newest is what was added last. Returns how many were added: none when the same answer comes again.
        """
        new = [rows.weather_row(value) for value in values]
        if not new:
            return 0
        days = [row["day"] for row in new]
        with self._write() as connection:
            newest: dict[tuple[str, ...], float] = {
                (day, field, source, kind): value
                for day, field, value, source, kind, _ in connection.execute(_newest(min(days), max(days)))
            }
            changed = []
            for row in new:
                key = (row["day"], row["field"], row["source"], row["kind"])
                if newest.get(key) != row["value"]:
                    newest[key] = row["value"]
                    changed.append(row)
            if changed:
                connection.execute(insert(weather_values), changed)
        return len(changed)

    def weather(self, first: date, last: date) -> list[WeatherValue]:
        """The newest value per day, field, source and kind of the days first..last, as they were added."""
        with self._read() as connection:
            return rows.weather_values(connection.execute(_newest(rows.day_text(first), rows.day_text(last))))

    def weather_span(self) -> tuple[date, date] | None:
        """The first and the last day with any weather."""
        day = weather_values.c.day
        with self._read() as connection:
            first = connection.scalar(select(func.min(day)))
            last = connection.scalar(select(func.max(day)))
        return None if first is None else (date.fromisoformat(first), date.fromisoformat(last))

    def weather_history(self, day: date, field: str) -> list[WeatherValue]:
        """All that was ever said of one value, oldest first."""
        query = (
            select(*_WEATHER)
            .where(weather_values.c.day == rows.day_text(day), weather_values.c.field == field)
            .order_by(weather_values.c.id)
        )
        with self._read() as connection:
            return rows.weather_values(connection.execute(query))

    def weather_said(self, first: date, last: date, *, kind: str | None = None) -> list[WeatherValue]:
        """All that was ever said of the days first..last, oldest word first."""
        query = (
            select(*_WEATHER)
            .where(weather_values.c.day.between(rows.day_text(first), rows.day_text(last)))
            .order_by(weather_values.c.id)
        )
        if kind is not None:
            query = query.where(weather_values.c.kind == kind)
        with self._read() as connection:
            return rows.weather_values(connection.execute(query))

    # --- water given ---

    def add_applied(self, record: Applied) -> None:
        self._add(insert(applied), rows.applied_row(record))

    def applied(self, first: date, last: date, zone: str | None = None) -> list[Applied]:
        """The records of the local days first..last, in the order of recording; see `effective_applied`."""
        query = select(applied).order_by(applied.c.id)
        query = query.where(applied.c.day.between(rows.day_text(first), rows.day_text(last)))
        if zone is not None:
            query = query.where(applied.c.zone == zone)
        with self._read() as connection:
            return [rows.applied(row) for row in connection.execute(query)]

    # --- what the grower noted ---

    def add_note(self, note: Note) -> None:
        self._add(insert(notes), rows.note_row(note))

    def notes(
        self, first: date | None = None, last: date | None = None, kind: NoteKind | None = None
    ) -> list[Note]:
        """In the order of recording; all days, all kinds, where not narrowed."""
        query = select(notes).order_by(notes.c.id)
        if first is not None:
            query = query.where(notes.c.day >= rows.day_text(first))
        if last is not None:
            query = query.where(notes.c.day <= rows.day_text(last))
        if kind is not None:
            query = query.where(notes.c.kind == kind)
        with self._read() as connection:
            return [rows.note(row) for row in connection.execute(query)]

    # --- plans ---

    def add_plan(
        self, day: date, made_at: datetime, inputs: str, page: Mapping[str, Any], working: Mapping[str, Any]
    ) -> StoredPlan:
        """The plan as stored; the day's newest, and nothing added, where that rests on the same inputs."""
        row = rows.plan_row(StoredPlan(day, made_at, inputs, page, working))
        with self._write() as connection:
            newest = connection.execute(_plans(row["day"], row["day"])).one_or_none()
            if newest is None or newest.inputs != inputs:
                connection.execute(insert(plans), row)
                newest = connection.execute(_plans(row["day"], row["day"])).one()
        return rows.plan(newest)

    def plan(self, day: date) -> StoredPlan | None:
        """The day's newest."""
        return next(iter(self.plans(day, day)), None)

    def newest_plan(self) -> StoredPlan | None:
        """The newest plan of the newest day that has one."""
        with self._read() as connection:
            day = connection.scalar(select(func.max(plans.c.day)))
        return None if day is None else self.plan(date.fromisoformat(day))

    def plans(self, first: date, last: date) -> list[StoredPlan]:
        """The newest of each of the days first..last that has one, in order of days."""
        with self._read() as connection:
            found = connection.execute(_plans(rows.day_text(first), rows.day_text(last))).all()
        return [rows.plan(row) for row in found]

    # --- the file ---

    def backup(self, to: Path) -> None:
        """A whole copy by SQLite's backup call, put into place by rename; replaces an older backup only."""
        to = Path(to).absolute()
        with explained(to):
            if to.exists() and (to.samefile(self.path) or not files.has_header(to)):
                raise CouldNot(f"{to} is not an older backup; it is left as it is", hint="name another file")
        with self._read() as connection, explained(to):
            source = cast(sqlite3.Connection, connection.connection.driver_connection)
            files.copy_database(source, to)

    # --- one transaction per use ---

    def _add(self, statement: Any, row: Mapping[str, Any]) -> None:
        with self._write() as connection:
            connection.execute(statement, row)

    def _read(self) -> AbstractContextManager[Connection]:
        return self._use(self._reader)

    def _write(self) -> AbstractContextManager[Connection]:
        return self._use(self._writer)

    @contextmanager
    def _use(self, engine: Engine) -> Iterator[Connection]:
        if self._closed:
            raise RuntimeError(f"the store {self.path} is closed")
        with explained(self.path):
            if self._gone or _identity(self.path) != self._identity:
                # rows written to the file we hold open would vanish with it; a later file may get its number
                self._gone = True
                self._reader.dispose()
                raise CouldNot(
                    f"the database {self.path} was deleted or replaced while it was in use",
                    hint="run the command again: it opens what is there now, or begins a new one",
                )
            with engine.begin() as connection:
                yield connection


def _newest(first: str, last: str) -> Select[Any]:
    ids = select(func.max(weather_values.c.id)).where(weather_values.c.day.between(first, last))
    newest = weather_values.c.id.in_(ids.group_by(*_NEWEST_KEY))
    return select(*_WEATHER).where(newest).order_by(weather_values.c.id)


def _plans(first: str, last: str) -> Select[Any]:
    ids = select(func.max(plans.c.id)).where(plans.c.day.between(first, last)).group_by(plans.c.day)
    return select(plans).where(plans.c.id.in_(ids)).order_by(plans.c.day)


def _identity(path: Path) -> tuple[int, int] | None:
    try:
        found = os.stat(path)  # noqa: PTH116 - on every use, and half the price
    except FileNotFoundError:
        return None
    return found.st_dev, found.st_ino
