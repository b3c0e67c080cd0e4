"""When the sun rises and sets (FAO-56 eq 24, 25, 31 to 33)."""

from __future__ import annotations

import math
from datetime import UTC, date, datetime, time, timedelta


def daylight(day: date, latitude_deg: float, longitude_deg: float) -> tuple[datetime, datetime] | None:
    """Sunrise and sunset, aware, in UTC; None in the polar night, a whole day of light in the polar summer.

    The sun's centre over a level horizon, without refraction: a few minutes of light more than that.
    Source: FAO-56 eq 24 (declination), 25 (sunset hour angle), 31 to 33 (clock and solar time).

    >>> rise, set_ = daylight(date(2026, 6, 21), 35.61, -82.44)
    >>> f"{rise:%H:%M} {set_:%H:%M}"
    '10:18 00:43'
    """
    number = day.timetuple().tm_yday
    declination = 0.409 * math.sin(2 * math.pi * number / 365 - 1.39)
    turn = -math.tan(math.radians(latitude_deg)) * math.tan(declination)
    if turn >= 1:
        return None
    half_hours = 12 / math.pi * math.acos(max(turn, -1.0))
    b = 2 * math.pi * (number - 81) / 364
    seasonal = 0.1645 * math.sin(2 * b) - 0.1255 * math.cos(b) - 0.025 * math.sin(b)
    noon = datetime.combine(day, time(0), UTC) + timedelta(hours=12 - longitude_deg / 15 - seasonal)
    half = timedelta(hours=half_hours)
    return noon - half, noon + half
