"""Past decades from Open-Meteo's archive, a calendar year a call."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime
from typing import Any

from scheduler.errors import CouldNot
from scheduler.model import Fetched, Location
from scheduler.weather.http import Get
from scheduler.weather.openmeteo import service as openmeteo
from scheduler.weather.openmeteo.source import ARCHIVE_VARIABLE, URL_VARIABLE

NAME = "open-meteo archive"
FIRST_YEAR = 1940
"""The archive's record begins with it (from memory)."""
PAUSE_SECONDS = 3.0
"""Between two calls: the service counts a year of hours as some thirty calls (from memory)."""


def address(settings: Mapping[str, Any], environ: Mapping[str, str]) -> str:
    """Where the archive is asked; settings: of the garden's own open-meteo source, if it has one.

    Raises CouldNot where the forecast has an address of its own and the archive none: whoever keeps a server
    of their own is not sent elsewhere.
    """
    named = settings.get("archive_url") or environ.get(ARCHIVE_VARIABLE)
    if not named and (settings.get("url") or environ.get(URL_VARIABLE)):
        raise CouldNot(
            "open-meteo has an address of its own (`url`), and its archive none",
            hint="give it an `archive_url`, or use --file",
        )
    return str(named or openmeteo.ARCHIVE_URL)


def fetch(
    location: Location, first: date, last: date, *, today: date, now: datetime, get: Get, url: str
) -> Fetched:
    """What the archive says of the local days first..last, at most a year, all before `today`.

    Without values, and with a notice, where it knows none of them. Raises CouldNot.
    """
    text = openmeteo.fetch_archive(location, first, last, session_get=get, url=url)
    try:
        found = openmeteo.parse(
            text, location=location, today=today, now=now, span_from=first, source=NAME, today_expected=False
        )
    except openmeteo.NoValues:
        return Fetched((), (f"{NAME}: nothing for {first} to {last}",))
    mine = tuple(value for value in found.values if value.day <= last and value.kind == "model")
    return Fetched(mine, found.notices, found.credit)
