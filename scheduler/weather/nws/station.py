"""Reports of the US National Weather Service's observation stations, as values by the hour.

A station sends one full report an hour, some minutes before it, and often shorter ones between: those give
extremes of temperature, but their rain would be counted twice. Rain that is null may mean "none" or "not
measured"; it is none only where the report itself says that a rain sensor is at work (remark AO2 without
PNO: Federal Meteorological Handbook No. 1, chapter 12, from memory) or where a longer sum says so.
"""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from scheduler.errors import CouldNot
from scheduler.weather.answers import finite, json_object, short
from scheduler.weather.localdays import HOUR
from scheduler.weather.nws.grid import AIR, NAME, RAIN, SHARE, WIND, Measure, unit_of
from scheduler.weather.quantities import Unit

REJECTED = frozenset("XQB")
"""Flags of the network's quality control (MADIS, from memory): X failed, Q questioned, B judged bad by a
person. Z (not checked yet), C, S, V (passed one, two, all stages), G (judged good), T are used."""
ROUND_MINUTES = 12  # how far a full report may be from its usual minute
_READINGS: Mapping[str, Measure] = {
    "temperature": AIR,
    "dewpoint": AIR,
    "relativeHumidity": SHARE,
    "windSpeed": WIND,
}
_HEIGHT = Measure({"m": Unit(), "ft": Unit(0.3048)}, -500, 9000)
_SUMS = {"precipitationLastHour": 1, "precipitationLast3Hours": 3, "precipitationLast6Hours": 6}


@dataclass(slots=True)
class Observed:
    """Values of full reports by the whole hour they stand for; rain by the end of the hour it fell in."""

    hours: dict[str, dict[int, float]] = field(default_factory=lambda: {name: {} for name in _READINGS})
    rain: dict[int, float] = field(default_factory=dict)
    temperatures: list[tuple[int, float]] = field(default_factory=list)
    """All accepted readings, those between the hours too, by their own instant."""
    notices: list[str] = field(default_factory=list)

    def __bool__(self) -> bool:
        return bool(self.temperatures or self.rain)


@dataclass(frozen=True, slots=True)
class _Report:
    at: int
    readings: Mapping[str, float]
    rain: Mapping[int, float]  # by the hours of the sum, mm
    no_rain: bool  # said by a rain sensor at work
    weight: int  # how much it says


@dataclass(frozen=True, slots=True)
class Station:
    name: str
    latitude_deg: float
    longitude_deg: float
    elevation_m: float | None


def stations(text: str) -> list[Station]:
    """The stations of an answer to `/gridpoints/.../stations`, in its order."""
    found = []
    for item in _features(text):
        properties, place = item.get("properties"), item.get("geometry")
        spot = place.get("coordinates") if isinstance(place, dict) else None
        name = properties.get("stationIdentifier") if isinstance(properties, dict) else None
        if not isinstance(properties, dict) or not isinstance(spot, list) or len(spot) < 2:
            continue
        longitude, latitude = finite(spot[0]), finite(spot[1])
        if not isinstance(name, str) or not re.fullmatch(r"[A-Za-z0-9_-]{2,12}", name, re.ASCII):
            continue
        if longitude is not None and latitude is not None:
            height = properties.get("elevation")
            unit = unit_of(height.get("unitCode"), _HEIGHT) if isinstance(height, dict) else None
            value = _HEIGHT.si(height.get("value"), unit) if isinstance(height, dict) and unit else None
            found.append(Station(name, latitude, longitude, value))
    return found


def reports_in(text: str) -> list[int]:
    """The instants of the reports in one answer."""
    return [at for item in _features(text) if (at := _at(item.get("properties"))) is not None]


def parse(texts: Iterable[str], *, now: datetime) -> Observed:
    """One station's reports, out of one or more answers, each report counted once. Raises CouldNot."""
    seen = Observed()
    units: Counter[str] = Counter()
    late = 0
    reports: dict[int, _Report] = {}
    for text in texts:
        for item in _features(text):
            properties = item.get("properties")
            at = _at(properties)
            if at is None or not isinstance(properties, dict):
                continue
            if at > now.timestamp() + 600:
                late += 1
                continue
            report = _report(at, properties, units)
            if at not in reports or report.weight > reports[at].weight:
                reports[at] = report
    if late:
        seen.notices.append(f"{NAME}: {late} report{'s' * (late > 1)} later than now set aside")
    for label, count in units.items():
        seen.notices.append(f"{NAME}: {label}: {count} value{'s' * (count > 1)} set aside")
    seen.temperatures = [
        (at, report.readings["temperature"])
        for at, report in sorted(reports.items())
        if "temperature" in report.readings
    ]
    _by_the_hour(_full(reports.values()), seen)
    return seen


def _features(text: str) -> list[dict[str, Any]]:
    answer = json_object(text)
    features = answer.get("features")
    if not isinstance(features, list):
        told = short(str(answer.get("title", ""))) or "no features"
        raise CouldNot(f"the weather service answered without measurements ({told})")
    return [item for item in features if isinstance(item, dict)]


def _at(properties: object) -> int | None:
    text = properties.get("timestamp") if isinstance(properties, dict) else None
    if not isinstance(text, str) or not re.match(r"(19|20|21)\d\d-", text, re.ASCII):
        return None
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        return None
    return int(at.timestamp()) if at.utcoffset() is not None else None


def _report(at: int, properties: Mapping[str, Any], units: Counter[str]) -> _Report:
    readings = {
        name: value
        for name, measure in _READINGS.items()
        if (value := _value(properties, name, measure, units)) is not None
    }
    rain = {
        hours: value
        for name, hours in _SUMS.items()
        if (value := _value(properties, name, RAIN, units)) is not None
    }
    raw = properties.get("rawMessage")
    words = raw.split() if isinstance(raw, str) else []
    last_hour = properties.get("precipitationLastHour")
    said_null = isinstance(last_hour, dict) and last_hour.get("value", "") is None
    sensor = said_null and "AO2" in words and not any(word.startswith("PNO") for word in words)
    return _Report(at, readings, rain, sensor, len(readings) + 3 * len(rain) + 3 * bool(words))


def _value(properties: Mapping[str, Any], name: str, measure: Measure, units: Counter[str]) -> float | None:
    found = properties.get(name)
    if not isinstance(found, dict) or found.get("value") is None:
        return None
    flag = found.get("qualityControl")
    if isinstance(flag, str) and flag in REJECTED:
        units[f"{name}: rejected by the network's own checks"] += 1
        return None
    unit = unit_of(found.get("unitCode"), measure)
    if unit is None:
        units[f"{name}: its unit is {short(repr(found.get('unitCode')))}, not one known here"] += 1
        return None
    value = measure.si(found["value"], unit)
    if value is None:
        units[f"{name}: not possible"] += 1
    return value


def _full(reports: Iterable[_Report]) -> dict[int, _Report]:
    """The full report of each hour, by the whole hour nearest to its usual minute."""
    reports = list(reports)
    says: Counter[int] = Counter()
    for report in reports:
        says[report.at // 60 % 60] += report.weight
    if not says:
        return {}
    usual = max(says, key=lambda minute: (says[minute], minute % 5 != 0, minute))
    full: dict[int, tuple[int, _Report]] = {}
    for report in reports:
        aside = (report.at // 60 - usual + 30) % 60 - 30
        if abs(aside) > ROUND_MINUTES:
            continue
        begin = report.at - aside * 60 - usual * 60
        hour = (begin // HOUR + (usual >= 30)) * HOUR
        if hour not in full or (abs(aside), -report.weight) < (full[hour][0], -full[hour][1].weight):
            full[hour] = abs(aside), report
    return {hour: report for hour, (_, report) in full.items()}


def _by_the_hour(full: Mapping[int, _Report], seen: Observed) -> None:
    for hour, report in full.items():
        for name, value in report.readings.items():
            seen.hours[name][hour] = value
    rain = {hour: report.rain[1] for hour, report in full.items() if 1 in report.rain}
    for length in (3, 6):
        for hour, report in sorted(full.items()):
            if length not in report.rain:
                continue
            inside = range(hour - (length - 1) * HOUR, hour + 1, HOUR)
            unknown = [at for at in inside if at not in rain]
            left = report.rain[length] - math.fsum(rain.get(at, 0.0) for at in inside)
            for at in unknown:
                rain[at] = max(left, 0.0) / len(unknown)
    for hour, report in full.items():
        if report.no_rain:
            rain.setdefault(hour, 0.0)
    seen.rain = rain
