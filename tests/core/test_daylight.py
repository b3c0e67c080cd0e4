"""Sunrise and sunset against an astronomical library (astral 3.2, which counts refraction and the sun's rim).

Its light is a few minutes longer at either end: 4 at the equator, 10 at 60 degrees north in May.
"""

from __future__ import annotations

from datetime import UTC, date, datetime

import pytest

from scheduler.core.daylight import daylight

ASTRAL = [  # day, latitude, longitude, sunrise and sunset in UTC as astral prints them
    ("2026-06-21", 35.61, -82.44, "2026-06-21 10:14", "2026-06-22 00:48"),
    ("2026-12-21", 35.61, -82.44, "2026-12-21 12:35", "2026-12-21 22:20"),
    ("2026-03-20", 52.10, 5.18, "2026-03-20 05:42", "2026-03-20 17:52"),
    ("2026-10-01", 52.10, 5.18, "2026-10-01 05:40", "2026-10-01 17:16"),
    ("2026-06-21", -33.90, 151.20, "2026-06-20 21:00", "2026-06-21 06:53"),
    ("2026-11-03", 38.54, -121.74, "2026-11-03 14:36", "2026-11-04 01:05"),
    ("2026-02-11", 0.0, 30.0, "2026-02-11 04:10", "2026-02-11 16:17"),
    ("2026-05-01", 60.0, 25.0, "2026-05-01 02:18", "2026-05-01 18:17"),
]


@pytest.mark.parametrize(("day", "latitude", "longitude", "rise", "sets"), ASTRAL)
def test_the_sun_rises_and_sets(day: str, latitude: float, longitude: float, rise: str, sets: str) -> None:
    found = daylight(date.fromisoformat(day), latitude, longitude)
    assert found is not None
    for ours, theirs in zip(found, (rise, sets), strict=True):
        apart = ours - datetime.fromisoformat(theirs).replace(tzinfo=UTC)
        assert abs(apart.total_seconds()) <= 11 * 60


def test_near_the_poles() -> None:
    assert daylight(date(2026, 12, 21), 75.0, 20.0) is None
    summer = daylight(date(2026, 6, 21), 75.0, 20.0)
    assert summer is not None
    assert (summer[1] - summer[0]).total_seconds() == pytest.approx(24 * 3600, abs=1)
