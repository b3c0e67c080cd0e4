"""The US National Weather Service's raw forecast grid: layers of intervals, taken apart into hours.

Every layer comes with its own unit and its own interval lengths; equal neighbours of a reading are merged
by the service, sums never are. Sources: the service's documentation page and OpenAPI 1.9.0 file.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

from scheduler.errors import CouldNot
from scheduler.model import Location
from scheduler.weather.answers import day_and_hour, finite, json_object, short, unusable
from scheduler.weather.nws import intervals
from scheduler.weather.quantities import Unit

NAME = "nws"
OLDEST = timedelta(hours=18)  # the service is known to send stale forecasts with status 200
NEAR_DEG = 0.5

TEMPERATURE = {"degC": Unit(), "degF": Unit(5 / 9, -32.0), "K": Unit(1.0, -273.15)}
PERCENT = {"percent": Unit()}
SPEED = {"km_h-1": Unit(1 / 3.6), "m_s-1": Unit(), "kt": Unit(1852 / 3600), "mi_h-1": Unit(0.44704)}
DEPTH = {"mm": Unit(), "cm": Unit(10.0), "m": Unit(1000.0), "in": Unit(25.4)}


@dataclass(frozen=True, slots=True)
class Measure:
    units: Mapping[str, Unit]
    least: float
    most: float

    def si(self, value: object, unit: Unit) -> float | None:
        number = finite(value)
        number = unit.si(number) if number is not None else None
        return number if number is not None and self.least <= number <= self.most else None


AIR = Measure(TEMPERATURE, -90, 60)
SHARE = Measure(PERCENT, 0, 110)
CHANCE = Measure(PERCENT, 0, 100)
WIND = Measure(SPEED, 0, 110)
RAIN = Measure(DEPTH, 0, 1000)

_HELD: Mapping[str, Measure] = {
    "temperature": AIR,
    "dewpoint": AIR,
    "relativeHumidity": SHARE,
    "windSpeed": WIND,
    "probabilityOfPrecipitation": CHANCE,
}
_SUMS: Mapping[str, Measure] = {"quantitativePrecipitation": RAIN}
_WINDOWS: Mapping[str, Measure] = {"maxTemperature": AIR, "minTemperature": AIR}


def unit_of(text: object, measure: Measure) -> Unit | None:
    """By the part after the colon: `wmoUnit:degC`, `unit:degC`, `degC`. None: not one known here."""
    return measure.units.get(text.rpartition(":")[2]) if isinstance(text, str) else None


@dataclass(slots=True)
class Grid:
    """Per layer: readings by the hour's beginning, sums by its end (seconds since 1970 UTC), SI."""

    hours: dict[str, dict[int, float]] = field(default_factory=dict)
    windows: dict[str, list[intervals.Piece]] = field(default_factory=dict)
    notices: list[str] = field(default_factory=list)


def parse(text: str, *, location: Location, now: datetime, cell: tuple[str, int, int] | None = None) -> Grid:
    """A grid answer. cell: the office and square that was asked for.

    Raises CouldNot for what is no forecast, is of another place, or is too old.
    """
    answer = json_object(text)
    found = answer.get("properties")
    if not isinstance(found, dict):
        told = short(str(answer.get("title", ""))) or "no properties"
        raise CouldNot(f"the weather service answered without a forecast ({told})")
    _check_place(answer, found, location, cell)
    grid = Grid()
    _check_age(found, now, grid.notices)
    for name, measure in _HELD.items():
        hours = intervals.held(_pieces(found, name, measure, now, grid.notices))
        grid.hours[name] = _told(hours, name, grid.notices)
    for name, measure in _SUMS.items():
        hours = intervals.shared_out(_pieces(found, name, measure, now, grid.notices))
        grid.hours[name] = _told(hours, name, grid.notices)
    for name, measure in _WINDOWS.items():
        grid.windows[name] = _pieces(found, name, measure, now, grid.notices)
    if not any(grid.hours.values()):
        raise CouldNot("the weather service answered, but without one usable value in its forecast")
    return grid


def _check_place(
    answer: Mapping[str, Any],
    found: Mapping[str, Any],
    location: Location,
    cell: tuple[str, int, int] | None,
) -> None:
    if cell is not None:
        said = tuple(str(found.get(name)) for name in ("gridId", "gridX", "gridY"))
        if said != tuple(map(str, cell)):  # the numbers come as text here
            raise CouldNot(f"the weather service answered for another grid square ({short(' '.join(said))})")
    corner = _first_pair(answer.get("geometry"))
    if corner is None:
        if cell is None:
            raise CouldNot("the weather service does not say for which place it answers")
        return
    longitude, latitude = corner
    east = abs((longitude - location.longitude_deg + 180) % 360 - 180)
    if east > NEAR_DEG or abs(latitude - location.latitude_deg) > NEAR_DEG:
        raise CouldNot(f"the weather service answered for another place ({latitude:g}, {longitude:g})")


def _first_pair(geometry: object) -> tuple[float, float] | None:
    """Longitude and latitude of a GeoJSON geometry's first corner."""
    spot = geometry.get("coordinates") if isinstance(geometry, dict) else None
    for _ in range(4):
        if isinstance(spot, list) and len(spot) >= 2:
            longitude, latitude = finite(spot[0]), finite(spot[1])
            if longitude is not None and latitude is not None:
                return longitude, latitude
        spot = spot[0] if isinstance(spot, list) and spot else None
    return None


def _check_age(found: Mapping[str, Any], now: datetime, notices: list[str]) -> None:
    text = found.get("updateTime")
    try:
        made = datetime.fromisoformat(text) if isinstance(text, str) else None
        age = now - made if made is not None and made.utcoffset() is not None else None
    except (ValueError, OverflowError):
        age = None
    if age is None:
        notices.append(f"{NAME}: the forecast does not say when it was made")
    elif age > OLDEST:
        hours = age.total_seconds() / 3600
        raise CouldNot(f"the weather service sent an old forecast ({hours:.0f} hours)")
    elif age < -timedelta(hours=2):
        notices.append(f"{NAME}: the forecast is dated later than now: is the clock of this machine right?")


def _pieces(
    found: Mapping[str, Any], name: str, measure: Measure, now: datetime, notices: list[str]
) -> list[intervals.Piece]:
    layer = found.get(name)
    values = layer.get("values") if isinstance(layer, dict) else None
    if not isinstance(layer, dict) or not isinstance(values, list) or not values:
        return []
    unit = unit_of(layer.get("uom"), measure)
    if unit is None:
        uom = short(repr(layer.get("uom")))
        notices.append(f"{NAME}: {name} left out: its unit is {uom}, not one known here")
        return []
    pieces: list[intervals.Piece] = []
    refused: list[str] = []
    for item in values:
        raw = item.get("value") if isinstance(item, dict) else "?"
        span = intervals.seconds_of(str(item.get("validTime")), now) if isinstance(item, dict) else None
        value = measure.si(raw, unit)
        if value is None or span is None:
            if raw is not None or span is None:
                refused.append(
                    "" if span is None else day_and_hour(datetime.fromtimestamp(span[0], now.tzinfo))
                )
            continue
        pieces.append((*span, value))
    if refused:
        notices.append(unusable(f"{NAME}: {name}", refused))
    if pieces:
        first = min(begin for begin, _, _ in pieces)
        if max(end for _, end, _ in pieces) - first > intervals.MOST_HOURS * 3600:
            raise CouldNot("the weather service's forecast spans more than two months")
    return pieces


def _told(hours: intervals.Hours, name: str, notices: list[str]) -> dict[int, float]:
    if hours.twice:
        word = "hours" if hours.twice > 1 else "hour"
        notices.append(f"{NAME}: {name}: {hours.twice} {word} given twice, differently: counted as missing")
    return hours.known
