"""Years of weather on record: how complete each is, what was estimated, and by whom it was told."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from datetime import date

import numpy as np

from scheduler.core.balance.climate import ESTIMATED_HUMIDITY, ESTIMATED_RADIATION, ESTIMATED_WIND
from scheduler.core.balance.et import ReferenceET, reference_ets
from scheduler.core.balance.heat import LEAST_SHARE_OF_DAYS, LEAST_YEARS
from scheduler.model import Garden, WeatherDays
from scheduler.pages.rounding import rounded
from scheduler.planning.history import ARCHIVE, CREDIT, Done, on_record
from scheduler.planning.weather import source_of
from scheduler.shapes.history import HistoryPage, HistoryYear
from scheduler.store.store import Store


def history_page(garden: Garden, store: Store, done: Sequence[Done], notices: Iterable[str]) -> HistoryPage:
    """The years of `done`, the newest first, as they are on record now; ET0 and rain as M1 takes them."""
    kept = [on_record(garden, store, one.year) for one in done]
    ets = reference_ets([weather for weather, _ in kept], garden.location) if kept else []
    years = [
        _year(one, weather, flagged, et) for one, (weather, flagged), et in zip(done, kept, ets, strict=True)
    ]
    warm = sum(
        year["days"] - year["missing"]["temperature"] >= LEAST_SHARE_OF_DAYS * year["days"] for year in years
    )
    days = [day for one in done for day in (one.year.first, one.year.last)]
    told = [text for one in done for text in one.notices]
    return {
        "garden": garden.name,
        "from": min(days).isoformat(),
        "to": max(days).isoformat(),
        "years": years,
        "added": sum(one.values for one in done),
        "warmth_years": warm,
        "credits": [CREDIT] if any(ARCHIVE in year["sources"] for year in years) else [],
        "notices": [*notices, *dict.fromkeys(told), *_by_warmth(garden, warm)],
    }


def _year(done: Done, weather: WeatherDays, flagged: int, et: ReferenceET) -> HistoryYear:
    inputs, usable = et.climate, et.climate.usable
    dry = ~(weather.rain_mm >= 0)
    by = {
        "humidity": inputs.humidity_by == ESTIMATED_HUMIDITY,
        "solar radiation": inputs.radiation_by == ESTIMATED_RADIATION,
        "wind": inputs.wind_by == ESTIMATED_WIND,
    }
    return {
        "year": done.year.first.year,
        "days": len(weather),
        "complete": int((usable & ~dry).sum()),
        "missing": {"temperature": int((~usable).sum()), "rain": int(dry.sum())},
        "estimated": {name: int((usable & which).sum()) for name, which in by.items()},
        "sources": _sources(weather.came_from),
        "set_aside": flagged,
        "added": done.values,
        "et0_mm": rounded(np.nansum(et.et0_mm)),
        "rain_mm": rounded(np.where(dry, 0.0, weather.rain_mm).sum()),
    }


def _sources(came_from: Mapping[str, Sequence[str | None]]) -> dict[str, int]:
    """Values by source, the most first."""
    names = (source_of(word) for words in came_from.values() for word in words if word is not None)
    return dict(Counter(name for name in names if name is not None).most_common())


def _by_warmth(garden: Garden, years: int) -> list[str]:
    """What enough years of temperatures change in the next plan."""
    zones = [
        zone.name
        for zone in garden.zones
        if any(p.heat and p.crop.heat is not None and p.crop.heat.stages is None for p in zone.plantings)
    ]
    if years < LEAST_YEARS or not zones:
        return []
    return [
        f"with {years} years on record the stages of {', '.join(zones)} go by warmth (`heat: off` of a "
        "planting keeps them by days)"
    ]


def years_on_record(store: Store, today: date) -> tuple[date, date] | None:
    """The first and the last day before `today` with any weather; None without one."""
    span = store.weather_span()
    if span is None or span[0] >= today:
        return None
    return span[0], min(span[1], date.fromordinal(today.toordinal() - 1))
