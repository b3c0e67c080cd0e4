"""The place: latitude, longitude and time zone have to belong together."""

from __future__ import annotations

import re
import zoneinfo
from collections.abc import Iterator
from contextlib import suppress
from datetime import datetime, timedelta
from functools import cache
from pathlib import Path
from zoneinfo import ZoneInfo

from scheduler.garden.blocks import GardenBlock
from scheduler.garden.sheet import Sheet

FARTHEST_HOURS = 3.5
"""No inhabited place keeps a clock farther from its sun: western China, on Beijing's, is 3.1 h off."""
_CITY = re.compile(r"([+-])(\d{2})(\d{2})(?:\d{2})?([+-])(\d{3})(\d{2})(?:\d{2})?")
"""ISO 6709, as the time zone database lists the main city of each zone in zone.tab."""
_NUMBER = re.compile(r"[+-]?\d+(?:\.\d+)?")


def check_place(sheet: Sheet, garden: GardenBlock) -> None:
    """Complains where other signs, or the two in each other's place, would fit and these do not."""
    place = garden.location
    if not place.at:  # a stand-in: one of the values was wrong itself
        _check_swapped_words(sheet)
        return
    typed = place.latitude, place.longitude
    if not _off(*typed, place.timezone):
        return
    for key, (latitude, longitude), slip in _slips(*typed):
        if _fits(latitude, longitude, place.timezone):
            text = (
                f"latitude {typed[0]:g}, longitude {typed[1]:g} do not belong to the time zone "
                f"{place.timezone}: {slip} - did you mean latitude {latitude:g}, longitude {longitude:g}?"
            )
            sheet.complain((*place.at, key), text)
            return


def place_remark(longitude: float, timezone: str) -> str | None:
    """What is odd about a place that may yet be right; for those that `check_place` lets stand."""
    hours = clock_off_hours(longitude, timezone)
    if hours is None or hours <= FARTHEST_HOURS:
        return None
    return (
        f"location: longitude {longitude:g} lies {hours:.1f} h from the clock of {timezone}: "
        "is one of them mistyped?"
    )


def clock_off_hours(longitude: float, timezone: str) -> float | None:
    """Hours between the sun and the standard time of a zone, 0..12; None for zones of no place (UTC).

    >>> round(clock_off_hours(-82.44, "America/New_York"), 2), clock_off_hours(0, "UTC")
    (0.5, None)
    """
    if "/" not in timezone or timezone.startswith("Etc/"):
        return None
    zone = ZoneInfo(timezone)
    moments = [datetime(2025, month, 1, tzinfo=zone) for month in (1, 7)]
    standard = min(moment.utcoffset() or timedelta() for moment in moments) / timedelta(hours=1)
    off = abs(longitude / 15 - standard) % 24
    return min(off, 24 - off)


def _off(latitude: float, longitude: float, timezone: str) -> bool:
    hours = clock_off_hours(longitude, timezone)
    return (hours is not None and hours > FARTHEST_HOURS) or _other_hemisphere(latitude, timezone)


def _fits(latitude: float, longitude: float, timezone: str) -> bool:
    """Near enough to the zone's clock and main city to be what was meant."""
    hours, city = clock_off_hours(longitude, timezone), _city_latitudes().get(timezone)
    near = abs(latitude) <= 72 if city is None else abs(latitude - city) < 40
    return near and hours is not None and hours <= FARTHEST_HOURS


def _other_hemisphere(latitude: float, timezone: str) -> bool:
    """Far from the zone's main city, and near it with the other sign."""
    city = _city_latitudes().get(timezone)
    return city is not None and abs(latitude - city) > 45 and abs(latitude + city) < 25


def _slips(latitude: float, longitude: float) -> Iterator[tuple[str, tuple[float, float], str]]:
    """The key to name, what may have been meant, and the slip in words; the likelier first."""
    yield "longitude", (latitude, -longitude), "the sign of the longitude may be lost (west is negative)"
    yield "latitude", (-latitude, longitude), "the sign of the latitude may be lost (south is negative)"
    yield "latitude", (longitude, latitude), "they may be swapped"
    yield "latitude", (-latitude, -longitude), "both signs may be wrong"
    yield "latitude", (longitude, -latitude), "they may be swapped, and a sign lost"


def _check_swapped_words(sheet: Sheet) -> None:
    """A latitude beyond the pole is often the longitude."""
    keys = sheet.keys_at(("location",))
    words = [str(keys[key].value) for key in ("latitude", "longitude", "timezone") if key in keys]
    if len(words) < 3 or not all(_NUMBER.fullmatch(word) for word in words[:2]):
        return
    if abs(float(words[0])) > 90 and words[2] in _city_latitudes() and _fits(*_swapped(words), words[2]):
        text = f"swapped? - did you mean latitude {words[1]}, longitude {words[0]}?"
        sheet.complain(("location", "latitude"), text)


def _swapped(words: list[str]) -> tuple[float, float]:
    return float(words[1]), float(words[0])


@cache
def _city_latitudes() -> dict[str, float]:
    """Degrees north of each time zone's main city; empty where this machine has no list."""
    for folder in zoneinfo.TZPATH:
        with suppress(OSError):
            text = (Path(folder) / "zone.tab").read_text(encoding="utf-8")
            rows = [line.split("\t") for line in text.splitlines() if not line.startswith("#")]
            return {
                row[2]: found for row in rows if len(row) > 2 and (found := _latitude(row[1])) is not None
            }
    return {}


def _latitude(coordinates: str) -> float | None:
    found = _CITY.fullmatch(coordinates)
    if not found:
        return None
    degrees = int(found[2]) + int(found[3]) / 60
    return -degrees if found[1] == "-" else degrees
