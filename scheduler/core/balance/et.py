"""Reference ET of consecutive days, by the best method each day's weather allows (model M2)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from scheduler.core.arrays import BoolArray, Celsius, CodeArray, FloatArray, Kilopascal, Megajoule, Mm, Share
from scheduler.core.balance.climate import (
    ESTIMATED_HUMIDITY,
    ESTIMATED_RADIATION,
    ESTIMATED_WIND,
    Climate,
    air_pressure,
    climate,
    psychrometric_constant,
    slope_of_vapour_curve,
)
from scheduler.errors import NoReferenceET
from scheduler.model import Location, WeatherDays

METHODS = (
    "penman-monteith",
    "penman-monteith-estimated",
    "hargreaves",
    "climatology",
    "recent-mean",
    "none",
)
PM, PM_ESTIMATED, HARGREAVES, CLIMATOLOGY, RECENT_MEAN, NONE = range(6)
CLIMATOLOGY_HALF_WIDTH_DAYS = 7
RECENT_DAYS = 7
ALBEDO = 0.23  # of the reference grass (eq 38)
STEFAN_BOLTZMANN_MJ = 4.903e-9  # MJ K-4 m-2 d-1 (eq 39)


@dataclass(frozen=True, slots=True)
class ReferenceET:
    """ET0 of consecutive days, mm/d, with the method of each; `climate` holds what went in."""

    first: date
    et0_mm: FloatArray  # (day,), nan only where `method` is NONE
    method: CodeArray  # (day,), index into METHODS
    climate: Climate

    def method_name(self, i: int) -> str:
        """How the ET0 of day i was come by: one of METHODS."""
        return METHODS[self.method[i]]


def reference_et(days: WeatherDays, location: Location) -> ReferenceET:
    """ET0, mm/d, (day,), from the temperatures of each day; nan where there are none.

    FAO-56 Penman-Monteith (eq 6) through pyet, or eq 52 where the grower asked for it and temperatures
    are all there is.  Never below 0.  Days without temperatures are for `fill`.

    >>> from scheduler.core.balance.climate import weather_days
    >>> uccle = weather_days(date(2015, 7, 6), tmin_c=[12.3, 12.3], tmax_c=[21.5, np.nan], rh_max_pct=84,
    ...                      rh_min_pct=63, wind_m_s=2.78, wind_height_m=10, sunshine_h=9.25)
    >>> et = reference_et(uccle, Location(50.8, 4.35, 100.0, "Europe/Brussels"))       # FAO-56 Example 18
    >>> et.et0_mm.round(1).tolist(), et.method_name(0), et.method_name(1)
    ([3.9, nan], 'penman-monteith', 'none')
    """
    return reference_ets([days], location)[0]


def reference_ets(spans: Sequence[WeatherDays], location: Location) -> list[ReferenceET]:
    """`reference_et` of each span of days, to the last bit, with one call of the library for all of them.

    A call of the library costs far more than its days: seven spans together take little more than one.

    >>> from scheduler.core.balance.climate import weather_days
    >>> spans = [weather_days(date(2024, 7, 1), tmin_c=12.0, tmax_c=[hot, hot + 1]) for hot in (24.0, 28.0)]
    >>> place = Location(35.6, -82.4, 650.0, "America/New_York")
    >>> alone = [reference_et(days, place).et0_mm.tolist() for days in spans]
    >>> alone == [et.et0_mm.tolist() for et in reference_ets(spans, place)]
    True
    """
    found = [_without_library(days, location) for days in spans]
    by_pm = [(et.method == PM) | (et.method == PM_ESTIMATED) for et in found]
    et0 = _by_library([et.climate for et in found], by_pm, location)
    ends = np.cumsum([which.sum() for which in by_pm])
    for et, which, end in zip(found, by_pm, ends, strict=True):
        et.et0_mm[which] = et0[end - which.sum() : end]
    return found


def _without_library(days: WeatherDays, location: Location) -> ReferenceET:
    """The method of each day; ET0 by eq 52 is there already, that by eq 6 is nan."""
    inputs = climate(days, location)
    humidity = inputs.humidity_by == ESTIMATED_HUMIDITY
    radiation = inputs.radiation_by == ESTIMATED_RADIATION
    wind = inputs.wind_by == ESTIMATED_WIND
    by_range = inputs.usable & humidity & radiation & wind & (location.temperature_only == "hargreaves")
    et0 = np.where(by_range, hargreaves(inputs.tmin_c, inputs.tmax_c, inputs.ra_mj), np.nan)
    method = np.where(humidity | radiation | wind, PM_ESTIMATED, PM)
    method = np.where(by_range, HARGREAVES, method)
    method = np.where(inputs.usable, method, NONE).astype(np.int8)
    return ReferenceET(days.first, et0, method, inputs)


def hargreaves(tmin_c: FloatArray, tmax_c: FloatArray, ra_mj: FloatArray) -> FloatArray:
    """ET0, mm/d (eq 52), with Ra in mm/d = 0.408 Ra; never below 0.

    >>> ra = np.array([40.5548])                                # Lyon, July (FAO-56 Example 20)
    >>> round(float(hargreaves(np.array([14.8]), np.array([26.6]), ra)[0]), 2)
    5.03
    """
    tmean = (tmin_c + tmax_c) / 2
    return np.maximum(0.0023 * (tmean + 17.8) * np.sqrt(tmax_c - tmin_c) * 0.408 * ra_mj, 0)


@dataclass(frozen=True, slots=True)
class PenmanMonteith:
    """Eq 6 taken apart; (day,) arrays but for what the place alone decides."""

    tmean_c: Celsius
    pressure_kpa: float
    gamma: float  # psychrometric constant, kPa per degC
    delta: FloatArray  # slope of the vapour curve, kPa per degC
    clear_share: Share  # Rs/Rso as eq 39 takes it: within 0.3 .. 1
    rns_mj: Megajoule
    rnl_mj: Megajoule
    rn_mj: Megajoule
    et0_mm: Mm  # not held to 0


def penman_monteith(
    inputs: Climate,
    elevation_m: float,
    *,
    ea_kpa: Kilopascal | None = None,
    rs_mj: Megajoule | None = None,
    u2_m_s: FloatArray | None = None,
) -> PenmanMonteith:
    """The terms of eq 6 day by day, with other humidity, radiation or wind where given, (day,).

    For showing a day's figure and for differences between inputs; the figure itself is the library's
    (`reference_et`), and a test holds both equal.  Sources: eq 7, 8, 13 (air), 38 to 40 (radiation, albedo
    0.23), 6; G = 0.  In polar night (Rso 0) eq 39 takes the lowest Rs/Rso, as the library does.

    >>> from scheduler.core.balance.climate import weather_days
    >>> uccle = Location(50.8, 4.35, 100.0, "Europe/Brussels")                       # FAO-56 Example 18
    >>> day = climate(weather_days(date(2015, 7, 6), tmin_c=12.3, tmax_c=21.5, rh_max_pct=84, rh_min_pct=63,
    ...                       wind_m_s=2.78, wind_height_m=10, sunshine_h=9.25), uccle)
    >>> terms = penman_monteith(day, uccle.elevation_m)
    >>> [round(float(x[0]), 1) for x in (terms.rns_mj, terms.rnl_mj, terms.rn_mj, terms.et0_mm)]
    [17.0, 3.7, 13.3, 3.9]
    """
    ea = inputs.ea_kpa if ea_kpa is None else ea_kpa
    rs = inputs.rs_mj if rs_mj is None else rs_mj
    u2 = inputs.u2_m_s if u2_m_s is None else u2_m_s
    tmin, tmax, rso = inputs.tmin_c, inputs.tmax_c, inputs.rso_mj
    tmean = (tmin + tmax) / 2
    pressure = air_pressure(elevation_m)
    gamma, delta = psychrometric_constant(pressure), slope_of_vapour_curve(tmean)
    share = np.clip(rs / np.where(rso > 0, rso, np.inf), 0.3, 1.0)
    kelvin4 = ((tmax + 273.16) ** 4 + (tmin + 273.16) ** 4) / 2
    rnl = STEFAN_BOLTZMANN_MJ * kelvin4 * (0.34 - 0.14 * np.sqrt(ea)) * (1.35 * share - 0.35)
    rns = (1 - ALBEDO) * rs
    rn = rns - rnl
    vapour = gamma * 900 / (tmean + 273) * u2 * (inputs.es_kpa - ea)
    et0 = (0.408 * delta * rn + vapour) / (delta + gamma * (1 + 0.34 * u2))
    return PenmanMonteith(tmean, pressure, gamma, delta, share, rns, rnl, rn, et0)


def _by_library(climates: Sequence[Climate], which: Sequence[BoolArray], location: Location) -> FloatArray:
    """Eq 6 for the days marked in `which`, one after another. pyet is heavy: it is imported only here."""
    if not any(marked.any() for marked in which):
        return np.empty(0)
    import pandas as pd
    import pyet

    def series(name: str) -> pd.Series[float]:
        marked = zip(climates, which, strict=True)
        return pd.Series(np.concatenate([getattr(inputs, name)[days] for inputs, days in marked]))

    tmin, tmax = series("tmin_c"), series("tmax_c")
    et0 = pyet.pm_fao56(
        (tmin + tmax) / 2,
        series("u2_m_s"),
        rs=series("rs_mj"),
        tmax=tmax,
        tmin=tmin,
        elevation=location.elevation_m,
        lat=float(np.radians(location.latitude_deg)),
        rso=series("rso_mj"),  # ours: pyet's own needs a calendar index and does not guard polar night
        ea=series("ea_kpa"),
    )
    return np.asarray(et0, dtype=np.float64)


def fill(et: ReferenceET, first: date, last: date) -> ReferenceET:
    """Days without temperatures in first..last get a mean of stored days (model M2); none is a zero.

    The mean is that of earlier years within 7 days of the date, else of the 7 latest days; days that were
    themselves filled never count.  Raises NoReferenceET, naming the date, where there is no earlier day.

    >>> from scheduler.core.balance.climate import weather_days
    >>> days = weather_days(date(2024, 6, 1), tmin_c=[12, 14, np.nan], tmax_c=[25, 28, np.nan])
    >>> et = fill(reference_et(days, Location(35.6, -82.4, 650.0, "UTC")), days.first, days.last)
    >>> et.method_name(2), bool(np.isclose(et.et0_mm[2], et.et0_mm[:2].mean()))
    ('recent-mean', True)
    """
    et0, method = et.et0_mm.copy(), et.method.copy()
    stored = np.isfinite(et.et0_mm)
    begin, end = max((first - et.first).days, 0), min((last - et.first).days + 1, len(et0))
    for i in (np.flatnonzero(~stored[begin:end]) + begin).tolist():
        found = stand_in(et.et0_mm, stored, et.first, i)
        if found is None:
            raise NoReferenceET(
                f"no temperatures for {et.first + timedelta(days=i)}, and no earlier day to take a mean from",
                hint="start later, or give weather that has tmin and tmax for this day",
            )
        et0[i], method[i] = found
    return ReferenceET(et.first, et0, method, et.climate)


def stand_in(values: FloatArray, stored: BoolArray, first: date, i: int) -> tuple[float, int] | None:
    """What day i takes where it has no value: a mean of stored days, and whose (model M2); None without any.

    values, stored: (day,) from `first` on.  Earlier years within 7 days of the date, else the 7 latest days.

    >>> values = np.array([4.0, 6.0, np.nan])
    >>> stand_in(values, np.isfinite(values), date(2024, 6, 1), 2) == (5.0, RECENT_MEAN)
    True
    """
    same_season = _same_season_of_earlier_years(values, stored, first, first + timedelta(days=i))
    if same_season.size:
        return float(same_season.mean()), CLIMATOLOGY
    recent = values[:i][stored[:i]][-RECENT_DAYS:]
    return (float(recent.mean()), RECENT_MEAN) if recent.size else None


def _same_season_of_earlier_years(
    values: FloatArray, stored: BoolArray, first: date, day: date
) -> FloatArray:
    """Stored values within 7 days of the date in every earlier year; 29 February is the 28th."""
    found = []
    for year in range(first.year - 1, day.year):
        middle = (date(year, day.month, 28 if (day.month, day.day) == (2, 29) else day.day) - first).days
        low = max(middle - CLIMATOLOGY_HALF_WIDTH_DAYS, 0)
        high = middle + CLIMATOLOGY_HALF_WIDTH_DAYS + 1
        if high > low:
            found.append(values[low:high][stored[low:high]])
    return np.concatenate(found) if found else np.empty(0)
