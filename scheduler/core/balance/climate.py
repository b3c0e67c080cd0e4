"""From what the sources gave to the inputs of the reference-ET equation (model M1).

Every function takes arrays of shape (day,) and returns arrays of that shape; `nan` is missing.
Equation numbers are those of FAO Irrigation and Drainage Paper 56 (Allen et al., 1998).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np

from scheduler.core.arrays import BoolArray, Celsius, CodeArray, FloatArray, IntArray, Kilopascal, Megajoule
from scheduler.model import WEATHER_FIELDS, Location, WeatherDays

SOLAR_CONSTANT_MJ_M2_MIN = 0.0820
K_RS_INLAND, K_RS_COAST = 0.16, 0.19  # per root of a degC (text of eq 50)
HUMIDITY_BY = (
    "dew point (eq 14)",
    "RHmax and RHmin (eq 17)",
    "mean RH (eq 19)",
    "dew point taken from Tmin (eq 48)",
)
RADIATION_BY = ("measured", "sunshine hours (eq 35)", "temperature range (eq 50)")
WIND_BY = ("given", "2 m/s assumed")
ESTIMATED_HUMIDITY, ESTIMATED_RADIATION, ESTIMATED_WIND = 3, 2, 1


def weather_days(first: date, **columns: float | Sequence[float] | FloatArray) -> WeatherDays:
    """Days from numbers (the same every day) or (day,) values by field; a field not named is missing.

    Raises ValueError where two columns differ in length.

    >>> days = weather_days(date(2024, 6, 1), tmin_c=[12.0, 14.0], tmax_c=26.0)
    >>> len(days), days.tmax_c.tolist(), days.rain_mm.tolist()
    (2, [26.0, 26.0], [nan, nan])
    """
    given = {name: np.atleast_1d(np.asarray(values, dtype=np.float64)) for name, values in columns.items()}
    count = np.broadcast_shapes(*(values.shape for values in given.values()), (1,))
    arrays: dict[str, Any] = {name: np.full(count, np.nan) for name in WEATHER_FIELDS}
    for name, values in given.items():
        arrays[name][:] = values
    return WeatherDays(first=first, **arrays)


def saturation_vapour_pressure(t_c: Celsius | np.float64) -> Kilopascal:
    """e0(T), kPa (eq 11).

    >>> round(float(saturation_vapour_pressure(np.float64(24.5))), 3)  # FAO-56 Example 3
    3.075
    """
    return np.asarray(0.6108 * np.exp(17.27 * t_c / (t_c + 237.3)), dtype=np.float64)


def dew_point(ea_kpa: FloatArray) -> FloatArray:
    """degC from the vapour pressure ea: eq 14 of FAO-56 turned round.

    >>> round(float(dew_point(saturation_vapour_pressure(np.float64(12.0)))), 6)
    12.0
    """
    log = np.log(np.maximum(ea_kpa, 1e-4) / 0.6108)
    return np.asarray(237.3 * log / (17.27 - log))


def mean_saturation_vapour_pressure(tmin_c: Celsius, tmax_c: Celsius) -> Kilopascal:
    """es of a day, kPa, always from both extremes (eq 12).

    >>> es = mean_saturation_vapour_pressure(np.float64(15.0), np.float64(24.5))     # FAO-56 Example 3
    >>> round(float(es), 2)
    2.39
    """
    return (saturation_vapour_pressure(tmin_c) + saturation_vapour_pressure(tmax_c)) / 2


def air_pressure(elevation_m: float) -> float:
    """Mean air pressure, kPa, from the site's elevation (eq 7).

    >>> round(air_pressure(1800), 1)                          # FAO-56 Example 2
    81.8
    """
    return float(101.3 * ((293 - 0.0065 * elevation_m) / 293) ** 5.26)


def psychrometric_constant(pressure_kpa: float) -> float:
    """gamma, kPa per degC, from the air pressure (eq 8).

    >>> round(psychrometric_constant(81.8), 3)                # FAO-56 Example 2
    0.054
    """
    return 0.665e-3 * pressure_kpa


def slope_of_vapour_curve(tmean_c: Celsius | np.float64) -> FloatArray:
    """Delta, kPa per degC, at the mean temperature (eq 13).

    >>> round(float(slope_of_vapour_curve(np.float64(16.9))), 3)  # FAO-56 Example 18
    0.122
    """
    return np.asarray(4098 * saturation_vapour_pressure(tmean_c) / (tmean_c + 237.3) ** 2, dtype=np.float64)


def days_of_year(first: date, count: int) -> IntArray:
    """J, 1 to 366, of `count` consecutive days, (day,).

    >>> days_of_year(date(2023, 9, 3), 1).tolist(), days_of_year(date(2024, 12, 31), 2).tolist()  # Table 2.5
    ([246], [366, 1])
    """
    days = np.datetime64(first, "D") + np.arange(count)
    return np.asarray((days - days.astype("datetime64[Y]")).astype(np.int64) + 1)


def sun(day_of_year: IntArray, latitude_deg: float) -> tuple[Megajoule, FloatArray]:
    """(Ra MJ m-2 d-1, daylight hours N) (eq 21-25, 34; the divisor is 365 in every year).

    Near the poles the sunset angle is held to 0..pi, so that polar night gives Ra 0.

    >>> ra, n = sun(np.array([246]), -20.0)                  # FAO-56 Examples 8 and 9
    >>> round(float(ra[0]), 1), round(float(n[0]), 1)
    (32.2, 11.7)
    """
    phi = np.radians(latitude_deg)
    angle = 2 * np.pi * day_of_year / 365
    dr = 1 + 0.033 * np.cos(angle)
    declination = 0.409 * np.sin(angle - 1.39)
    sunset = np.arccos(np.clip(-np.tan(phi) * np.tan(declination), -1, 1))
    ra = (
        24 * 60 / np.pi * SOLAR_CONSTANT_MJ_M2_MIN * dr
        * (sunset * np.sin(phi) * np.sin(declination) + np.cos(phi) * np.cos(declination) * np.sin(sunset))
    )  # fmt: skip
    return np.maximum(ra, 0), 24 / np.pi * sunset


def clear_sky_radiation(ra: Megajoule, elevation_m: float) -> Megajoule:
    """Rso, MJ m-2 d-1, from Ra and the site's elevation (eq 37).

    >>> round(float(clear_sky_radiation(np.array([41.09]), 100.0)[0]), 2)    # FAO-56 Example 18
    30.9
    """
    return (0.75 + 2e-5 * elevation_m) * ra


def radiation_by_range(range_c: Celsius, *, ra: Megajoule, rso: Megajoule, k_rs: float) -> Megajoule:
    """Rs, MJ m-2 d-1, from the day's temperature range Tmax - Tmin (eq 50), at most Rso.

    All arguments (day,).  k_rs: K_RS_INLAND, or K_RS_COAST where the sea makes the air.

    >>> ra, rso = np.array([40.6]), np.array([30.6])         # FAO-56 Example 15: Lyon, July
    >>> round(float(radiation_by_range(np.array([26.6 - 14.8]), ra=ra, rso=rso, k_rs=K_RS_INLAND)[0]), 1)
    22.3
    """
    return np.minimum(k_rs * np.sqrt(range_c) * ra, rso)


def wind_at_2m(wind_m_s: FloatArray, height_m: FloatArray) -> FloatArray:
    """Wind at 2 m (eq 47); a wind already at 2 m stays as it is. nan where the height makes no sense.

    >>> round(float(wind_at_2m(np.array([3.2]), np.array([10.0]))[0]), 1)  # FAO-56 Example 14
    2.4
    """
    argument = 67.8 * height_m - 5.42
    sensible = argument > 1.5
    factor = np.where(sensible, 4.87 / np.log(np.where(sensible, argument, 10.0)), np.nan)
    return np.where(height_m == 2, wind_m_s, wind_m_s * factor)


@dataclass(frozen=True, slots=True)
class Climate:
    """Inputs of the reference-ET equation, (day,), and how each was come by."""

    usable: BoolArray  # Tmin and Tmax both there, and not the wrong way round
    tmin_c: Celsius
    tmax_c: Celsius
    ea_kpa: Kilopascal
    es_kpa: Kilopascal
    rs_mj: Megajoule
    rso_mj: Megajoule
    ra_mj: Megajoule
    u2_m_s: FloatArray
    humidity_by: CodeArray  # index into HUMIDITY_BY
    radiation_by: CodeArray
    wind_by: CodeArray
    radiation_cut: BoolArray  # measured above 1.05 Rso, held to it
    k_rs: float  # of eq 50 at this site


def climate(days: WeatherDays, location: Location) -> Climate:
    """Fill and limit one day or thirty years of weather (model M1); (day,) arrays, nan where unusable.

    A day whose lowest temperature is above its highest has none that can be used.  Each quantity is taken by
    the best way the day allows, and the code of that way goes along (HUMIDITY_BY, RADIATION_BY, WIND_BY).
    Limits: ea at most es, RH at most 100 %, measured Rs at most 1.05 Rso, wind at 2 m at least 0.5 m/s.

    >>> days = weather_days(date(2024, 7, 1), tmin_c=[12.0, 30.0], tmax_c=26.0, wind_m_s=0.1)
    >>> found = climate(days, Location(35.6, -82.4, 650.0, "America/New_York"))
    >>> found.usable.tolist(), found.u2_m_s.tolist(), [RADIATION_BY[k] for k in found.radiation_by]
    ([True, False], [0.5, 0.5], ['temperature range (eq 50)', 'temperature range (eq 50)'])
    >>> bool(found.ea_kpa[0] == saturation_vapour_pressure(np.float64(12.0)))     # dew point taken from Tmin
    True
    """
    usable = np.isfinite(days.tmin_c) & np.isfinite(days.tmax_c)
    usable &= np.where(usable, days.tmax_c, 0) >= np.where(usable, days.tmin_c, 0)
    tmin = np.where(usable, days.tmin_c, np.nan)
    tmax = np.where(usable, days.tmax_c, np.nan)
    ra, daylight = sun(days_of_year(days.first, len(days)), location.latitude_deg)
    rso = clear_sky_radiation(ra, location.elevation_m)
    es = mean_saturation_vapour_pressure(tmin, tmax)
    ea, humidity_by = _vapour_pressure(days, tmin, tmax, es, dry=location.dry)
    k_rs = K_RS_COAST if location.coastal else K_RS_INLAND
    by_range = radiation_by_range(tmax - tmin, ra=ra, rso=rso, k_rs=k_rs)
    rs, radiation_by, cut = _radiation(days, by_range, ra=ra, rso=rso, daylight=daylight)
    u2, wind_by = _wind(days)
    return Climate(
        usable=usable, tmin_c=tmin, tmax_c=tmax, ea_kpa=ea, es_kpa=es, rs_mj=rs, rso_mj=rso, ra_mj=ra,
        u2_m_s=u2, humidity_by=humidity_by, radiation_by=radiation_by, wind_by=wind_by,
        radiation_cut=cut, k_rs=k_rs,
    )  # fmt: skip


def _vapour_pressure(
    days: WeatherDays, tmin: Celsius, tmax: Celsius, es: Kilopascal, *, dry: bool
) -> tuple[Kilopascal, CodeArray]:
    """ea by the best humidity there is (eq 14, 17, 19, else 48), never above es."""

    def relative(percent: FloatArray) -> FloatArray:
        return np.where(percent < 0, np.nan, np.minimum(percent, 100)) / 100

    rh_max, rh_min, rh_mean = relative(days.rh_max_pct), relative(days.rh_min_pct), relative(days.rh_mean_pct)
    low, high = saturation_vapour_pressure(tmin), saturation_vapour_pressure(tmax)
    ways = (
        saturation_vapour_pressure(days.tdew_c),
        (low * rh_max + high * rh_min) / 2,
        rh_mean * es,
        saturation_vapour_pressure(tmin - (2.0 if dry else 0.0)),
    )
    given = [np.isfinite(days.tdew_c), np.isfinite(rh_max + rh_min), np.isfinite(rh_mean)]
    ea = np.select(given, ways[:3], ways[3])
    by = np.select(given, [0, 1, 2], ESTIMATED_HUMIDITY).astype(np.int8)
    return np.minimum(ea, es), by


def _radiation(
    days: WeatherDays, by_range: Megajoule, *, ra: Megajoule, rso: Megajoule, daylight: FloatArray
) -> tuple[Megajoule, CodeArray, BoolArray]:
    """Rs measured (held to 1.05 Rso), else by sunshine (eq 35), else by temperature range (eq 50)."""
    measured = days.solar_mj_m2 >= 0
    cut = measured & (np.where(measured, days.solar_mj_m2, 0) > 1.05 * rso)
    share = np.clip(days.sunshine_h / np.where(daylight > 0, daylight, np.inf), None, 1)
    by_sun = days.sunshine_h >= 0
    ways = (
        np.minimum(days.solar_mj_m2, 1.05 * rso),
        (0.25 + 0.50 * share) * ra,
        by_range,
    )
    by = np.select([measured, by_sun], [0, 1], ESTIMATED_RADIATION).astype(np.int8)
    return np.select([measured, by_sun], ways[:2], ways[2]), by, cut


def _wind(days: WeatherDays) -> tuple[FloatArray, CodeArray]:
    """u2 by eq 47, else 2 m/s; the floor of 0.5 m/s comes last."""
    height = np.where(np.isfinite(days.wind_height_m), days.wind_height_m, 2.0)
    u2 = wind_at_2m(np.where(days.wind_m_s >= 0, days.wind_m_s, np.nan), height)
    missing = ~np.isfinite(u2)
    return np.maximum(np.where(missing, 2.0, u2), 0.5), np.where(missing, ESTIMATED_WIND, 0).astype(np.int8)
