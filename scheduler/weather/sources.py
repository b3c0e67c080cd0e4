"""All weather sources of a garden asked in turn: what one cannot give never stops the others."""

from __future__ import annotations

import logging
import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import date, datetime, timedelta
from pathlib import Path

from scheduler.errors import RowwaterError
from scheduler.model import Fetched, Garden, SourceSpec, WeatherValue
from scheduler.weather import http, services
from scheduler.weather.answers import plain
from scheduler.weather.cache import FOLDER, Cache, CachedGet
from scheduler.weather.files import source as file_source
from scheduler.weather.mqtt import readings
from scheduler.weather.mqtt import station as mqtt_station
from scheduler.weather.request import Request

log = logging.getLogger(__name__)


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


def _service(ask: Request) -> Fetched:
    return services.module_of(str(ask.spec.settings.get("service", ask.spec.name))).answer(ask)


SOURCES: Mapping[str, Callable[[Request], Fetched]] = {"service": _service, "file": _file, "mqtt": _mqtt}


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
        answer = answer_of(ask)
        if isinstance(answer, str):
            failures.append(answer)
        else:
            answers.append(answer)
    return answers, failures


def answer_of(ask: Request) -> Fetched | str:
    """What the source gave, or why it gave nothing, in a line."""
    spec = ask.spec
    try:
        answer = SOURCES[spec.kind](ask)
        return replace(answer, notices=tuple(map(plain, answer.notices)))
    except RowwaterError as problem:
        return _line(spec, problem)
    except Exception as problem:  # a defect in one reader must not leave the garden without weather
        log.exception("weather source %s failed", spec.name)
        return f"{spec.name}: failed unexpectedly ({type(problem).__name__}), see the log"


def _line(spec: SourceSpec, problem: RowwaterError) -> str:
    first, *more = plain(problem.text).splitlines() or [""]
    text = f"{first} (and {len(more)} more)" if more else first
    return f"{spec.name}: {text}" + (f" - {problem.hint}" if problem.hint else "")
