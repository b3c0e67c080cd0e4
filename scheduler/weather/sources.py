"""All weather sources of a garden asked in turn: what one cannot give never stops the others."""

from __future__ import annotations

import logging
import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta

from scheduler.errors import CouldNot, RowwaterError
from scheduler.model import Fetched, Garden, Location, SourceSpec
from scheduler.weather import filesource, http, openmeteo

URL_VARIABLE = "ROWWATER_OPENMETEO_URL"
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
    get: openmeteo.Get
    environ: Mapping[str, str]


def _open_meteo(ask: Request) -> Fetched:
    url = ask.spec.settings.get("url") or ask.environ.get(URL_VARIABLE) or openmeteo.URL
    text = openmeteo.fetch(ask.location, ask.span_from, now=ask.now, session_get=ask.get, url=str(url))
    answer = openmeteo.parse(
        text,
        location=ask.location,
        today=ask.today,
        now=ask.now,
        span_from=ask.span_from,
        source=ask.spec.name,
    )
    reach = ask.today - timedelta(days=openmeteo.MOST_PAST_DAYS - 1)
    if ask.span_from < reach:
        notice = f"{ask.spec.name}: reaches {openmeteo.MOST_PAST_DAYS} days back: nothing before {reach}"
        answer = replace(answer, notices=(*answer.notices, notice))
    return answer


def _file(ask: Request) -> Fetched:
    answer = filesource.fetch(ask.spec, ask.location, ask.folder, ask.today, ask.now)
    return replace(answer, values=tuple(value for value in answer.values if value.day >= ask.files_from))


def _not_yet(_: Request) -> Fetched:
    raise CouldNot("not built into this version yet")


SOURCES: Mapping[tuple[str, str], Callable[[Request], Fetched]] = {
    ("service", "open-meteo"): _open_meteo,
    ("service", "nws"): _not_yet,
    ("file", ""): _file,
    ("mqtt", ""): _not_yet,
}


def collect(
    garden: Garden,
    span_from: date,
    today: date,
    now: datetime,
    *,
    get: openmeteo.Get = http.get,
    environ: Mapping[str, str] | None = None,
    years_of_files: int = 0,
) -> tuple[list[Fetched], list[str]]:
    """Answers of the garden's sources from `span_from` on, and one line per source that failed.

    years_of_files: a file's rows of that many years before are taken too (their means can stand in later).
    today: the site's local date. now: aware. get: (url, params) -> Reply, the door to the network.
    """
    answers: list[Fetched] = []
    failures: list[str] = []
    environ = os.environ if environ is None else environ
    files_from = span_from - timedelta(days=366 * years_of_files)
    for spec in garden.sources:
        ask = Request(spec, garden.location, garden.folder, span_from, files_from, today, now, get, environ)
        name = str(spec.settings.get("service", spec.name)) if spec.kind == "service" else ""
        try:
            source = SOURCES.get((spec.kind, name))
            if source is None:
                raise CouldNot("is not a weather service known here")
            answers.append(source(ask))
        except RowwaterError as problem:
            failures.append(_line(spec, problem))
        except Exception as problem:  # a defect in one reader must not leave the garden without weather
            log.exception("weather source %s failed", spec.name)
            failures.append(f"{spec.name}: failed unexpectedly ({type(problem).__name__}), see the log")
    return answers, failures


def _line(spec: SourceSpec, problem: RowwaterError) -> str:
    first, *more = problem.text.splitlines() or [""]
    text = f"{first} (and {len(more)} more)" if more else first
    return f"{spec.name}: {text}" + (f" - {problem.hint}" if problem.hint else "")
