"""Does a record of weather hold the season from which a hottest week can be taken (own rule of thumb)."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date

TROPIC_DEG = 23.44
"""Between the tropics the hottest weeks come at any time, often before the rains."""
ENOUGH_DAYS = 28
"""Of one summer's three months."""
MOST_OF_A_YEAR_DAYS = 330


def has_summer(days: Iterable[date], latitude_deg: float) -> bool:
    """Whether the days hold four weeks of one summer; between the tropics, most of a year.

    Summer is June to August north of the equator and December to February south of it (the meteorological
    seasons).

    >>> from datetime import timedelta
    >>> march = [date(2026, 3, 12) + timedelta(days=k) for k in range(16)]
    >>> july = [date(2026, 7, 1) + timedelta(days=k) for k in range(31)]
    >>> has_summer(march, 35.6), has_summer(july, 35.6), has_summer(july, -35.6), has_summer(july, 10.0)
    (False, True, False, False)
    """
    if abs(latitude_deg) < TROPIC_DEG:
        return len(set(days)) >= MOST_OF_A_YEAR_DAYS
    months = (6, 7, 8) if latitude_deg > 0 else (12, 1, 2)
    found: dict[int, int] = {}
    for day in set(days):
        if day.month in months:
            summer = day.year + (day.month == 12)
            found[summer] = found.get(summer, 0) + 1
    return max(found.values(), default=0) >= ENOUGH_DAYS
