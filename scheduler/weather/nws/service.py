"""US National Weather Service: the forecast grid of the place, and the nearest station's measurements.

The service has no solar radiation and no reference ET: radiation stays missing, and is estimated from the
temperature range later on. Its wind is at 10 m; that of the forecast is the "maximum prevailing" one, so
that ET from it reads a little high. A day's chance of rain is the highest of its hours: a lower bound, as
rain at any hour makes the day wet.
"""

from __future__ import annotations

import math
import re
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from typing import Any

from scheduler.errors import BadInput, CouldNot
from scheduler.json_reading import read_json
from scheduler.model import Fetched, Location, ValueKind, WeatherValue
from scheduler.weather.answers import finite, json_object, short
from scheduler.weather.cache import Cache, recall
from scheduler.weather.http import TOTAL_SECONDS, Get, Reply
from scheduler.weather.localdays import bounds, zone_of
from scheduler.weather.nws import days as nws_days
from scheduler.weather.nws import grid as nws_grid
from scheduler.weather.nws import station as nws_station

URL = "https://api.weather.gov"
CREDIT = "Weather data by the US National Weather Service"
NAME = nws_grid.NAME
POINT_DAYS = 7.0  # squares and stations of a place change now and then, without notice
MOST_STATIONS = 3
MOST_KM = 50.0  # own choice: a station further away tells little about rain here
MOST_CLIMB_M = 300.0  # own choice: about 2 degC of temperature
PAST_DAYS = 6  # the service keeps about a week (from memory)
MOST_REPORTS = 500  # in one answer
MOST_PAGES = 6
AFTER_HOURS = 7  # six-hour sums of rain come that much later


@dataclass(frozen=True, slots=True)
class Point:
    """What belongs to a place: office and square of the forecast, stations from near to far."""

    cell: tuple[str, int, int]
    stations: tuple[nws_station.Station, ...] = ()

    @property
    def path(self) -> str:
        return f"/gridpoints/{self.cell[0]}/{self.cell[1]},{self.cell[2]}"


@dataclass(slots=True)
class Answers:
    """What was fetched, as text, and what could not be."""

    grid: str | None = None
    cell: tuple[str, int, int] | None = None
    station: nws_station.Station | None = None
    reports: list[str] = field(default_factory=list)
    problems: list[CouldNot] = field(default_factory=list)


def agent(contact: object) -> str:
    """The name that the service asks for: unique, and with a way to reach its user. Raises BadInput."""
    text = contact.strip() if isinstance(contact, str) else ""
    if not re.fullmatch(r"[!-~][ -~]{2,120}", text):
        raise BadInput("needs a contact, by which the service can reach you", hint="contact: you@example.org")
    return f"(rowwater, {text})"


# --- asking --------------------------------------------------------------------------------------


def fetch(
    location: Location,
    *,
    contact: object,
    days: Sequence[date],
    now: datetime,
    get: Get,
    cache: Cache | None = None,
    url: str = URL,
    total_seconds: float = TOTAL_SECONDS,
    monotonic: Callable[[], float] = time.monotonic,
) -> Answers:
    """The forecast, and the reports of the nearest useful station on the `days`, all within `total_seconds`.

    days: local days whose measurements are wanted. Raises CouldNot where neither came, BadInput without a
    contact.
    """
    deadline = monotonic() + total_seconds
    session = _Session(get, url.rstrip("/"), {"User-Agent": agent(contact)}, lambda: deadline - monotonic())
    answers = Answers()
    point, known = _point(session, location, cache, now)
    try:
        try:
            answers.grid = session.text(point.path)
        except _NotFound:
            _forget(cache, location)
            if not known:
                raise
            point, _ = _point(session, location, cache, now)
            answers.grid = session.text(point.path)
        answers.cell = point.cell
    except CouldNot as problem:
        answers.problems.append(problem)
    try:
        answers.station, answers.reports = _reports(session, location, point, days, now)
    except CouldNot as problem:
        answers.problems.append(problem)
    if answers.grid is None and not answers.reports:
        raise answers.problems[0]
    return answers


class _NotFound(CouldNot):
    """Status 404."""


@dataclass(frozen=True, slots=True)
class _Session:
    get: Get
    base: str
    headers: Mapping[str, str]
    left: Callable[[], float]

    def text(self, path: str, params: Mapping[str, str] | None = None) -> str:
        left = self.left()
        if left <= 0:
            raise CouldNot("the weather service took too long", hint="the daily job tries again")
        reply = self.get(self.base + path, params, headers=self.headers, total_seconds=left)
        if reply.status == 200:
            return reply.text
        raise _refused(reply)


def _refused(reply: Reply) -> CouldNot:
    try:
        answer = read_json(reply.text)
    except ValueError:
        answer = None
    title = answer.get("title") if isinstance(answer, dict) else None
    told = f": {short(title)}" if isinstance(title, str) and title.strip() else ""
    if reply.status == 404:
        return _NotFound(f"the weather service has nothing there (status 404){told}")
    if reply.status == 403:
        return CouldNot(
            "the weather service refused this program (status 403)",
            hint="it wants a contact by which it can reach you: contact: you@example.org",
        )
    if reply.status == 429 or reply.status >= 500:
        return CouldNot(
            f"the weather service is out of order (status {reply.status}){told}",
            hint="the daily job tries again",
        )
    return CouldNot(f"the weather service refused the question (status {reply.status}){told}")


def _point_name(location: Location) -> str:
    return f"{NAME} point {_place(location)}"


def _forget(cache: Cache | None, location: Location) -> None:
    if cache is not None:
        cache.drop(_point_name(location))


def _place(location: Location) -> str:
    """At most 4 decimals and no zeros at the end: other spellings are answered with a redirect."""

    def text(degrees: float) -> str:
        return f"{round(degrees, 4) + 0.0:.4f}".rstrip("0").rstrip(".")

    return f"{text(location.latitude_deg)},{text(location.longitude_deg)}"


def _point(session: _Session, location: Location, cache: Cache | None, now: datetime) -> tuple[Point, bool]:
    """The place's square and stations, and whether they were known from earlier."""
    asked = False

    def make() -> dict[str, Any]:
        nonlocal asked
        asked = True
        try:
            cell = parse_point(session.text(f"/points/{_place(location)}"))
        except _NotFound as problem:
            raise CouldNot(
                "the weather service does not cover this place", hint="it serves the United States only"
            ) from problem
        try:
            near = session.text(f"{Point(cell).path}/stations")
        except CouldNot:
            near = ""
        return {"cell": list(cell), "stations": near}

    kept = recall(cache, _point_name(location), POINT_DAYS, now, make)
    try:
        office, x, y = kept["cell"]
        point = Point((str(office), int(x), int(y)), _near(kept["stations"], location))
    except (KeyError, ValueError, TypeError):
        _forget(cache, location)
        raise CouldNot("what was kept of the weather service cannot be read") from None
    if not kept["stations"]:  # ask again tomorrow
        _forget(cache, location)
    return point, not asked


def parse_point(text: str) -> tuple[str, int, int]:
    """Office and square of a `/points` answer. Raises CouldNot."""
    found = json_object(text).get("properties")
    found = found if isinstance(found, dict) else {}
    office = found.get("gridId")
    x, y = finite(found.get("gridX")), finite(found.get("gridY"))
    fits = isinstance(office, str) and re.fullmatch(r"[A-Z0-9]{2,5}", office, re.ASCII)
    if not fits or x is None or y is None or not (0 <= x < 10_000 and 0 <= y < 10_000):
        raise CouldNot("the weather service does not say which grid square this place lies in")
    return str(office), int(x), int(y)


def _near(text: str, location: Location) -> tuple[nws_station.Station, ...]:
    """Stations that can speak for the place, from near to far."""
    try:
        found = nws_station.stations(text) if text else []
    except CouldNot:
        return ()
    return tuple(
        sorted(
            (
                station
                for station in found
                if kilometres(station, location) <= MOST_KM
                and abs((station.elevation_m or location.elevation_m) - location.elevation_m) <= MOST_CLIMB_M
            ),
            key=lambda station: kilometres(station, location),
        )[:MOST_STATIONS]
    )


def kilometres(station: nws_station.Station, location: Location) -> float:
    """Along a great circle, on a sphere of 6371 km."""
    a, b = math.radians(station.latitude_deg), math.radians(location.latitude_deg)
    across = math.radians(station.longitude_deg - location.longitude_deg)
    half = math.sin((a - b) / 2) ** 2 + math.cos(a) * math.cos(b) * math.sin(across / 2) ** 2
    return 2 * 6371.0 * math.asin(min(1.0, math.sqrt(half)))


def _reports(
    session: _Session, location: Location, point: Point, days: Sequence[date], now: datetime
) -> tuple[nws_station.Station | None, list[str]]:
    """Of the nearest station that has any reading."""
    if not days:
        return None, []
    zone = zone_of(location.timezone)
    problem: CouldNot | None = None
    for station in point.stations:
        texts: list[str] = []
        begin, end = bounds(min(days), zone)[0], bounds(max(days), zone)[1] + AFTER_HOURS * 3600
        try:
            for _ in range(MOST_PAGES):
                params = {"start": _utc(begin), "limit": str(MOST_REPORTS)}
                if end < now.timestamp():
                    params["end"] = _utc(end)
                texts.append(session.text(f"/stations/{station.name}/observations", params))
                instants = nws_station.reports_in(texts[-1])
                if len(instants) < MOST_REPORTS or min(instants) <= begin:
                    break
                end = min(instants)
            if nws_station.parse(texts, now=now):
                return station, texts
        except CouldNot as caught:
            problem = problem or caught
    if problem is not None:
        raise problem
    return None, []


def _utc(seconds: float) -> str:
    return f"{datetime.fromtimestamp(seconds, UTC):%Y-%m-%dT%H:%M:%SZ}"


# --- reading -------------------------------------------------------------------------------------


def parse(
    answers: Answers,
    *,
    location: Location,
    today: date,
    now: datetime,
    span_from: date,
    source: str = NAME,
) -> Fetched:
    """Measured days before `today` ("station"), rain since midnight, and the forecast from today on.

    Of today, hours that are over are as measured. Raises CouldNot where nothing is usable.
    """
    notices: list[str] = []
    grid, seen, problems = _read(answers, location, now)
    zone = zone_of(location.timezone)
    measured = nws_days.measured(seen, zone, today=today, now=now)
    ahead = nws_days.forecast(grid, seen, zone, today=today, now=now, notices=notices)
    kinds: tuple[tuple[nws_days.Days, ValueKind], ...] = ((measured, "station"), (ahead, "forecast"))
    values = [
        WeatherValue(day, name, value, source, kind, now)
        for days, kind in kinds
        for day, fields in sorted(days.items())
        for name, value in fields.items()
        if day >= span_from
    ]
    if not values:
        nothing = CouldNot("the weather service answered, but without one usable value for these days")
        raise problems[0] if problems else nothing
    if measured and answers.station is not None:
        away = kilometres(answers.station, location)
        notices.append(f"{source}: measured at {answers.station.name}, {away:.0f} km away")
    notices += [*grid.notices, *seen.notices, *(f"{source}: {problem.text}" for problem in problems)]
    return Fetched(tuple(values), tuple(notices), CREDIT)


def _read(
    answers: Answers, location: Location, now: datetime
) -> tuple[nws_grid.Grid, nws_station.Observed, list[CouldNot]]:
    """Forecast and reports, empty where there are none or they cannot be read, and what was wrong."""
    grid, seen, problems = nws_grid.Grid(), nws_station.Observed(), list(answers.problems)
    try:
        if answers.grid is not None:
            grid = nws_grid.parse(answers.grid, location=location, now=now, cell=answers.cell)
    except CouldNot as problem:
        problems.append(problem)
    try:
        if answers.reports:
            seen = nws_station.parse(answers.reports, now=now)
    except CouldNot as problem:
        problems.append(problem)
    return grid, seen, problems


def days_to_measure(span_from: date, today: date, known: Callable[[date], bool]) -> list[date]:
    """Today, yesterday, and the days of the last week whose measurements are not known yet."""
    first = max(span_from, today - timedelta(days=PAST_DAYS))
    past = [first + timedelta(days=i) for i in range((today - first).days)]
    return [day for day in past if day == today - timedelta(days=1) or not known(day)] + [today]
