"""Crop and root zone of a day, and this morning's decision, as lines of the working (models M3 to M6).

Equation numbers are those of FAO-56 unless another source is named.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from scheduler.core.balance import crop as crops
from scheduler.core.balance.short_use import asked, short_use
from scheduler.pages.basal_lines import Climate, basal_lines
from scheduler.pages.lines import FAO, line
from scheduler.pages.surface_lines import SurfaceDay
from scheduler.pages.zone_day import ZoneDay
from scheduler.planning.facts import Facts
from scheduler.planning.given import given_today
from scheduler.planning.plan import Plan
from scheduler.shapes.working import Line

# Tables of formulas: a line each reads best.
# fmt: off


def crop_lines(spot: ZoneDay, climate: Climate | None) -> list[Line]:
    """The crop's day and its coefficient; climate: None where one coefficient serves."""
    planting, flat = spot.planting, spot.live.terms.flat
    lines = [line("crop day", "i", spot.number, "d", "date - planted + 1", f"planted {planting.planted}, {spot.stage}", f"{FAO} Table 11")]
    if spot.stand.fixed.pace.sums is not None:
        lines.append(line("heat since planting", "x", spot.flat(flat.x), "degC d", "sum of the days' degree-days, the day's own included", source="model M11"))
    if climate is not None:
        return lines + list(basal_lines(spot, climate))
    ini, mid, end = spot.stand.kc
    mulch = crops.mulch_keeps(spot.crop, planting.mulch)
    numbers = f"stages {'/'.join(map(str, spot.crop.stage_days))} d; Kc {ini:.3f} x Pw {spot.stand.wetted:.3f}, {mid:.3f}, {end:.3f}"
    formula = "flat or linear within the stage" + (f", x {mulch:.2f} for {planting.mulch} mulch" if mulch != 1 else "")
    return [*lines, line("crop coefficient", "Kc", spot.kc, "", formula, numbers, f"{FAO} eq 66, 60")]


# --- the day before ------------------------------------------------------------------------------


def balance_lines(spot: ZoneDay, surface: SurfaceDay | None) -> list[Line]:
    """From the deficit of the evening before to last night's."""
    terms, balance, d, z = spot.live.terms, spot.live.balance, spot.d, spot.z
    start, end, water, ks, eta, drained = (
        float(a[d, z])
        for a in (balance.deficit_start, balance.deficit_end, balance.irrigation, balance.ks, balance.eta, balance.percolation)
    )
    taw, raw, eff = float(terms.taw[d, z]), float(terms.raw[d, z]), float(terms.rain_eff[d, z])
    et0, rain = spot.et0, spot.flat(terms.flat.rain)
    lines = [
        line("deficit the evening before", "Dr(i-1)", start, "mm"),
        line("water given in the morning", "I", water, "mm net", source="logged, not planned"),
        line("rain that counts", "P_eff", eff, "mm", "0 if P < 0.2 ET0, else P (1 - runoff) capture S", f"P = {rain:.2f}, 0.2 ET0 = {0.2 * et0:.2f}", f"{FAO} ch. 8: under 0.2 ET0 rain does not count"),
        line("stress", "Ks", ks, "", "1 up to RAW, then (TAW - Dr) / (TAW - RAW)", f"Dr = {max(start - water, 0):.2f}, RAW = {raw:.2f}, TAW = {taw:.2f}", f"{FAO} eq 84"),
    ]
    if surface is None:
        lines.append(line("crop ET", "ETc", eta, "mm", "Ks Kc ET0", f"{ks:.3f} x {spot.kc:.4f} x {et0:.3f}", f"{FAO} eq 81"))
    else:
        lines += _apart_lines(spot, surface, ks=ks, room=taw - start + eff + water)
    return [
        *lines,
        line("drained below the roots", "DP", drained, "mm", "max(0, P_eff + I - ETc - Dr(i-1))", f"max(0, {eff:.2f} + {water:.2f} - {eta:.2f} - {start:.2f})", f"{FAO} eq 88"),
        line("deficit last night", "Dr(i)", end, "mm", "Dr(i-1) - P_eff - I + ETc + DP", f"{start:.3f} - {eff:.3f} - {water:.3f} + {eta:.3f} + {drained:.3f}", f"{FAO} eq 85"),
        *([] if surface is None else [_short_line(spot)]),
    ]


def _short_line(spot: ZoneDay) -> Line:
    live, d, z = spot.live, spot.d, spot.z
    dawn = max(float(live.balance.deficit_start[d, z] - live.balance.irrigation[d, z]), 0.0)
    wanted, taw, raw = (float(a[d, z]) for a in (asked(live.terms, live.balance), live.terms.taw, live.terms.raw))
    short = float(short_use(live.terms, live.balance)[d, z])
    return line("less than the crop wanted, inside the day", "short_use", short, "mm", "T (1 - F / E): eq 84 at every moment of the day", f"d = {dawn:.3f}, E = {wanted:.3f}, TAW = {taw:.3f}, RAW = {raw:.3f}", f"{FAO} eq 84, integrated")


def _apart_lines(spot: ZoneDay, surface: SurfaceDay, *, ks: float, room: float) -> Iterator[Line]:
    """ETc in its two parts; room: water that the root zone can lose."""
    apart, ground, et0 = surface.apart, surface.ground, spot.et0
    spread, kcb, kc = spot.flat(spot.live.terms.flat.spread), spot.flat(ground.kcb), spot.kc
    strip, middle = (float(ke) for ke in surface.ke)
    lost, used = (float(a[spot.d, spot.z]) for a in (apart.evaporation, apart.use))
    yield _spread_line(spot, spread)
    yield line("crop and soil without stress", "Kc", kc, "", "Kcb + Ke_i + S Ke_p", f"{kcb:.4f} + {strip:.4f} + {spread:.4f} x {middle:.4f}", f"{FAO} eq 69, model M3d.7")
    yield line("evaporation from the roots' soil", "E", lost, "mm", "(Ke_i + S Ke_p) ET0, at most the water there is", f"min(({strip:.4f} + {spread:.4f} x {middle:.4f}) x {et0:.3f}, {room:.3f})", f"{FAO} eq 69")
    yield line("what the crop used", "T", used, "mm", "Ks Kcb ET0, at most the water there is", f"min({ks:.4f} x {kcb:.4f} x {et0:.3f}, {room:.3f} - {lost:.3f})", f"{FAO} eq 80: stress lowers the crop's part only")
    yield line("crop ET", "ETc", lost + used, "mm", "E + T", f"{lost:.3f} + {used:.3f}", "model M5")


def _spread_line(spot: ZoneDay, spread: float) -> Line:
    return line("share of the area with roots", "S", spread, "", "Pw + (1 - Pw) g, g = share of the roots' growth", f"Pw = {spot.stand.wetted:.4f}", "model M4 (own choice)")


# --- this morning --------------------------------------------------------------------------------


def morning_lines(spot: ZoneDay, facts: Facts, plan: Plan, climate: Climate | None) -> list[Line]:
    """From the crop's day to whether water is due."""
    need, z = plan.need, spot.z
    raw, trigger, now = float(need.raw[z]), float(need.trigger[z]), float(need.deficit_now[z])
    so_far = float(need.rain_so_far_eff[z])
    given = given_today(facts, plan.live)
    net, unsure = float(given.net_mm[z]), float(given.unsure_minutes[z])
    at_most = f"model M6; of the water given the most it can have been ({unsure:.1f} min more than booked)"
    return [
        *crop_lines(spot, climate),
        *_root_zone(spot, plan),
        _trigger_line(spot, raw, trigger),
        line("deficit now", "Dr", now, "mm", "Dr(i-1) - rain since midnight - water given this morning", f"{float(need.deficit[z]):.3f} - {so_far:.3f} - {net:.3f}", at_most if unsure > 0 else "model M6"),
        *_verdict(facts, plan, z),
    ]


def _trigger_line(spot: ZoneDay, raw: float, trigger: float) -> Line:
    if not np.isfinite(trigger):
        return line("trigger: none while the crop dries off")
    refill_at = trigger / raw if raw > 0 else spot.zone.refill_at
    by = "garden.yaml refill_at" if np.isclose(refill_at, spot.zone.refill_at) else "drying off"
    return line("trigger", "", trigger, "mm", "refill_at RAW", f"{refill_at:.2f} x {raw:.3f}", by)


def _root_zone(spot: ZoneDay, plan: Plan) -> Iterator[Line]:
    """From root depth to readily available water."""
    live, terms, d, z = spot.live, spot.live.terms, spot.d, spot.z
    stand, soil, crop, rows = spot.stand, spot.zone.soil, spot.crop, spot.planting.rows
    depth, taw = spot.flat(terms.flat.root_depth), float(terms.taw[d, z])
    raw, p = float(plan.need.raw[z]), float(plan.need.p[z])
    grown = "start + (full - start) (i - 1) / (L_ini + L_dev - 1)"
    if stand.fixed.pace.sums is not None:
        grown = "start + (full - start) g, g = heat through yesterday / heat of the end of development"
    yield line("root depth", "Zr", depth, "m", grown, f"{crop.root_start_m:.2f} to {crop.root_full_m:.2f} m", "model M4 (common practice)")
    yield line("wetted fraction", "Pw", stand.wetted, "", "tapes x wetted width / row spacing, at most 1", f"{rows.tapes} x {spot.zone.wetted_width_m:.3f} / {rows.spacing_m:.3f}", "microirrigation practice")
    yield line("total available water", "TAW", taw, "mm", "1000 (FC - WP) Zr Pw", f"1000 x ({soil.theta_fc:.3f} - {soil.theta_wp:.3f}) x {depth:.4f} x {stand.wetted:.4f}", f"{FAO} eq 82, soil {soil.name}")
    yesterday = float(live.et.et0_mm[live.et_offset + d - 1]) if live.et_offset + d > 0 else float("nan")
    if not np.isfinite(yesterday):
        yesterday = float(live.et.et0_mm[live.et_offset + d])
    yesterday *= spot.flat(terms.flat.et0_share)
    ground = spot.ground
    if ground is None:
        yield line("share used without stress", "p", p, "", "p_table + 0.04 (5 - Kc ET0), 0.1 to 0.8", f"{crop.depletion:.2f} + 0.04 x (5 - {spot.kc:.4f} x {yesterday:.3f}), yesterday's ET0", f"{FAO} Table 22, note")
    else:
        spread, kcb = spot.flat(terms.flat.spread), spot.flat(ground.kcb)
        yield _spread_line(spot, spread)
        yield line("what the roots draw where they are", "U", kcb * yesterday / spread, "mm/d", "Kcb ET0 / S", f"{kcb:.4f} x {yesterday:.3f} / {spread:.4f}", "model M4 (own choice), yesterday's ET0")
        yield line("share used without stress", "p", p, "", "p_table + 0.04 (5 - U), 0.1 to 0.8", f"min(0.8, max(0.1, {crop.depletion:.2f} + 0.04 x (5 - {kcb * yesterday / spread:.4f})))", f"{FAO} Table 22, note")
    yield line("readily available water", "RAW", raw, "mm", "p TAW", f"{p:.4f} x {taw:.3f}", f"{FAO} eq 83")


def _verdict(facts: Facts, plan: Plan, z: int) -> Iterator[Line]:
    need = plan.need
    raw, trigger, now = float(need.raw[z]), float(need.trigger[z]), float(need.deficit_now[z])
    if not need.due[z]:
        on_hold = facts.held(facts.zones[z].name)
        why = f"on hold until {on_hold}" if on_hold else "not due"
        told = ("Dr against the trigger", f"{now:.3f} against {trigger:.3f}") if np.isfinite(trigger) else ("", "")
        yield line(why, "", None, "", *told, "model M6")
        return
    verdict = "waits for rain" if plan.waits[z] else "water is due"
    yield line(f"Dr >= trigger: {verdict}", "", None, "", "", f"{now:.3f} >= {trigger:.3f}", "model M6")
    yield line(
        "could it wait for rain", "", None, "", "Dr + forecast ETc <= RAW, and forecast rain x chance >= Dr",
        f"{now:.2f} + {float(need.outlook_etc[z]):.2f} against {raw:.2f}; {need.outlook_rain:.2f} against {now:.2f}",
        "model M6",
    )
