"""Open-Meteo as a weather source: its forecast, and its archive for days that nobody has told yet."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

from scheduler.model import Fetched
from scheduler.weather.openmeteo import archive
from scheduler.weather.openmeteo import service as openmeteo
from scheduler.weather.request import Request

URL_VARIABLE = "ROWWATER_OPENMETEO_URL"
ARCHIVE_VARIABLE = "ROWWATER_OPENMETEO_ARCHIVE_URL"


def answer(ask: Request) -> Fetched:
    own = ask.spec.settings.get("url") or ask.environ.get(URL_VARIABLE)
    text = openmeteo.fetch(
        ask.location, ask.span_from, now=ask.now, session_get=ask.get, url=str(own or openmeteo.URL)
    )
    found = openmeteo.parse(
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
    missing = archive.missing_days([*ask.stored, *found.values], ask.span_from, ask.today)
    if missing and address:
        return archive.fill(
            found, missing, location=ask.location, today=ask.today, now=ask.now, get=ask.get,
            url=str(address), source=ask.spec.name,
        )  # fmt: skip
    reach = ask.today - timedelta(days=openmeteo.MOST_PAST_DAYS - 1)
    if missing and missing[0] < reach:
        notice = f"{ask.spec.name}: reaches {openmeteo.MOST_PAST_DAYS} days back: nothing before {reach}"
        found = replace(found, notices=(*found.notices, notice))
    return found
