"""Two long real records cut into a part to learn from and a part to check on, and weather with holes."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from functools import cache

import numpy as np
from core import gardens

from scheduler.core.balance.et import ReferenceET, fill, reference_et
from scheduler.core.balance.terms import Terms, terms
from scheduler.model import WEATHER_FIELDS, Crop, Location, Rows, Soil, Supply, WeatherDays, Zone

SPLIT = {  # record: (learned from, up to; checked on, from; to)
    "davis": (date(2006, 12, 31), date(2007, 1, 1), date(2018, 9, 30)),
    "de_bilt": (date(2009, 12, 31), date(2010, 1, 1), date(2019, 12, 31)),
}
FIELDS_OF = {
    "humidity": ("tdew_c", "rh_mean_pct", "rh_min_pct", "rh_max_pct"),
    "sun": ("solar_mj_m2", "sunshine_h"),
    "wind": ("wind_m_s",),
    "temperature": ("tmin_c", "tmax_c"),
}
MISSING_SETS = (
    ("humidity",), ("sun",), ("wind",), ("humidity", "sun"), ("humidity", "wind"), ("sun", "wind"),
    ("humidity", "sun", "wind"),
)  # fmt: skip
SUPPLY = Supply(flow_lpm=30.0)


@cache
def record(name: str) -> WeatherDays:
    """Without the values that the record's own README calls faults."""
    days = gardens.recorded(name)
    if name == "davis":
        days.tmin_c[(days.tmin_c == 0) & (days.tmax_c > 22)] = np.nan
        days.solar_mj_m2[(days.solar_mj_m2 > 33) | (days.solar_mj_m2 <= 0)] = np.nan
    return days


def cut(days: WeatherDays, first: date, last: date) -> WeatherDays:
    a, b = (first - days.first).days, (last - days.first).days + 1
    return replace(days, first=first, **{name: getattr(days, name)[a:b] for name in WEATHER_FIELDS})


def without(days: WeatherDays, *kinds: str, where: np.ndarray | None = None) -> WeatherDays:
    """The same days with kinds of values blanked, on all days or those of `where`."""
    gone = np.ones(len(days), dtype=bool) if where is None else where
    names = [name for kind in kinds for name in FIELDS_OF.get(kind, (kind,))]
    return replace(days, **{name: np.where(gone, np.nan, getattr(days, name)) for name in names})


def filled_et(days: WeatherDays, location: Location, first: date) -> np.ndarray:
    """ET0 of every day from `first` on, the ladder's last rungs included."""
    et: ReferenceET = fill(reference_et(days, location), first, days.last)
    return et.et0_mm[(first - days.first).days :]


def growing_season(days: WeatherDays) -> np.ndarray:
    return np.array([4 <= day.month <= 10 for day in days.dates()])


def zones(first_year: int, last_year: int) -> tuple[Zone, ...]:
    """Textbook crops and soils (FAO-56 Tables 11, 12, 19, 22), planted anew each year."""
    tomato = Crop("tomato", 0.6, 1.15, 0.8, (30, 40, 45, 30), 0.25, 0.7, 0.4)
    beans = Crop("beans", 0.5, 1.05, 0.9, (20, 30, 30, 10), 0.2, 0.5, 0.45)
    lettuce = Crop("lettuce", 0.7, 1.0, 0.95, (25, 35, 30, 10), 0.15, 0.3, 0.3)
    loam, sandy = Soil("loam", 0.25, 0.12), Soil("sandy loam", 0.23, 0.11)
    clay = Soil("clay", 0.36, 0.22, "fine")
    return tuple(
        gardens.zone(
            *[
                gardens.planting(crop, date(year, month, day), rows=Rows(4, 20.0, 0.9))
                for year in range(first_year, last_year + 1)
            ],
            name=name,
            soil=soil,
        )
        for name, crop, soil, month, day in (
            ("tomato", tomato, loam, 5, 1),
            ("beans", beans, sandy, 5, 20),
            ("lettuce", lettuce, sandy, 4, 20),
            ("tomato on clay", tomato, clay, 5, 1),
            ("late beans", beans, loam, 7, 1),
        )
    )


def lay_out(planted: tuple[Zone, ...], first: date, et0: np.ndarray, rain: np.ndarray, at: Location) -> Terms:
    return terms(planted, first, et0, rain, location=at, supply=SUPPLY)
