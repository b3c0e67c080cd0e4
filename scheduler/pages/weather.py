"""The weather page: each value and who said it, what was estimated or set aside, how forecasts have fared."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import date, datetime, timedelta

import numpy as np

from scheduler.core.balance.climate import (
    ESTIMATED_HUMIDITY,
    ESTIMATED_WIND,
    HUMIDITY_BY,
    RADIATION_BY,
    WIND_BY,
    Climate,
    dew_point,
)
from scheduler.core.balance.et import NONE, ReferenceET, fill, reference_et
from scheduler.core.quality.checks import Flag
from scheduler.model import WEATHER_FIELDS, Display, Garden, StoredPlan, WeatherDays, WeatherValue
from scheduler.pages.forecast_skill import LOOK_BACK_DAYS, skill_rows
from scheduler.pages.quality import flag_line, reason_of
from scheduler.pages.rounding import known, rounded
from scheduler.planning.weather import kind_of, source_of, with_history
from scheduler.shapes.base import Level, NoticeLine
from scheduler.shapes.weather import Restated, SourceLine, Used, Value, WeatherDay, WeatherPage
from scheduler.show import WEATHER_NAMES
from scheduler.store.store import Store

DAYS_BACK, DAYS_AHEAD = 7, 7
STALE_SERVICE_DAYS = 2
SENSOR_DAYS = 7


def weather_page(
    garden: Garden, store: Store, first: date, last: date, *, today: date, now: datetime
) -> WeatherPage:
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
    return {
        "garden": garden.name,
        "from": first.isoformat(),
        "to": last.isoformat(),
        "today": today.isoformat(),
        "days": [
            _day(found.weather, et, first + timedelta(days=i), today) for i in range((last - first).days + 1)
        ],
        "quality": [flag_line(flag, garden.display) for flag in flags],
        "restated": list(_restated(said, first, min(last, today - timedelta(days=1)))),
        "forecasts": skill_rows(garden, said, came, today=today),
        "forecasts_since": since.isoformat(),
        "sources": sources,
        "notices": [
            *_notices(sources, flags, today, garden.display),
            *_failures(plans, today),
        ],
        "credits": sorted({c for plan in plans for c in plan.page.get("sources", {}).get("credits", ())}),
    }


def _failures(plans: Sequence[StoredPlan], today: date) -> Iterator[NoticeLine]:
    """Sources that did not answer today's daily job."""
    if plans and plans[-1].day == today:
        for text in plans[-1].page.get("sources", {}).get("failures", ()):
            yield {"level": "look", "text": text}


def exit_status(page: WeatherPage) -> int:
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


def _day(weather: WeatherDays, et: ReferenceET, day: date, today: date) -> WeatherDay:
    i = (day - weather.first).days
    usable = bool(et.climate.usable[i])
    return {
        "date": day.isoformat(),
        "et0_mm": known(et.et0_mm[i]),
        "et0_method": et.method_name(i) if et.method[i] != NONE else None,
        "values": dict(_values(weather, i)),
        "used": _used(et.climate, i),
        "humidity_by": HUMIDITY_BY[et.climate.humidity_by[i]] if usable else None,
        "estimated": dict(_estimated(weather, et, i, past=day < today)),
    }


def _values(weather: WeatherDays, i: int) -> Iterator[tuple[str, Value]]:
    for field in WEATHER_FIELDS:
        value = known(getattr(weather, field)[i])
        if value is not None:
            told = (weather.came_from.get(field) or (None,) * len(weather))[i]
            yield field, {"value": value, "source": source_of(told), "kind": kind_of(told)}


def _used(c: Climate, i: int) -> Used:
    if not c.usable[i]:
        return {"rso_mj_m2": known(c.rso_mj[i])}
    return {
        "tdew_c": known(dew_point(c.ea_kpa)[i]),
        "ea_kpa": known(c.ea_kpa[i]),
        "rs_mj_m2": known(c.rs_mj[i]),
        "rso_mj_m2": known(c.rso_mj[i]),
        "u2_m_s": known(c.u2_m_s[i]),
    }


def _estimated(weather: WeatherDays, et: ReferenceET, i: int, *, past: bool) -> Iterator[tuple[str, str]]:
    """What nobody gave, and what stands in for it."""
    c = et.climate
    if not c.usable[i]:
        if et.method[i] != NONE:
            yield "temperature", f"none usable: ET0 is a mean of stored days ({et.method_name(i)})"
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
) -> Iterator[SourceLine]:
    """Newest day and newest answer of each source of the garden; `stale` says why more was due, or None."""
    for spec in garden.sources:
        mine = [value for value in said if value.source == spec.name and value.fetched_at <= now]
        newest = max((value.day for value in mine), default=None)
        heard = max((value.fetched_at.astimezone(now.tzinfo) for value in mine), default=None)
        forecasts = spec.kind == "service" and any(value.kind == "forecast" for value in mine)
        yield {
            "source": spec.name,
            "newest_day": newest.isoformat() if newest else None,
            "newest_word": heard.isoformat(timespec="minutes") if heard else None,
            "stale": _stale(newest, heard, today, now, forecasts=forecasts),
        }


def _stale(
    newest: date | None, heard: datetime | None, today: date, now: datetime, *, forecasts: bool
) -> str | None:
    """Why more was due from a source.  forecasts: it is a service that gives them."""
    if newest is None or heard is None:
        return "has not said a word"
    if newest < today - timedelta(days=0 if forecasts else 1):
        return f"nothing newer than {newest}"
    if forecasts and heard < now - timedelta(days=STALE_SERVICE_DAYS):
        return f"last heard {heard.date()}"
    return None


def _notices(
    sources: Iterable[SourceLine], flags: Sequence[Flag], today: date, display: Display
) -> Iterator[NoticeLine]:
    for source in sources:
        if source["stale"]:
            yield {"level": "look", "text": f"{source['source']}: {source['stale']}"}
    for flag in flags:
        if flag.sensor:
            level: Level = "look" if flag.day >= today - timedelta(days=SENSOR_DAYS) else "info"
            what = f"{flag.source}, {WEATHER_NAMES[flag.field]}"
            yield {"level": level, "text": f"{what}: {reason_of(flag, display)}"}
    lost = [f for f in flags if f.verdict == "rejected" and f.kind == "station"]
    if lost:
        names = ", ".join(sorted({flag.source for flag in lost}))
        yield {"level": "look", "text": f"quality control set values of {names} aside, see below"}


def _restated(said: Sequence[WeatherValue], first: date, last: date) -> Iterator[Restated]:
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
                "was": rounded(told[0].value),
                "now": rounded(told[-1].value),
                "said_at": told[-1].fetched_at.isoformat(timespec="minutes"),
            }
