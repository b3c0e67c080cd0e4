"""Stored weather beyond the days that are walked: for climate, warmth and a bed that nobody knows of."""

from __future__ import annotations

from dataclasses import dataclass, fields
from datetime import date, timedelta

import numpy as np

from scheduler.core.arrays import BoolArray, Celsius, FloatArray, Mm
from scheduler.core.balance.climate import ESTIMATED_WIND, saturation_vapour_pressure
from scheduler.core.balance.et import ReferenceET, stand_in
from scheduler.core.balance.heat import degree_days
from scheduler.model import HeatUnits, Location, WeatherDays

CLIMATE_DAYS = 30
LEAST_CLIMATE_DAYS = 10
USUAL_WIND_M_S, USUAL_RH_MIN_PCT = 2.0, 45.0


@dataclass(frozen=True, slots=True)
class Stored:
    """(day,) arrays from `first` on; nan where nobody knows."""

    first: date
    et0_mm: Mm
    rain_mm: Mm  # missing counted as 0
    tmin_c: Celsius
    tmax_c: Celsius
    wind_2m_m_s: FloatArray  # measured, by M1
    rh_min_pct: FloatArray

    def index(self, day: date) -> int:
        """Where a day lies; below 0 before the first."""
        return (day - self.first).days

    def since(self, first: date) -> Stored:
        """From that day on, where it is one of the record's."""
        at = max(self.index(first), 0)
        days = (getattr(self, one.name)[at:] for one in fields(self)[1:])
        return Stored(self.first + timedelta(days=at), *days)

    @property
    def warm(self) -> BoolArray:
        """(day,) Whether the day has temperatures."""
        return np.isfinite(self.tmin_c)

    def filled(self, values: FloatArray) -> FloatArray:
        """The values; of days without temperatures the mean that ET0 would take (model M2), else 0."""
        out = values.copy()
        warm = self.warm
        for i in np.flatnonzero(~warm).tolist():
            mean = stand_in(values, warm, self.first, i)
            out[i] = 0.0 if mean is None else mean[0]
        return out


def stored(days: WeatherDays, et: ReferenceET) -> Stored:
    """What `terms` needs of all stored days (model M1: RHmin as given, else from ea)."""
    inputs = et.climate
    given = np.where(days.rh_min_pct >= 0, np.minimum(days.rh_min_pct, 100), np.nan)
    worked_out = 100 * inputs.ea_kpa / saturation_vapour_pressure(inputs.tmax_c)
    rh_min = np.where(np.isfinite(given), given, worked_out)
    return Stored(
        first=et.first,
        et0_mm=et.et0_mm,
        rain_mm=np.where(days.rain_mm >= 0, days.rain_mm, 0.0),
        tmin_c=inputs.tmin_c,
        tmax_c=inputs.tmax_c,
        wind_2m_m_s=np.where(inputs.wind_by == ESTIMATED_WIND, np.nan, inputs.u2_m_s),
        rh_min_pct=np.where(inputs.usable, rh_min, np.nan),
    )


def after_temperatures(days: WeatherDays, record: Stored) -> Stored:
    """The record with earlier days before it, of which only the temperatures are known.

    days: consecutive, the last is the day before the record's first.
    """
    unknown = np.full(len(days), np.nan)
    usable = days.tmin_c <= days.tmax_c
    return Stored(
        first=days.first,
        et0_mm=np.append(unknown, record.et0_mm),
        rain_mm=np.append(np.zeros(len(days)), record.rain_mm),
        tmin_c=np.append(np.where(usable, days.tmin_c, np.nan), record.tmin_c),
        tmax_c=np.append(np.where(usable, days.tmax_c, np.nan), record.tmax_c),
        wind_2m_m_s=np.append(unknown, record.wind_2m_m_s),
        rh_min_pct=np.append(unknown, record.rh_min_pct),
    )


def climate_before(record: Stored, location: Location) -> tuple[FloatArray, FloatArray]:
    """(u2, RHmin) that each stored day goes by: means of the 30 days before it, (day,) (model M3d.1).

    With fewer than ten known ones the location's own, else 2 m/s and 45 %.
    """
    wind, rh = location.wind_2m_m_s, location.rh_min_pct
    return (
        _mean_before(record.wind_2m_m_s, USUAL_WIND_M_S if wind is None else wind),
        _mean_before(record.rh_min_pct, USUAL_RH_MIN_PCT if rh is None else rh),
    )


def _mean_before(values: FloatArray, otherwise: float) -> FloatArray:
    known = np.isfinite(values)
    sums = np.concatenate([[0.0], np.cumsum(np.where(known, values, 0.0))])
    counts = np.concatenate([[0], np.cumsum(known)])
    day = np.arange(len(values))
    begin = np.maximum(day - CLIMATE_DAYS, 0)
    count = counts[day] - counts[begin]
    mean = (sums[day] - sums[begin]) / np.maximum(count, 1)
    return np.where(count >= LEAST_CLIMATE_DAYS, mean, otherwise)


def warmth(record: Stored, heat: HeatUnits) -> FloatArray:
    """Degree-days of every stored day, (day,), without a gap."""
    return record.filled(degree_days(record.tmin_c, record.tmax_c, heat))
