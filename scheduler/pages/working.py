"""The working behind one zone's minutes, so that a person can redo it by hand.

Each line: what it is, its symbol, the formula in symbols, the same with numbers, the result, its unit, and
the source.  Equation numbers are those of FAO-56 unless another source is named.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, timedelta

import numpy as np

from scheduler.core.balance import climate as air
from scheduler.core.balance import crop as crops
from scheduler.core.balance.et import HARGREAVES, PM, PM_ESTIMATED, penman_monteith
from scheduler.core.balance.salt import leaching_requirement
from scheduler.core.balance.stands import Stand
from scheduler.core.hydraulics.results import ZoneHydraulics
from scheduler.model import Garden, Zone
from scheduler.pages.lines import line
from scheduler.pages.plain import plain_lines
from scheduler.pages.quality import working_lines
from scheduler.pages.rounding import rounded
from scheduler.pages.uncertainty_lines import uncertainty_lines
from scheduler.pages.week_lines import week_lines
from scheduler.planning.facts import Facts
from scheduler.planning.live import Live
from scheduler.planning.plan import Plan
from scheduler.shapes.working import BalanceDay, DayWorking, Line, Section
from scheduler.show import words

HISTORY_DAYS = 7
FAO = "FAO-56"


def day_working(garden: Garden, facts: Facts, plan: Plan) -> DayWorking:
    """What all zones share, then per zone: sections of lines, and the balance of the last days."""
    yesterday = facts.day - timedelta(days=1)
    return {
        "date": facts.day.isoformat(),
        "shared": [
            {"title": f"Weather of {yesterday}", "lines": _weather(facts, yesterday)},
            {"title": f"Reference ET of {yesterday}", "lines": _reference_et(garden, plan.live, yesterday)},
        ],
        "zones": {
            zone.name: {
                "plain": plain_lines(garden, facts, plan, z),
                "sections": _zone_sections(garden, facts, plan, z),
                "history": _history(plan.live, z),
            }
            for z, zone in enumerate(facts.zones)
        },
    }


def _weather(facts: Facts, day: date) -> list[Line]:
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
    }  # fmt: skip
    found = []
    for name, (what, symbol, unit) in names.items():
        value = float(getattr(days, name)[i])
        if np.isfinite(value):
            source = (days.came_from.get(name) or (None,) * len(days))[i]
            found.append(line(what, symbol, value, unit, source=source or ""))
    return found + working_lines(facts.flags, day)


def _reference_et(garden: Garden, live: Live, day: date) -> list[Line]:
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
    ]  # fmt: skip


def _zone_sections(garden: Garden, facts: Facts, plan: Plan, z: int) -> list[Section]:
    live = plan.live
    sections: list[Section] = []
    if live.today > 0 and live.terms.stand[live.today - 1, z] >= 0:
        sections.append({"title": f"Crop and balance of {facts.day - timedelta(days=1)}",
                         "lines": _balance(live, z, live.today - 1)})  # fmt: skip
    if live.terms.stand[live.today, z] < 0:
        return [*sections, {"title": f"This morning, {facts.day}", "lines": [
            line("no planting stands: no water", "", None, "")]}]  # fmt: skip
    sections.append({"title": f"This morning, {facts.day}", "lines": _morning(facts, plan, z)})
    sections.append({"title": "How sure the deficit is", "lines": list(uncertainty_lines(facts, plan, z))})
    sections.append({"title": "From net depth to minutes", "lines": _minutes(garden, facts, plan, z)})
    sections.append({"title": "The week's plan", "lines": week_lines(plan, z)})
    return sections


def _crop_lines(stand: Stand, number: int, kc: float) -> list[Line]:
    crop, planting = stand.planting.crop, stand.planting
    stage = crops.STAGES[int(crops.stage_of_day(np.asarray(number), np.cumsum(crop.stage_days)))]
    ini, mid, end = stand.kc
    mulch = crops.mulch_keeps(crop, planting.mulch)
    numbers = f"stages {'/'.join(map(str, crop.stage_days))} d; Kc {ini:.3f} x Pw {stand.wetted:.3f}, {mid:.3f}, {end:.3f}"
    return [
        line("crop day", "i", number, "d", "date - planted + 1", f"planted {planting.planted}, {stage}", f"{FAO} Table 11"),
        line("crop coefficient", "Kc", kc, "", "flat or linear within the stage" + (f", x {mulch:.2f} for {planting.mulch} mulch" if mulch != 1 else ""), numbers, f"{FAO} eq 66, 60"),
    ]  # fmt: skip


def _balance(live: Live, z: int, d: int) -> list[Line]:
    terms, balance = live.terms, live.balance
    stand = terms.stands[terms.stand[d, z]]
    kc = float(terms.spread(terms.flat.kc)[d, z])
    et0 = float(live.et.et0_mm[live.et_offset + d])
    rain, eff = float(live.rain_mm[d]), float(terms.rain_eff[d, z])
    start, end, water = (
        float(a[d, z]) for a in (balance.deficit_start, balance.deficit_end, balance.irrigation)
    )
    ks, eta, drained = float(balance.ks[d, z]), float(balance.eta[d, z]), float(balance.percolation[d, z])
    taw, raw = float(terms.taw[d, z]), float(terms.raw[d, z])
    return [
        *_crop_lines(stand, stand.day_no + d - stand.begin, kc),
        line("deficit the evening before", "Dr(i-1)", start, "mm"),
        line("water given in the morning", "I", water, "mm net", source="logged, not planned"),
        line("rain that counts", "P_eff", eff, "mm", "0 if P < 0.2 ET0, else P (1 - runoff) capture S", f"P = {rain:.2f}, 0.2 ET0 = {0.2 * et0:.2f}", f"{FAO} ch. 8: under 0.2 ET0 rain does not count"),
        line("stress", "Ks", ks, "", "1 up to RAW, then (TAW - Dr) / (TAW - RAW)", f"Dr = {max(start - water, 0):.2f}, RAW = {raw:.2f}, TAW = {taw:.2f}", f"{FAO} eq 84"),
        line("crop ET", "ETc", eta, "mm", "Ks Kc ET0", f"{ks:.3f} x {kc:.4f} x {et0:.3f}", f"{FAO} eq 81"),
        line("drained below the roots", "DP", drained, "mm", "max(0, P_eff + I - ETc - Dr(i-1))", f"max(0, {eff:.2f} + {water:.2f} - {eta:.2f} - {start:.2f})", f"{FAO} eq 88"),
        line("deficit last night", "Dr(i)", end, "mm", "Dr(i-1) - P_eff - I + ETc + DP", f"{start:.3f} - {eff:.3f} - {water:.3f} + {eta:.3f} + {drained:.3f}", f"{FAO} eq 85"),
    ]  # fmt: skip


def _morning(facts: Facts, plan: Plan, z: int) -> list[Line]:
    need, zone = plan.need, facts.zones[z]
    raw, trigger, now = float(need.raw[z]), float(need.trigger[z]), float(need.deficit_now[z])
    so_far = float(need.rain_so_far_eff[z])
    given = sum(a.net_mm for a in facts.applied_on(zone.name, facts.day))
    return [
        *_root_zone(plan, zone, z),
        line("trigger", "", trigger, "mm", "refill_at RAW", f"{zone.refill_at:.2f} x {raw:.3f}", "garden.yaml refill_at"),
        line("deficit now", "Dr", now, "mm", "Dr(i-1) - rain since midnight - water given this morning", f"{float(need.deficit[z]):.3f} - {so_far:.3f} - {given:.3f}", "model M6"),
        *_verdict(facts, plan, z),
    ]  # fmt: skip


def _root_zone(plan: Plan, zone: Zone, z: int) -> list[Line]:
    """From the crop's day to its readily available water."""
    live, terms, d = plan.live, plan.live.terms, plan.live.today
    stand, soil = terms.stands[terms.stand[d, z]], zone.soil
    crop, kc = stand.planting.crop, float(terms.spread(terms.flat.kc)[d, z])
    yesterday = float(live.et.et0_mm[live.et_offset + d - 1]) if live.et_offset + d > 0 else float("nan")
    if not np.isfinite(yesterday):
        yesterday = float(live.et.et0_mm[live.et_offset + d])
    depth = float(terms.spread(terms.flat.root_depth)[d, z])
    taw, raw, p = float(terms.taw[d, z]), float(plan.need.raw[z]), float(plan.need.p[z])
    return [
        *_crop_lines(stand, stand.day_no + d - stand.begin, kc),
        line("root depth", "Zr", depth, "m", "start + (full - start) (i - 1) / (L_ini + L_dev - 1)", f"{crop.root_start_m:.2f} to {crop.root_full_m:.2f} m", "model M4 (common practice)"),
        line("wetted fraction", "Pw", stand.wetted, "", "tapes x wetted width / row spacing, at most 1", f"{stand.planting.rows.tapes} x {zone.wetted_width_m:.3f} / {stand.planting.rows.spacing_m:.3f}", "microirrigation practice"),
        line("total available water", "TAW", taw, "mm", "1000 (FC - WP) Zr Pw", f"1000 x ({soil.theta_fc:.3f} - {soil.theta_wp:.3f}) x {depth:.4f} x {stand.wetted:.4f}", f"{FAO} eq 82, soil {soil.name}"),
        line("share used without stress", "p", p, "", "p_table + 0.04 (5 - Kc ET0), 0.1 to 0.8", f"{crop.depletion:.2f} + 0.04 x (5 - {kc:.4f} x {yesterday:.3f}), yesterday's ET0", f"{FAO} Table 22, note"),
        line("readily available water", "RAW", raw, "mm", "p TAW", f"{p:.4f} x {taw:.3f}", f"{FAO} eq 83"),
    ]  # fmt: skip


def _verdict(facts: Facts, plan: Plan, z: int) -> Iterator[Line]:
    need = plan.need
    raw, trigger, now = float(need.raw[z]), float(need.trigger[z]), float(need.deficit_now[z])
    if not need.due[z]:
        on_hold = facts.held(facts.zones[z].name)
        why = f"on hold until {on_hold}" if on_hold else "not due"
        yield line(
            why, "", None, "", "Dr against the trigger", f"{now:.3f} against {trigger:.3f}", "model M6"
        )
        return
    verdict = "waits for rain" if plan.waits[z] else "water is due"
    yield line(f"Dr >= trigger: {verdict}", "", None, "", "", f"{now:.3f} >= {trigger:.3f}", "model M6")
    yield line(
        "could it wait for rain", "", None, "", "Dr + forecast ETc <= RAW, and forecast rain x chance >= Dr",
        f"{now:.2f} + {float(need.outlook_etc[z]):.2f} against {raw:.2f}; {need.outlook_rain:.2f} against {now:.2f}",
        "model M6",
    )  # fmt: skip


def _minutes(garden: Garden, facts: Facts, plan: Plan, z: int) -> list[Line]:
    live, need, zone = plan.live, plan.need, facts.zones[z]
    stand = live.terms.stands[live.terms.stand[live.today, z]]
    crop, rows, given = stand.planting.crop, stand.planting.rows, stand.delivery
    now, wanted = float(need.deficit_now[z]), float(need.minutes[z])
    net = max(now - zone.leave_room_mm, 0) if need.due[z] and not need.waits[z] else 0.0
    gross = net / given.uniformity / (1 - stand.leaching)
    runs = [run for run in plan.schedule.runs if run.zone == zone.name]
    lines = [
        line("net depth", "net", net, "mm", "Dr - leave_room", f"{now:.3f} - {zone.leave_room_mm:.2f}", "model M6"),
        line("emission uniformity", "EU", given.uniformity, "", source=given.uniformity_by),
        line("gross depth", "gross", gross, "mm", "net / EU" + (" / (1 - LR)" if stand.leaching else ""), f"{net:.3f} / {given.uniformity:.3f}" + (f" / (1 - {stand.leaching:.3f})" if stand.leaching else ""), "model M7"),
        line("planted area", "A", rows.area_m2, "m2", "rows x length x spacing", f"{rows.count} x {rows.length_m:.3f} x {rows.spacing_m:.3f}"),
        line("zone flow", "Q", given.flow_lpm, "L/min", "", "", given.flow_by),
        line("minutes", "t", wanted, "min", "gross A / Q + fill_time, rounded half up", f"{gross:.3f} x {rows.area_m2:.2f} / {given.flow_lpm:.3f} + {zone.fill_time_minutes:.1f}" + _limits(facts, z), "model M7"),
        *_hydraulic_lines(given.hydraulics, zone.tape.variation),
        line("planned today", "", sum(run.minutes for run in runs), "min", "", "; ".join(f"{r.start:%H:%M}-{r.stop:%H:%M}" for r in runs)),
    ]  # fmt: skip
    if stand.leaching:
        ec, threshold = garden.supply.ec_ds_m or 0.0, crop.ec_threshold_ds_m or 0.0
        lines.insert(2, line("leaching requirement", "LR", leaching_requirement(ec, crop), "", "ECw / (5 ECe - ECw)", f"{ec:.2f} / (5 x {threshold:.2f} - {ec:.2f})", "FAO-29 (Ayers and Westcot 1985) eq 9"))  # fmt: skip
    lines += [
        line(f"left over: {words(unmet.why, unmet.numbers, 'metric')}", "", unmet.net_mm, "mm net")
        for unmet in plan.schedule.unmet
        if unmet.zone == zone.name
    ]
    return lines


def _hydraulic_lines(solved: ZoneHydraulics | None, variation: float) -> list[Line]:
    if solved is None:
        return []
    return [
        line("pressure held at the inlet", "P", solved.inlet_kpa, "kPa", source="supply.pressure"),
        line("lowest pressure at an emitter", "", solved.lowest_kpa, "kPa", "marched from the far end, Darcy-Weisbach between emitters", f"{solved.emitters} emitters", "Swamee-Jain 1976; EPANET 2.2 manual"),
        line("emitter flow, lowest", "q_min", solved.emitter_min_lph, "L/h", "q = k P^x"),
        line("emitter flow, mean", "q_mean", solved.emitter_mean_lph, "L/h"),
        line("uniformity worked out", "EU", solved.uniformity, "", "(1 - 1.27 Cv) q_min / q_mean", f"(1 - 1.27 x {variation:.3f}) x {solved.emitter_min_lph:.4f} / {solved.emitter_mean_lph:.4f}", "Keller and Karmeli 1974"),
    ]  # fmt: skip


def _limits(facts: Facts, z: int) -> str:
    zone = facts.zones[z]
    said = [f"shortest {zone.shortest_run_minutes:.0f}"]
    if zone.longest_run_minutes is not None:
        said.append(f"longest {zone.longest_run_minutes:.0f}")
    mates = [
        other.name for other in facts.zones if other.valve.key == zone.valve.key and other.name != zone.name
    ]
    if mates:
        said.append(f"one valve with {', '.join(mates)}: the longest of their minutes")
    return f" ({'; '.join(said)})"


def _history(live: Live, z: int) -> list[BalanceDay]:
    kc = live.terms.spread(live.terms.flat.kc)[:, z]
    days = range(max(live.today - HISTORY_DAYS, 0), live.today)
    return [_day(live, d, z, float(kc[d])) for d in days if live.balance.known[d, z]]


def _day(live: Live, d: int, z: int, kc: float) -> BalanceDay:
    balance = live.balance
    return {
        "date": (live.start + timedelta(days=d)).isoformat(),
        "et0_mm": rounded(live.et.et0_mm[live.et_offset + d]),
        "kc": rounded(kc),
        "etc_mm": rounded(balance.eta[d, z]),
        "rain_mm": rounded(live.rain_mm[d]),
        "rain_eff_mm": rounded(live.terms.rain_eff[d, z]),
        "net_mm": rounded(balance.irrigation[d, z]),
        "deficit_end_mm": rounded(balance.deficit_end[d, z]),
    }
