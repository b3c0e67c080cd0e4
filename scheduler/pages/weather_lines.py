"""Weather and reference ET of one day, as lines of the working.  Equation numbers are those of FAO-56."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np

from scheduler.core.balance import climate as air
from scheduler.core.balance.et import HARGREAVES, PM, PM_ESTIMATED, penman_monteith
from scheduler.model import Garden
from scheduler.pages.lines import FAO, line
from scheduler.pages.quality import working_lines
from scheduler.planning.facts import Facts
from scheduler.planning.live import Live
from scheduler.shapes.working import Line

# Tables of formulas: a line each reads best.
# fmt: off


def weather_lines(facts: Facts, day: date) -> list[Line]:
    """What was taken as that day's weather, value by value, and what quality control says of it."""
    days, i = facts.weather, (day - facts.weather.first).days
    if not 0 <= i < len(days):
        return []
    names = {
        "tmin_c": ("lowest temperature", "Tmin", "degC"), "tmax_c": ("highest temperature", "Tmax", "degC"),
        "tdew_c": ("dew point", "Tdew", "degC"), "rh_max_pct": ("highest humidity", "RHmax", "%"),
        "rh_min_pct": ("lowest humidity", "RHmin", "%"), "rh_mean_pct": ("mean humidity", "RHmean", "%"),
        "wind_m_s": ("wind", "u", "m/s"), "wind_height_m": ("height of the wind", "z", "m"),
        "solar_mj_m2": ("solar radiation", "Rs", "MJ/m2/d"), "sunshine_h": ("sunshine", "n", "h"),
        "rain_mm": ("rain", "P", "mm"),
    }
    found = []
    for name, (what, symbol, unit) in names.items():
        value = float(getattr(days, name)[i])
        if np.isfinite(value):
            source = (days.came_from.get(name) or (None,) * len(days))[i]
            found.append(line(what, symbol, value, unit, source=source or ""))
    return found + working_lines(facts.flags, day)


def et_lines(garden: Garden, live: Live, day: date) -> list[Line]:
    """ET0 of the day, with all that leads to it where it was worked out."""
    i = (day - live.et.first).days
    if not 0 <= i < len(live.et.et0_mm):
        return []
    method = int(live.et.method[i])
    total = line("reference ET", "ET0", float(live.et.et0_mm[i]), "mm/d", source=live.et.method_name(i))
    if method in (PM, PM_ESTIMATED):
        return _penman_monteith(garden, live, i) + [total]
    if method == HARGREAVES:
        c = live.et.climate
        total["formula"] = "0.0023 (Tmean + 17.8) sqrt(Tmax - Tmin) 0.408 Ra"
        total["source"] = f"{FAO} eq 52"
        return [
            line("extraterrestrial radiation", "Ra", float(c.ra_mj[i]), "MJ/m2/d", source=f"{FAO} eq 21"),
            total,
        ]
    total["source"] = f"{live.et.method_name(i)}: no temperatures that day, a mean of stored days stands in"
    return [total]


def _penman_monteith(garden: Garden, live: Live, i: int) -> list[Line]:
    c, site = live.et.climate, garden.location
    terms = penman_monteith(c, site.elevation_m)
    pressure, gamma = terms.pressure_kpa, terms.gamma
    tmin, tmax, es, ea, u2, rs, rso, ra = (
        float(x[i]) for x in (c.tmin_c, c.tmax_c, c.es_kpa, c.ea_kpa, c.u2_m_s, c.rs_mj, c.rso_mj, c.ra_mj)
    )
    tmean, delta, share, rns, rnl, rn = (
        float(x[i])
        for x in (terms.tmean_c, terms.delta, terms.clear_share, terms.rns_mj, terms.rnl_mj, terms.rn_mj)
    )
    radiation_by = air.RADIATION_BY[c.radiation_by[i]] + (", held to 1.05 Rso" if c.radiation_cut[i] else "")
    humidity_by = air.HUMIDITY_BY[c.humidity_by[i]]
    j = (live.et.first + timedelta(days=i)).timetuple().tm_yday
    return [
        line("mean temperature", "T", tmean, "degC", "(Tmax + Tmin) / 2", f"({tmax:.2f} + {tmin:.2f}) / 2", f"{FAO} eq 9"),
        line("air pressure", "Pa", pressure, "kPa", "101.3 ((293 - 0.0065 z) / 293)^5.26", f"z = {site.elevation_m:.1f} m", f"{FAO} eq 7"),
        line("psychrometric constant", "g", gamma, "kPa/degC", "0.000665 Pa", f"0.000665 x {pressure:.3f}", f"{FAO} eq 8"),
        line("slope of the vapour curve", "D", delta, "kPa/degC", "4098 e0(T) / (T + 237.3)^2", f"T = {tmean:.2f}", f"{FAO} eq 13"),
        line("saturation vapour pressure", "es", es, "kPa", "(e0(Tmax) + e0(Tmin)) / 2", "", f"{FAO} eq 12"),
        line("actual vapour pressure", "ea", ea, "kPa", "", "", f"{FAO}, by {humidity_by}"),
        line("wind at 2 m", "u2", u2, "m/s", "u 4.87 / ln(67.8 z - 5.42), not below 0.5", "", f"{FAO} eq 47, {air.WIND_BY[c.wind_by[i]]}"),
        line("extraterrestrial radiation", "Ra", ra, "MJ/m2/d", "", f"day {j} of the year, latitude {site.latitude_deg:.4f}", f"{FAO} eq 21"),
        line("clear-sky radiation", "Rso", rso, "MJ/m2/d", "(0.75 + 0.00002 z) Ra", f"(0.75 + 0.00002 x {site.elevation_m:.1f}) x {ra:.3f}", f"{FAO} eq 37"),
        line("solar radiation", "Rs", rs, "MJ/m2/d", "", "", f"{FAO}, by {radiation_by}"),
        line("net short-wave radiation", "Rns", rns, "MJ/m2/d", "0.77 Rs", f"0.77 x {rs:.3f}", f"{FAO} eq 38"),
        line("net long-wave radiation", "Rnl", rnl, "MJ/m2/d", "4.903e-9 (TmaxK^4 + TminK^4)/2 (0.34 - 0.14 sqrt(ea)) (1.35 Rs/Rso - 0.35)", f"Rs/Rso = {share:.4f}", f"{FAO} eq 39"),
        line("net radiation", "Rn", rn, "MJ/m2/d", "Rns - Rnl", f"{rns:.3f} - {rnl:.3f}", f"{FAO} eq 40"),
        line("reference ET", "", None, "", "(0.408 D Rn + g 900/(T + 273) u2 (es - ea)) / (D + g (1 + 0.34 u2))",
             f"(0.408 x {delta:.5f} x {rn:.3f} + {gamma:.5f} x 900/({tmean:.2f} + 273) x {u2:.3f} x ({es:.4f} - {ea:.4f}))"
             f" / ({delta:.5f} + {gamma:.5f} x (1 + 0.34 x {u2:.3f}))", f"{FAO} eq 6"),
    ]
