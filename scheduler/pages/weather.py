"""The weather page: each value and who said it, what was estimated or set aside, how forecasts have fared."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np

from scheduler.core.balance.climate import (
    ESTIMATED_HUMIDITY,
    ESTIMATED_WIND,
    HUMIDITY_BY,
    RADIATION_BY,
    WIND_BY,
)
from scheduler.core.balance.et import METHODS, NONE, ReferenceET, fill, reference_et
from scheduler.core.quality.checks import Flag
from scheduler.core.uncertainty.sources import dew_point
from scheduler.model import WEATHER_FIELDS, Garden, WeatherDays, WeatherValue
from scheduler.pages.forecast_skill import LOOK_BACK_DAYS, skill_rows
from scheduler.pages.quality import flag_page
from scheduler.planning.weather import kind_of, source_of, with_history

if TYPE_CHECKING:
    from scheduler.store.store import Store

DAYS_BACK, DAYS_AHEAD = 7, 7
STALE_SERVICE_DAYS = 2
SENSOR_DAYS = 7
Page = dict[str, Any]


def weather_page(
    garden: Garden, store: Store, first: date, last: date, *, today: date, now: datetime
) -> Page:
    """All of first..last; every number SI, its unit in the name. `today`: the days before it are the past."""
    found = with_history(garden, store, store.notes(), first, last, today=today)
    since = min(first, today - timedelta(days=LOOK_BACK_DAYS))
    said = store.weather_issued(since, max(last, today))
    came = with_history(garden, store, store.notes(), since, today - timedelta(days=1), today=today).weather
    et = _filled(reference_et(found.weather, garden.location), first, last)
    flags = [
        f for f in found.flags if first <= f.day <= last or (f.since and f.since <= last and f.day >= first)
    ]
    sources = list(_sources(garden, said, today, now))
    plans = store.plans(min(first, today - timedelta(days=DAYS_BACK)), max(last, today))
    newest = plans[-1].page.get("sources", {}) if plans else {}
    failures = list(newest.get("failures", ())) if plans and plans[-1].day == today else []
    return {
        "garden": garden.name,
        "from": first.isoformat(),
        "to": last.isoformat(),
        "today": today.isoformat(),
        "days": [
            _day(found.weather, et, first + timedelta(days=i), today) for i in range((last - first).days + 1)
        ],
        "quality": [flag_page(flag) for flag in flags],
        "restated": list(_restated(said, first, min(last, today - timedelta(days=1)))),
        "forecasts": skill_rows(garden, said, came, today=today),
        "forecasts_since": since.isoformat(),
        "sources": sources,
        "notices": [
            *_notices(sources, flags, today),
            *({"level": "look", "text": t} for t in failures),
        ],
        "credits": sorted({c for plan in plans for c in plan.page.get("sources", {}).get("credits", ())}),
    }


def exit_status(page: Page) -> int:
    """3 where something needs the grower's eye (a stale source, a sensor in doubt), else 0."""
    return 3 if any(notice["level"] != "info" for notice in page["notices"]) else 0


def _filled(et: ReferenceET, first: date, last: date) -> ReferenceET:
    """Days before anything is known stay empty: this page refuses nothing."""
    known = np.flatnonzero(np.isfinite(et.et0_mm))
    if not len(known):
        return et
    begin = max(first, et.first + timedelta(days=int(known[0])))
    return fill(et, begin, last) if begin <= last else et


# --- one day -------------------------------------------------------------------------------------


def _day(weather: WeatherDays, et: ReferenceET, day: date, today: date) -> Page:
    i = (day - weather.first).days
    method = METHODS[et.method[i]]
    values = {}
    for field in WEATHER_FIELDS:
        value = float(getattr(weather, field)[i])
        told = (weather.came_from.get(field) or (None,) * len(weather))[i]
        if math.isfinite(value):
            values[field] = {"value": _r(value), "source": source_of(told), "kind": kind_of(told)}
    c = et.climate
    used = {
        "tdew_c": _r(float(dew_point(c.ea_kpa)[i])), "ea_kpa": _r(c.ea_kpa[i]), "rs_mj_m2": _r(c.rs_mj[i]),
        "rso_mj_m2": _r(c.rso_mj[i]), "u2_m_s": _r(c.u2_m_s[i]),
    }  # fmt: skip
    if not c.usable[i]:
        used = {"rso_mj_m2": _r(c.rso_mj[i])}
    return {
        "date": day.isoformat(),
        "et0_mm": _r(et.et0_mm[i]),
        "et0_method": method if et.method[i] != NONE else None,
        "values": values,
        "used": used,
        "humidity_by": HUMIDITY_BY[c.humidity_by[i]] if c.usable[i] else None,
        "estimated": dict(_estimated(weather, et, i, past=day < today)),
    }


def _estimated(weather: WeatherDays, et: ReferenceET, i: int, *, past: bool) -> Iterator[tuple[str, str]]:
    """What nobody gave, and what stands in for it."""
    c = et.climate
    if not c.usable[i]:
        if et.method[i] != NONE:
            yield "temperature", f"none usable: ET0 is a mean of stored days ({METHODS[et.method[i]]})"
    else:
        if c.humidity_by[i] == ESTIMATED_HUMIDITY:
            yield "humidity", HUMIDITY_BY[ESTIMATED_HUMIDITY]
        if c.radiation_by[i] != 0:
            yield "solar radiation", RADIATION_BY[c.radiation_by[i]]
        if c.wind_by[i] == ESTIMATED_WIND:
            yield "wind", WIND_BY[ESTIMATED_WIND]
    if past and not weather.rain_mm[i] >= 0:
        yield "rain", "nobody reported any: counted as 0"


# --- the sources ---------------------------------------------------------------------------------


def _sources(
    garden: Garden, said: Sequence[WeatherValue], today: date, now: datetime
) -> Iterator[dict[str, Any]]:
    """Newest day and newest word of each source of the garden; `stale` says why more was due, or None."""
    for spec in garden.sources:
        mine = [value for value in said if value.source == spec.name and value.fetched_at <= now]
        if not mine:
            yield {
                "source": spec.name,
                "newest_day": None,
                "newest_word": None,
                "stale": "has not said a word",
            }
            continue
        newest = max(value.day for value in mine)
        word = max(value.fetched_at for value in mine)
        service = spec.kind == "service" and any(value.kind == "forecast" for value in mine)
        why = None
        if newest < today - timedelta(days=0 if service else 1):
            why = f"nothing newer than {newest}"
        elif service and word < now - timedelta(days=STALE_SERVICE_DAYS):
            why = f"last heard {word.astimezone(now.tzinfo).date()}"
        yield {
            "source": spec.name,
            "newest_day": newest.isoformat(),
            "newest_word": word.astimezone(now.tzinfo).isoformat(timespec="minutes"),
            "stale": why,
        }


def _notices(
    sources: Iterable[dict[str, Any]], flags: Sequence[Flag], today: date
) -> Iterator[dict[str, str]]:
    for source in sources:
        if source["stale"]:
            yield {"level": "look", "text": f"{source['source']}: {source['stale']}"}
    for flag in flags:
        if flag.sensor:
            level = "look" if flag.day >= today - timedelta(days=SENSOR_DAYS) else "info"
            yield {"level": level, "text": f"{flag.source}, {flag.field}: {flag.reason}"}
    lost = [f for f in flags if f.verdict == "rejected" and f.kind == "station"]
    if lost:
        names = ", ".join(sorted({flag.source for flag in lost}))
        yield {"level": "look", "text": f"quality control set values of {names} aside, see below"}


def _restated(said: Sequence[WeatherValue], first: date, last: date) -> Iterator[dict[str, Any]]:
    """Past values (never forecasts) that a source gave anew and differently."""
    words: dict[tuple[date, str, str, str], list[WeatherValue]] = {}
    for value in said:
        if first <= value.day <= last and value.kind != "forecast" and value.field in WEATHER_FIELDS:
            words.setdefault((value.day, value.field, value.source, value.kind), []).append(value)
    for (day, field, source, kind), told in sorted(words.items()):
        if told[-1].value != told[0].value:
            yield {
                "date": day.isoformat(),
                "field": field,
                "source": source,
                "kind": kind,
                "was": _r(told[0].value),
                "now": _r(told[-1].value),
                "said_at": told[-1].fetched_at.isoformat(timespec="minutes"),
            }


def _r(value: float) -> float | None:
    return round(float(value), 4) if math.isfinite(value) else None
