"""The model's dataclasses to rows of plain values, and back. What a row cannot hold is refused here."""

from __future__ import annotations

import json
import math
import sqlite3
import zlib
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import UTC, date, datetime
from functools import cache
from typing import TYPE_CHECKING, Any, TypeVar, cast

from scheduler.json_reading import read_json
from scheduler.model import Applied, Note, NoteKind, Outcome, StoredPlan, WeatherValue

if TYPE_CHECKING:
    from scheduler.shapes.day import DayPage
    from scheduler.shapes.working import StoredWorking

Row = dict[str, Any]
Read = TypeVar("Read")
Raw = TypeVar("Raw")


class Unreadable(Exception):
    """A row holds what nobody wrote: the disk has changed it."""


def _readable(read: Callable[[Raw], Read]) -> Callable[[Raw], Read]:
    def reading(raw: Raw) -> Read:
        try:
            return read(raw)
        except (ValueError, TypeError, OverflowError, zlib.error) as error:
            raise Unreadable(str(error)) from error

    return reading


def utc_text(moment: datetime) -> str:
    """ISO text in UTC with six decimals, so that text order is time order. ValueError if naive."""
    if moment.utcoffset() is None:
        raise ValueError(f"{moment!r} has no time zone")
    return moment.astimezone(UTC).isoformat(timespec="microseconds")


def day_text(day: date) -> str:
    """ISO text of a local date. ValueError for a moment, whose date depends on its zone."""
    if isinstance(day, datetime):
        raise ValueError(f"{day!r} is a moment, not a local date")  # noqa: TRY004 - one error for what does not fit
    return day.isoformat()


def finite(name: str, number: float) -> float:
    """The number as a float. ValueError for NaN, which would read back as nothing, and for infinity."""
    if not math.isfinite(number):
        raise ValueError(f"{name} is {number}, not a number")
    return float(number)


def _utc_text_if(moment: datetime | None) -> str | None:
    return None if moment is None else utc_text(moment)


def _moment_if(text: str | None) -> datetime | None:
    return None if text is None else datetime.fromisoformat(text)


def _finite_if(name: str, number: float | None) -> float | None:
    return None if number is None else finite(name, number)


def json_text(value: Mapping[str, Any]) -> str:
    """JSON with sorted keys. ValueError for NaN and infinity, TypeError for what JSON cannot say."""
    return json.dumps(value, sort_keys=True, allow_nan=False, default=_as_dict)


def _as_dict(value: object) -> dict[Any, Any]:
    if isinstance(value, Mapping):
        return dict(value)
    raise TypeError(f"{type(value).__name__} does not fit in JSON: {value!r}")


def insert(connection: sqlite3.Connection, table: str, new: Sequence[Row]) -> None:
    """Adds rows that all have the same columns."""
    if new:
        names = list(new[0])
        marks = ", ".join(f":{name}" for name in names)
        connection.executemany(f"INSERT INTO {table} ({', '.join(names)}) VALUES ({marks})", new)


def weather_row(value: WeatherValue) -> Row:
    return {
        "day": day_text(value.day),
        "field": value.field,
        "value": finite(value.field, value.value),
        "source": value.source,
        "kind": value.kind,
        "fetched_at": utc_text(value.fetched_at),
    }


@_readable
def weather_values(rows: Iterable[Any]) -> list[WeatherValue]:
    """Rows (day, field, value, source, kind, fetched_at); many share a day and a fetch, parsed once."""
    day_of = cache(date.fromisoformat)
    moment_of = cache(datetime.fromisoformat)
    return [
        WeatherValue(day_of(day), field, value, source, kind, moment_of(fetched_at))
        for day, field, value, source, kind, fetched_at in rows
    ]


def applied_row(applied: Applied) -> Row:
    return {
        "zone": applied.zone,
        "day": day_text(applied.day),
        "minutes": finite("minutes", applied.minutes),
        "liters": finite("liters", applied.liters),
        "gross_mm": finite("gross_mm", applied.gross_mm),
        "net_mm": finite("net_mm", applied.net_mm),
        "outcome": applied.outcome,
        "recorded_at": utc_text(applied.recorded_at),
        "pulse": applied.pulse,
        "opened_at": _utc_text_if(applied.opened_at),
        "closed_at": _utc_text_if(applied.closed_at),
        "measured": int(applied.measured),
        "replaces_day": int(applied.replaces_day),
        "least_minutes": _finite_if("least_minutes", applied.least_minutes),
        "most_minutes": _finite_if("most_minutes", applied.most_minutes),
    }


@_readable
def applied(row: sqlite3.Row) -> Applied:
    return Applied(
        zone=row["zone"],
        day=date.fromisoformat(row["day"]),
        minutes=row["minutes"],
        liters=row["liters"],
        gross_mm=row["gross_mm"],
        net_mm=row["net_mm"],
        outcome=cast(Outcome, row["outcome"]),
        recorded_at=datetime.fromisoformat(row["recorded_at"]),
        pulse=row["pulse"],
        opened_at=_moment_if(row["opened_at"]),
        closed_at=_moment_if(row["closed_at"]),
        measured=bool(row["measured"]),
        replaces_day=bool(row["replaces_day"]),
        least_minutes=row["least_minutes"],
        most_minutes=row["most_minutes"],
    )


def note_row(note: Note) -> Row:
    return {
        "kind": note.kind,
        "day": day_text(note.day),
        "recorded_at": utc_text(note.recorded_at),
        "zone": note.zone,
        "details": json_text(note.details),
    }


def _mapping(value: object) -> Mapping[str, Any]:
    """What has another shape says nothing: `usable` tells what is missing of a note's details."""
    return value if isinstance(value, dict) else {}


@_readable
def note(row: sqlite3.Row) -> Note:
    return Note(
        kind=cast(NoteKind, row["kind"]),
        day=date.fromisoformat(row["day"]),
        recorded_at=datetime.fromisoformat(row["recorded_at"]),
        zone=row["zone"],
        details=_mapping(read_json(row["details"])),
    )


def plan_row(
    day: date, made_at: datetime, inputs: str, page: Mapping[str, Any], working: Mapping[str, Any]
) -> Row:
    return {
        "day": day_text(day),
        "made_at": utc_text(made_at),
        "inputs": inputs,
        "page": packed(page),
        "working": packed(working),
    }


@_readable
def plan(row: sqlite3.Row) -> StoredPlan:
    return StoredPlan(
        day=date.fromisoformat(row["day"]),
        made_at=datetime.fromisoformat(row["made_at"]),
        inputs=row["inputs"],
        page=cast("DayPage", _mapping(unpacked(row["page"]))),
    )


def packed(value: Mapping[str, Any]) -> bytes:
    """JSON as a zlib stream, which carries a checksum of its own."""
    return zlib.compress(json_text(value).encode(), 9)


def unpacked(stream: bytes) -> Any:
    return read_json(zlib.decompress(stream))


@_readable
def working(stream: bytes) -> StoredWorking:
    found: StoredWorking = unpacked(stream)
    return found
