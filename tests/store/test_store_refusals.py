"""What does not fit is refused, and nothing of it is kept."""

from __future__ import annotations

import math
import sqlite3
from contextlib import closing
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import pytest
from store.samples import DAY, NOW, rain_note, water

from scheduler.model import WeatherValue
from scheduler.store.store import Store


@pytest.mark.parametrize("number", [math.nan, math.inf, -math.inf])
@pytest.mark.parametrize("name", ["minutes", "liters", "gross_mm", "net_mm", "least_minutes", "most_minutes"])
def test_numbers_that_are_none_are_refused_of_water(store: Store, name: str, number: float) -> None:
    with pytest.raises(ValueError, match=name):
        store.add_applied(water(**{name: number}))
    assert store.applied(DAY, DAY) == []


@pytest.mark.parametrize("number", [math.nan, math.inf, -math.inf])
def test_one_number_that_is_none_refuses_the_whole_answer(store: Store, number: float) -> None:
    good = WeatherValue(DAY, "rain_mm", 4.0, "nws", "model", NOW)
    with pytest.raises(ValueError, match="tmax_c"):
        store.add_weather([good, replace(good, field="tmax_c", value=number)])
    assert store.weather(DAY, DAY) == []


@pytest.mark.parametrize("number", [math.nan, math.inf])
def test_json_without_numbers_that_are_none(store: Store, number: float) -> None:
    with pytest.raises(ValueError, match="JSON"):
        store.add_note(rain_note(details={"mm": number}))
    with pytest.raises(ValueError, match="JSON"):
        store.add_plan(DAY, NOW, "digest", {"runs": [{"minutes": number}]}, {})
    assert store.notes() == []
    assert store.plan(DAY) is None


def test_moments_without_a_zone_are_refused(store: Store, tmp_path: Path) -> None:
    naive = datetime(2026, 6, 12, 4, 0)
    for refused in (
        lambda: store.add_weather([WeatherValue(DAY, "rain_mm", 1.0, "nws", "model", naive)]),
        lambda: store.add_applied(water(recorded_at=naive)),
        lambda: store.add_applied(water(opened_at=naive)),
        lambda: store.add_applied(water(closed_at=naive)),
        lambda: store.add_note(rain_note(recorded_at=naive)),
        lambda: store.add_plan(DAY, naive, "digest", {}, {}),
        lambda: Store.open(tmp_path / "other" / "rowwater.db", now=naive),
    ):
        with pytest.raises(ValueError, match="time zone"):
            refused()
    assert not (tmp_path / "other").exists()


def test_a_moment_is_no_local_day(store: Store) -> None:
    with pytest.raises(ValueError, match="not a local date"):
        store.add_applied(water(day=NOW))
    with pytest.raises(ValueError, match="not a local date"):
        store.begin(NOW)


@pytest.mark.parametrize(
    "insert",
    [
        "INSERT INTO weather_values VALUES (1, '2026-06-12', 'rain_mm', 9e999, 'nws', 'model', '{t}')",
        "INSERT INTO weather_values VALUES (1, '2026-06-12', 'rain_mm', NULL, 'nws', 'model', '{t}')",
        "INSERT INTO weather_values VALUES (1, '2026-06-12', 'rain_mm', 'wet', 'nws', 'model', '{t}')",
        "INSERT INTO weather_values VALUES (1, '2026-06-31', 'rain_mm', 1.0, 'nws', 'model', '{t}')",
        "INSERT INTO weather_values VALUES (1, '2026-06-12', 'rain_mm', 1.0, 'nws', 'model', '04:00')",
        "INSERT INTO notes VALUES (1, 'rain', '2026-06-12', '{t}', NULL, '{mm: 4}')",
    ],
)
def test_the_database_itself_refuses_what_reads_back_wrong(store: Store, path: Path, insert: str) -> None:
    """Text fits into a number's column, and NaN reads back as nothing, unless the schema says otherwise."""
    sound = "INSERT INTO weather_values VALUES (2, '2026-06-12', 'rain_mm', 1.0, 'nws', 'model', '{t}')"
    moment = "2026-06-12T08:00:00.000000+00:00"
    with closing(sqlite3.connect(path)) as plain:
        plain.execute(sound.replace("{t}", moment))
        with pytest.raises(sqlite3.IntegrityError):
            plain.execute(insert.replace("{t}", moment))
