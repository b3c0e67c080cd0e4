"""Weather facts: each value with its source and the moment it was fetched; SQLAlchemy Core."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Any

from sqlalchemy import Connection, Select, func, insert, select

from scheduler.model import WeatherValue
from scheduler.store import rows
from scheduler.store.tables import weather_values

_NEWEST_KEY = (weather_values.c.day, weather_values.c.field, weather_values.c.source, weather_values.c.kind)
_VALUES = (*_NEWEST_KEY[:2], weather_values.c.value, *_NEWEST_KEY[2:], weather_values.c.fetched_at)


def add_changed(connection: Connection, new: Sequence[rows.Row]) -> int:
    """Adds the rows that differ from the newest of their day, field, source and kind; how many they were."""
    days = [row["day"] for row in new]
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


def newest(connection: Connection, first: str, last: str, fields: Sequence[str] = ()) -> list[WeatherValue]:
    return rows.weather_values(connection.execute(_newest(first, last, fields)))


def issued(connection: Connection, first: str, last: str, kind: str | None) -> list[WeatherValue]:
    query = select(*_VALUES).where(weather_values.c.day.between(first, last)).order_by(weather_values.c.id)
    if kind is not None:
        query = query.where(weather_values.c.kind == kind)
    return rows.weather_values(connection.execute(query))


def span(connection: Connection) -> tuple[date, date] | None:
    day = weather_values.c.day
    first = connection.scalar(select(func.min(day)))
    last = connection.scalar(select(func.max(day)))
    return None if first is None else (date.fromisoformat(first), date.fromisoformat(last))


def _newest(first: str, last: str, fields: Sequence[str] = ()) -> Select[Any]:
    ids = select(func.max(weather_values.c.id)).where(weather_values.c.day.between(first, last))
    if fields:
        ids = ids.where(weather_values.c.field.in_(fields))
    newest = weather_values.c.id.in_(ids.group_by(*_NEWEST_KEY))
    return select(*_VALUES).where(newest).order_by(weather_values.c.id)
