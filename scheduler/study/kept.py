"""Figures of seasons that were run, in a file (SQLite): what is kept is not run again.

A season is known by all that its figures depend on (`key_of`), so that the same command goes on where it was
broken off, and another study takes over what both have in common.
"""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import numpy as np

from scheduler.errors import CouldNot
from scheduler.model import WEATHER_FIELDS, Garden, WeatherDays
from scheduler.study.seasons import How, Record
from scheduler.study.version import fingerprint
from scheduler.study.years import SeasonOfYear

FILE = "study.db"
_MADE = """
CREATE TABLE IF NOT EXISTS season (key TEXT PRIMARY KEY, made_by TEXT NOT NULL, figures TEXT NOT NULL)
WITHOUT ROWID
"""
_AT_ONCE = 500
"""Keys of one query; SQLite takes 999 of old."""


class Kept:
    """The figures kept in a file, as text by key; a season is written whole or not at all."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection

    def found(self, keys: Sequence[str]) -> dict[str, str]:
        """The texts of those that are there."""
        found: dict[str, str] = {}
        for begin in range(0, len(keys), _AT_ONCE):
            some = keys[begin : begin + _AT_ONCE]
            marks = ",".join("?" * len(some))
            found.update(
                self._connection.execute(f"SELECT key, figures FROM season WHERE key IN ({marks})", some)
            )
        return found

    def add(self, seasons: Iterable[tuple[str, str]]) -> None:
        """(key, text); all of them, on the disk, before it returns."""
        with self._connection:
            self._connection.executemany(
                "INSERT OR REPLACE INTO season VALUES (?, ?, ?)",
                [(key, fingerprint(), text) for key, text in seasons],
            )

    def drop_of_others(self) -> None:
        """Forgets what another version of the program made: it is never asked for again."""
        with self._connection:
            self._connection.execute("DELETE FROM season WHERE made_by != ?", (fingerprint(),))


@contextmanager
def opened(path: Path | None) -> Iterator[Kept]:
    """The file at `path`, made where there is none; None: memory. CouldNot where it cannot be used."""
    try:
        if path is not None:
            path.parent.mkdir(parents=True, exist_ok=True)
        connection = sqlite3.connect(path or ":memory:", timeout=60)
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute(_MADE)
    except (OSError, sqlite3.Error) as error:
        raise CouldNot(f"{path}: {error}", hint="--keep FILE names another place for what is done") from None
    try:
        yield Kept(connection)
    except sqlite3.Error as error:
        raise CouldNot(f"{path}: {error}", hint="--keep FILE names another place for what is done") from None
    finally:
        connection.close()


# --- what a season is known by -------------------------------------------------------------------


def digest_of(garden: Garden) -> str:
    """Of all that can change its seasons; where its file lies and what it is called change nothing."""
    return _digest(
        repr(replace(garden, name="", folder="", notices=(), display="metric", service={}, sources=()))
    )


def record_digest(record: Record) -> str:
    """Of what a season goes by: `Record.through` it."""
    issues = sorted((record.issues or {}).items())
    return _digest(_of_weather(record.weather), *(f"{issued}{_of_weather(days)}" for issued, days in issues))


def key_of(garden: str, record: str, season: SeasonOfYear, year: int, how: How) -> str:
    """garden, record: their digests."""
    return _digest(fingerprint(), garden, record, repr(season), repr(year), repr(how))


def _of_weather(weather: WeatherDays) -> str:
    made = hashlib.sha256(str(weather.first).encode())
    for name in WEATHER_FIELDS:
        made.update(np.ascontiguousarray(getattr(weather, name), dtype=np.float64).tobytes())
    return made.hexdigest()


def _digest(*texts: str) -> str:
    return hashlib.sha256("\0".join(texts).encode()).hexdigest()
