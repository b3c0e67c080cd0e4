"""What a planting's age asks of this morning, as lines of the working (models M10, M13)."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta

import numpy as np

from scheduler.core.balance import surface
from scheduler.core.balance.sowing import (
    EMERGENCE_MARGIN,
    MOST_SEEDBED_DAYS,
    SEEDBED_DAYS,
    SETTLE_EVERY_DAYS,
    SETTLE_SKIPPED_BY_RAIN_MM,
    dryness_allowed,
    seed_depth,
    started_by,
    warmth_since,
)
from scheduler.core.balance.stored import Stored
from scheduler.model import Settle
from scheduler.pages.lines import line
from scheduler.pages.stage_dates import dry_from, drying_rule
from scheduler.pages.zone_day import ZoneDay
from scheduler.planning.plan import Plan
from scheduler.shapes.working import Line

# Tables of formulas: a line each reads best.
# fmt: off

OWN = "own choice"


def start_lines(spot: ZoneDay, plan: Plan, record: Stored) -> Iterator[Line]:
    """Seedbed, planting day and settling in, drying off, shelter; nothing of what does not concern it."""
    by, z = started_by(spot.planting), spot.z
    if plan.need.seedbed[z]:
        yield from _seedbed(spot, plan, record)
    if plan.need.planting_day[z]:
        yield from _planting_day(spot, plan)
    settle = spot.planting.settle
    if settle is not None and spot.number <= settle.days:
        yield from _settling(spot, plan, settle, by)
    yield from _drying(spot)
    yield from _shelter(spot)


def _seedbed(spot: ZoneDay, plan: Plan, record: Stored) -> Iterator[Line]:
    need, z, zone, ground = plan.need, spot.z, spot.zone, spot.ground
    assert ground is not None
    yield _not_up(spot, record)
    tew, rew = surface.evaporable(zone.soil)
    de, et0 = float(need.surface[z]), spot.et0
    kr = float(surface.reduction(np.array(de), np.array(tew), np.array(tew - rew)))
    loses = kr * (surface.BARE_KC - surface.LEAST_KCB) * et0
    depth = seed_depth(spot.planting)
    most = dryness_allowed(zone.soil, depth)
    rule = ("0.5 REW", f"0.5 x {rew:.3f}") if depth <= 0.015 else ("REW", f"{rew:.3f}") if depth <= 0.030 else ("REW + 0.25 (TEW - REW)", f"{rew:.3f} + 0.25 x ({tew:.3f} - {rew:.3f})")
    yield line("top layer over the seed now", "De_i", de, "mm", "last night's - rain since midnight - sprinkled", source="model M10")
    yield line("what it will lose today", "e", loses, "mm", "Kr (1.15 - 0.15) ET0", f"min(1, ({tew:.3f} - {de:.3f}) / ({tew:.3f} - {rew:.3f})) x (1.15 - 0.15) x {et0:.3f}", "FAO-56 eq 74, bare ground; today's ET0")
    yield line("most it may lack", "c", most, "mm", f"{rule[0]}: seed {depth * 1000:.0f} mm deep", rule[1], OWN)
    verdict = "wants water" if de + loses > most else "stays moist today"
    yield line(f"De_i + e against c: {verdict}", "", None, "", "", f"{de:.3f} + {loses:.3f} against {most:.3f}", "model M10")
    if need.sprinkle_mm[z] > 0:
        yield line("to sprinkle over the seed rows", "", float(need.sprinkle_mm[z]), "mm", "De_i: the tape wets nothing on top (b = 0)", source="model M10")
    if need.least_minutes[z] > 0:
        yield line("least minutes of a seedbed's run", "surface_run", float(need.least_minutes[z]), "min", "until the soil over the seed is dark", source="garden.yaml surface_run" if zone.surface_run_minutes is not None else f"{zone.soil.texture_group} soil: {OWN}")
    if need.waterings[z] > 0:
        yield line("waterings of the seedbed", "", float(need.waterings[z]), "", "e / c, rounded up", f"{loses:.3f} / {most:.3f}", "model M10")


def _not_up(spot: ZoneDay, record: Stored) -> Line:
    planting, wants = spot.planting, spot.crop.emergence
    what = "sown, not up yet"
    if planting.emerged is not None:
        return line(what, "", float(spot.number), "d", "until the day noted as emerged", f"{planting.emerged}", "rowwater note emerged")
    if wants is None or record.index(planting.planted) < 0:
        return line(what, "", float(spot.number), "d", f"{SEEDBED_DAYS} days: no warmth to go by", source=OWN)
    so_far = float(warmth_since(record, planting, wants)[spot.number - 1])
    return line(
        what, "", so_far, "degC d", f"sum of max(0, Tmean - base) through yesterday, until {EMERGENCE_MARGIN:g} x the crop's sum, at most {MOST_SEEDBED_DAYS} d",
        f"base {wants.base_c:g} degC, {EMERGENCE_MARGIN:g} x {wants.sum_c:g} = {EMERGENCE_MARGIN * wants.sum_c:g}", "model M10",
    )


def _planting_day(spot: ZoneDay, plan: Plan) -> Iterator[Line]:
    need, z, pw = plan.need, spot.z, spot.stand.wetted
    now, de = float(need.deficit_now[z]), float(need.surface[z])
    if np.isfinite(de):
        yield line("planting day: least net depth", "net", float(need.least_net[z]), "mm", "max(Dr, Pw De_i), whatever the trigger", f"max({now:.3f}, {pw:.4f} x {de:.3f})", "model M10")
    else:
        yield line("planting day: least net depth", "net", float(need.least_net[z]), "mm", "Dr, whatever the trigger", f"{now:.3f}", "model M10")


def _settling(spot: ZoneDay, plan: Plan, settle: Settle, by: str) -> Iterator[Line]:
    group, rows, flow = spot.zone.soil.texture_group, spot.planting.rows, spot.stand.delivery.flow_lpm
    every = settle.every_days or SETTLE_EVERY_DAYS[group]
    formula = f"every {every} d within {settle.days} d; not the day after {SETTLE_SKIPPED_BY_RAIN_MM:g} mm of rain or more"
    numbers = f"{rows.count} x {rows.length_m:.3f} / {flow:.3f} + {spot.zone.fill_time_minutes:.1f}, rounded up"
    if settle.run_minutes is not None:
        numbers = f"{settle.run_minutes:g}"
    settles = plan.live.terms.settle
    least = 0.0 if settles is None else float(settles[spot.d, spot.z])
    yield line(f"settling in ({by}): least minutes", "", float(np.ceil(least)), "min", formula, numbers if least else f"none on day {spot.number}", "1 L for each metre of row: common practice, no source" if settle.run_minutes is None else "garden.yaml settle")


def _drying(spot: ZoneDay) -> Iterator[Line]:
    rule, begins = drying_rule(spot.planting), dry_from(spot.stand)
    if begins is None or (rule is None and spot.planting.dry_from is None):
        return
    planting, days = spot.planting, 0 if rule is None else rule.days
    if planting.dry_from is not None and begins == planting.dry_from:
        how = "noted: rowwater note dry-off"
    elif planting.harvest is not None:
        how = f"{days} days before the harvest of {planting.harvest}"
    else:
        how = f"late season with less than {days} days of the table left; give harvest in garden.yaml"
    what = "no water" if rule is None or rule.refill_at is None else f"due from {rule.refill_at:g} RAW on"
    yield line(f"drying off, {what}: {'since' if begins <= spot.day else 'from'} {begins}", "", None, "", how, f"until {begins + timedelta(days=days)} or pulled" if days else "until pulled", "from memory, see the crop table")


def _shelter(spot: ZoneDay) -> Iterator[Line]:
    shelter = spot.planting.shelter
    if shelter is None or (shelter.until is not None and spot.day >= shelter.until):
        return
    until = "" if shelter.until is None else f", until {shelter.until}"
    rain = ", no rain" if shelter.keeps_rain_out else ""
    yield line(f"under {shelter.kind}", "", spot.et0, "mm/d", f"ET0 x factor{rain}{until}", f"factor {shelter.et0_factor:g}", OWN)
