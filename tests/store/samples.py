"""Facts of the invented Creekside plot, for the tests of this folder."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from scheduler.model import WEATHER_FIELDS, Applied, Note, Run, WeatherValue
from scheduler.store.store import Store

SITE = ZoneInfo("America/New_York")
NOW = datetime(2026, 6, 12, 4, 0, tzinfo=SITE)
DAY = date(2026, 6, 12)


def water(zone: str = "tomatoes", day: date = DAY, **changes: Any) -> Applied:
    figures: dict[str, Any] = {
        "minutes": 48.0, "liters": 910.0, "gross_mm": 4.1, "net_mm": 3.7, "outcome": "done",
        "recorded_at": NOW,
    }  # fmt: skip
    return Applied(zone, day, **(figures | changes))


def rain_note(day: date = DAY, **changes: Any) -> Note:
    """Of the 24 hours before `NOW`, unless the changes say more."""
    figures: dict[str, Any] = {"kind": "rain", "recorded_at": NOW, "details": {"mm": 15.2}} | changes
    if figures["kind"] == "rain":
        hours = {"since": (NOW - timedelta(days=1)).isoformat(), "at": NOW.isoformat()}
        figures["details"] = hours | figures["details"]
    return Note(day=day, **figures)


def season_weather(days: int = 60, first: date = date(2026, 4, 20)) -> list[WeatherValue]:
    return [
        WeatherValue(first + timedelta(i), field, 10.0 + i + 0.25 * f, source, "model", NOW)
        for i in range(days)
        for f, field in enumerate(WEATHER_FIELDS)
        for source in ("open-meteo", "nws")
    ]


def planned(zone: str, start: datetime, minutes: float, pulse: int = 1) -> Run:
    stop = (start.astimezone(UTC) + timedelta(minutes=minutes)).astimezone(start.tzinfo)
    return Run(zone, pulse, start, stop, minutes, liters=19.0 * minutes, net_mm=0.08 * minutes, flow_lpm=19.0)


def keep_a_season(path: Path) -> None:
    with Store.open(path, now=NOW - timedelta(days=50)) as store:
        store.begin(DAY - timedelta(days=50))
        store.add_weather(season_weather())
        for back in range(50):
            store.add_applied(water(day=DAY - timedelta(days=back)))
        store.add_note(rain_note())


def names(folder: Path) -> list[str]:
    """What is in the folder, but for the mark of the last check."""
    return sorted(entry.name for entry in folder.iterdir() if entry.suffix != ".checked")


def tables_of(path: Path) -> set[str]:
    with closing(sqlite3.connect(path)) as plain:
        return {name for (name,) in plain.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
