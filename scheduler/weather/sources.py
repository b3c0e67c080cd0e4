"""All weather sources of a garden asked in turn: what one cannot give never stops the others."""

from __future__ import annotations

import logging
import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

from scheduler.errors import CouldNot, RowwaterError
from scheduler.model import Fetched, Garden, Location, SourceSpec, WeatherValue
from scheduler.weather import http
from scheduler.weather.answers import plain
from scheduler.weather.cache import FOLDER, Cache, CachedGet
from scheduler.weather.files import source as file_source
from scheduler.weather.mqtt import readings
from scheduler.weather.mqtt import station as mqtt_station
from scheduler.weather.nws import service as nws
from scheduler.weather.openmeteo import archive
from scheduler.weather.openmeteo import service as openmeteo

URL_VARIABLE = "ROWWATER_OPENMETEO_URL"
ARCHIVE_VARIABLE = "ROWWATER_OPENMETEO_ARCHIVE_URL"
NWS_VARIABLE = "ROWWATER_NWS_URL"
log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Request:
    """What one source is asked."""

    spec: SourceSpec
    location: Location
    folder: str
    span_from: date
    files_from: date
    today: date
    now: datetime
    get: http.Get
    environ: Mapping[str, str]
    stored: Sequence[WeatherValue] = ()
    data_folder: Path | None = None
    cache: Cache | None = None
    broker: Mapping[str, Any] | None = None


def _open_meteo(ask: Request) -> Fetched:
    own = ask.spec.settings.get("url") or ask.environ.get(URL_VARIABLE)
    text = openmeteo.fetch(
        ask.location, ask.span_from, now=ask.now, session_get=ask.get, url=str(own or openmeteo.URL)
    )
    answer = openmeteo.parse(
        text,
        location=ask.location,
        today=ask.today,
        now=ask.now,
        span_from=ask.span_from,
        source=ask.spec.name,
    )
    # whoever has an address of their own for the forecast is not sent elsewhere for the rest
    address = ask.spec.settings.get("archive_url") or ask.environ.get(ARCHIVE_VARIABLE)
    address = address or (None if own else openmeteo.ARCHIVE_URL)
    missing = archive.missing_days([*ask.stored, *answer.values], ask.span_from, ask.today)
    if missing and address:
        return archive.fill(
            answer, missing, location=ask.location, today=ask.today, now=ask.now, get=ask.get,
            url=str(address), source=ask.spec.name,
        )  # fmt: skip
    reach = ask.today - timedelta(days=openmeteo.MOST_PAST_DAYS - 1)
    if missing and missing[0] < reach:
        notice = f"{ask.spec.name}: reaches {openmeteo.MOST_PAST_DAYS} days back: nothing before {reach}"
        answer = replace(answer, notices=(*answer.notices, notice))
    return answer


def _nws(ask: Request) -> Fetched:
    def known(day: date) -> bool:
        mine = {
            v.field for v in ask.stored if v.day == day and v.source == ask.spec.name and v.kind == "station"
        }
        return mine >= archive.NEEDED

    answers = nws.fetch(
        ask.location,
        contact=ask.spec.settings.get("contact"),
        days=nws.days_to_measure(ask.span_from, ask.today, known),
        now=ask.now,
        get=ask.get,
        cache=ask.cache,
        url=str(ask.spec.settings.get("url") or ask.environ.get(NWS_VARIABLE) or nws.URL),
    )
    return nws.parse(
        answers,
        location=ask.location,
        today=ask.today,
        now=ask.now,
        span_from=ask.span_from,
        source=ask.spec.name,
    )


def _file(ask: Request) -> Fetched:
    answer = file_source.fetch(ask.spec, ask.location, ask.folder, ask.today, ask.now)
    return replace(answer, values=tuple(value for value in answer.values if value.day >= ask.files_from))


def _mqtt(ask: Request) -> Fetched:
    """Days on record are not worked out again, but for the last two: a station says much in a fortnight."""
    mine = {v.day for v in ask.stored if v.source == ask.spec.name and v.kind == "station"}
    days = [ask.today - timedelta(days=i) for i in range(readings.KEEP_DAYS, 0, -1)]
    since = next((day for day in days[:-2] if day not in mine), days[-2])
    return mqtt_station.fetch(
        ask.spec,
        ask.location,
        today=ask.today,
        now=ask.now,
        span_from=max(since, ask.span_from),
        data_folder=ask.data_folder,
        broker=ask.broker,
        environ=ask.environ,
    )


SOURCES: Mapping[tuple[str, str], Callable[[Request], Fetched]] = {
    ("service", "open-meteo"): _open_meteo,
    ("service", "nws"): _nws,
    ("file", ""): _file,
    ("mqtt", ""): _mqtt,
}


def collect(
    garden: Garden,
    span_from: date,
    today: date,
    now: datetime,
    *,
    get: http.Get = http.get,
    environ: Mapping[str, str] | None = None,
    years_of_files: int = 0,
    stored: Sequence[WeatherValue] = (),
    data_folder: Path | None = None,
) -> tuple[list[Fetched], list[str]]:
    """Answers of the garden's sources from `span_from` on, and one line per source that failed.

    years_of_files: a file's rows of that many years before are taken too (their means can stand in later).
    stored: what is on record from `span_from` on; only days without any word of what they were are asked
    of archives. data_folder: where answers are remembered, and where the readings of stations are kept.
    today: the site's local date. now: aware. get: the door to the network.
    """
    answers: list[Fetched] = []
    failures: list[str] = []
    environ = os.environ if environ is None else environ
    files_from = span_from - timedelta(days=366 * years_of_files)
    cache = Cache(data_folder / FOLDER) if data_folder is not None else None
    if cache is not None:
        get = CachedGet(cache, now, get)
    for spec in garden.sources:
        ask = Request(
            spec, garden.location, garden.folder, span_from, files_from, today, now, get, environ,
            stored=stored, data_folder=data_folder, cache=cache, broker=garden.service.get("broker"),
        )  # fmt: skip
        name = str(spec.settings.get("service", spec.name)) if spec.kind == "service" else ""
        try:
            source = SOURCES.get((spec.kind, name))
            if source is None:
                raise CouldNot("is not a weather service known here")
            answer = source(ask)
            answers.append(replace(answer, notices=tuple(map(plain, answer.notices))))
        except RowwaterError as problem:
            failures.append(_line(spec, problem))
        except Exception as problem:  # a defect in one reader must not leave the garden without weather
            log.exception("weather source %s failed", spec.name)
            failures.append(f"{spec.name}: failed unexpectedly ({type(problem).__name__}), see the log")
    return answers, failures


def _line(spec: SourceSpec, problem: RowwaterError) -> str:
    first, *more = plain(problem.text).splitlines() or [""]
    text = f"{first} (and {len(more)} more)" if more else first
    return f"{spec.name}: {text}" + (f" - {problem.hint}" if problem.hint else "")
