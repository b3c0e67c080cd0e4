"""Reference ET and what goes into it, as FAO-56 and ASCE-EWRI print it."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import numpy as np

from scheduler.core.balance import climate as air
from scheduler.core.balance.et import ReferenceET, penman_monteith, reference_et
from scheduler.model import Location
from scheduler.selfcheck.answer import Answer, Figures, each
from scheduler.selfcheck.cases import Inputs
from scheduler.selfcheck.plot import one

YEAR = 2015
"""Any that is no leap year: the examples give the day's number."""


def _site(inputs: Inputs, **more: Any) -> Location:
    return Location(inputs.get("latitude_deg", 0.0), 0.0, inputs.get("elevation_m", 0.0), "UTC", **more)


def _of_day(inputs: Inputs, *, hargreaves: bool = False, **columns: float) -> ReferenceET:
    day = date(YEAR, 1, 1) + timedelta(days=inputs.get("day_of_year", 1) - 1)
    way = {"temperature_only": "hargreaves"} if hargreaves else {}
    return reference_et(air.weather_days(day, **columns), _site(inputs, **way))


def _sun(inputs: Inputs) -> tuple[float, float]:
    ra, daylight = air.sun(np.array([inputs["day_of_year"]], dtype=np.int64), inputs["latitude_deg"])
    return float(ra[0]), float(daylight[0])


def _pressure(i: Inputs) -> Figures:
    pressure = air.air_pressure(i["elevation_m"])
    return {"pressure_kpa": pressure, "gamma_kpa_per_c": air.psychrometric_constant(pressure)}


def _saturation(i: Inputs) -> Figures:
    low, high = one(i["tmin_c"]), one(i["tmax_c"])
    return {
        "e0_tmax_kpa": float(air.saturation_vapour_pressure(high)[0]),
        "e0_tmin_kpa": float(air.saturation_vapour_pressure(low)[0]),
        "es_kpa": float(air.mean_saturation_vapour_pressure(low, high)[0]),
    }


def _humidity(i: Inputs) -> Figures:
    range_ = {"tmin_c": i["tmin_c"], "tmax_c": i["tmax_c"]}
    both = _of_day(i, **range_, rh_max_pct=i["rhmax_pct"], rh_min_pct=i["rhmin_pct"]).climate
    mean = _of_day(i, **range_, rh_mean_pct=(i["rhmax_pct"] + i["rhmin_pct"]) / 2).climate
    return {
        "ea_kpa": float(both.ea_kpa[0]),
        "ea_from_rhmean_kpa": float(mean.ea_kpa[0]),
        "vpd_kpa": float(both.es_kpa[0] - both.ea_kpa[0]),
    }


def _sunshine(i: Inputs) -> Figures:
    ra, daylight = _sun(i)
    hours = i["sunshine_h_month"] / i["days_in_month"]
    rs = _of_day(i, tmin_c=20.0, tmax_c=30.0, sunshine_h=hours).climate.rs_mj
    return {"ra_mj": ra, "daylight_h": daylight, "rs_mj": float(rs[0])}


def _wind(i: Inputs) -> Figures:
    return {"u2_m_s": float(air.wind_at_2m(one(i["wind_m_s"]), one(i["height_m"]))[0])}


def _radiation_by_range(i: Inputs) -> Figures:
    rs = _of_day(i, tmin_c=i["tmin_c"], tmax_c=i["tmax_c"]).climate.rs_mj
    return {"ra_mj": _sun(i)[0], "rs_mj": float(rs[0])}


def _uccle(i: Inputs) -> Figures:
    et = _of_day(
        i, tmin_c=i["tmin_c"], tmax_c=i["tmax_c"], rh_max_pct=i["rhmax_pct"], rh_min_pct=i["rhmin_pct"],
        wind_m_s=i["wind_km_h"] / 3.6, wind_height_m=i["wind_height_m"], sunshine_h=i["sunshine_h"],
    )  # fmt: skip
    climate, parts = et.climate, penman_monteith(et.climate, i["elevation_m"])
    return {
        "u2_m_s": float(climate.u2_m_s[0]), "pressure_kpa": parts.pressure_kpa,
        "delta_kpa_per_c": float(parts.delta[0]), "gamma_kpa_per_c": parts.gamma,
        "es_kpa": float(climate.es_kpa[0]), "ea_kpa": float(climate.ea_kpa[0]),
        "vpd_kpa": float(climate.es_kpa[0] - climate.ea_kpa[0]), "ra_mj": float(climate.ra_mj[0]),
        "daylight_h": _sun(i)[1], "rs_mj": float(climate.rs_mj[0]), "rso_mj": float(climate.rso_mj[0]),
        "rns_mj": float(parts.rns_mj[0]), "rnl_mj": float(parts.rnl_mj[0]), "rn_mj": float(parts.rn_mj[0]),
        "eto_mm": float(et.et0_mm[0]),
    }  # fmt: skip


def _hargreaves(i: Inputs) -> Figures:
    et = _of_day(i, hargreaves=True, tmin_c=i["tmin_c"], tmax_c=i["tmax_c"])
    return {"eto_mm": float(et.et0_mm[0])}


def _greeley(i: Inputs) -> Figures:
    et = _of_day(
        i, tmin_c=i["tmin_c"], tmax_c=i["tmax_c"], tdew_c=float(air.dew_point(one(i["ea_kpa"]))[0]),
        solar_mj_m2=i["rs_mj"], wind_m_s=i["wind_3m_m_s"], wind_height_m=i["wind_height_m"],
    )  # fmt: skip
    return {"etos": float(et.et0_mm[0])}


def _daylight(i: Inputs) -> Figures:
    ra, daylight = _sun(i)
    return {"ra_mj": ra, "daylight_h": daylight}


ANSWERS: dict[str, Answer] = {
    "fao56-ex02": each(_pressure),
    "fao56-ex03": each(_saturation),
    "fao56-ex05-06": each(_humidity),
    "fao56-ex08-09": each(_daylight),
    "fao56-ex10": each(_sunshine),
    "fao56-ex14": each(_wind),
    "fao56-ex15": each(_radiation_by_range),
    "fao56-ex18": each(_uccle),
    "fao56-eq52-lyon": each(_hargreaves),
    "asce-greeley-1-5": each(_greeley),
}
