"""From net depth to minutes, as lines of the working (model M7)."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from scheduler.core.balance.pulses import most_of_one_pulse, pulse_rest, pulses_of_run
from scheduler.core.hydraulics.results import ZoneHydraulics
from scheduler.pages.lines import line
from scheduler.pages.zone_day import ZoneDay
from scheduler.planning.facts import Facts
from scheduler.planning.given import given_today
from scheduler.planning.plan import Plan
from scheduler.shapes.working import Line
from scheduler.show import words

# Tables of formulas: a line each reads best.
# fmt: off


def run_lines(spot: ZoneDay, facts: Facts, plan: Plan) -> list[Line]:
    """From what is missing to the runs of today, and what is left over."""
    need, z, zone, given = plan.need, spot.z, spot.zone, spot.stand.delivery
    rows, wanted, leaching = spot.planting.rows, float(need.minutes[z]), float(need.leaching[z])
    net = _net(spot, plan)
    gross = net / given.uniformity / (1 - leaching)
    runs = [run for run in plan.schedule.runs if run.zone == zone.name]
    least = float(need.least_minutes[z])
    asked, at_least = (f", at least {least:.0f}", f" (at least {least:.0f})") if least > 0 else ("", "")
    lines = [
        _net_line(spot, plan, net),
        line("emission uniformity", "EU", given.uniformity, "", source=given.uniformity_by),
        line("gross depth", "gross", gross, "mm", "net / EU" + (" / (1 - LR)" if leaching else ""), f"{net:.3f} / {given.uniformity:.3f}" + (f" / (1 - {leaching:.3f})" if leaching else ""), "model M7"),
        line("planted area", "A", rows.area_m2, "m2", "rows x length x spacing", f"{rows.count} x {rows.length_m:.3f} x {rows.spacing_m:.3f}"),
        line("zone flow", "Q", given.flow_lpm, "L/min", "", "", given.flow_by),
        line("minutes", "t", wanted, "min", f"gross A / Q + fill_time, rounded half up{asked}", f"{gross:.3f} x {rows.area_m2:.2f} / {given.flow_lpm:.3f} + {zone.fill_time_minutes:.1f}" + at_least + _limits(facts, plan, z), "model M7"),
        *_hydraulic_lines(given.hydraulics, zone.tape.variation),
        *_pulse_lines(spot, plan),
        line("planned today", "", sum(run.minutes for run in runs), "min", "", "; ".join(f"{r.start:%H:%M}-{r.stop:%H:%M}" for r in runs)),
    ]
    lines += [
        line(f"left over: {words(unmet.why, unmet.numbers, 'metric')}", "", unmet.net_mm, "mm net")
        for unmet in plan.schedule.unmet
        if unmet.zone == zone.name
    ]
    return lines


def _net(spot: ZoneDay, plan: Plan) -> float:
    need, z = plan.need, spot.z
    own = float(need.deficit_now[z]) - spot.zone.leave_room_mm if need.due[z] and not need.waits[z] else 0.0
    return max(own, float(need.least_net[z]), 0.0)


def _net_line(spot: ZoneDay, plan: Plan, net: float) -> Line:
    now, least = float(plan.need.deficit_now[spot.z]), float(plan.need.least_net[spot.z])
    formula, numbers = "Dr - leave_room", f"{now:.3f} - {spot.zone.leave_room_mm:.2f}"
    if net == 0:
        numbers = f"{numbers}; nothing is to be given"
    elif least > 0:
        formula, numbers = f"{formula} where due, at least what planting day or seedbed want", f"{numbers}; {least:.3f}"
    return line("net depth", "net", net, "mm", formula, numbers, "model M6, M10" if least > 0 else "model M6")


def _pulse_lines(spot: ZoneDay, plan: Plan) -> Iterator[Line]:
    """Most water of one pulse, and how many a run of the zone's own minutes makes."""
    need, z, zone, terms = plan.need, spot.z, spot.zone, spot.live.terms
    minutes, depth = float(need.minutes[z]), spot.flat(terms.flat.root_depth)
    if not minutes > 0:
        return
    soil, wetted = zone.soil, spot.stand.wetted
    most = float(most_of_one_pulse(soil, depth, wetted))
    yield line("most water of one pulse", "", most, "mm net", "1000 x 0.5 (FC - WP) min(Zr, 0.30) Pw", f"1000 x 0.5 x ({soil.theta_fc:.4f} - {soil.theta_wp:.4f}) x min({depth:.4f}, 0.30) x {wetted:.4f}", "model M7 (own choice)")
    etc, raw = float(terms.etc[spot.d, z]), float(terms.raw[spot.d, z])
    least = max(math.ceil(etc / raw - 1e-12), float(need.waterings[z]))
    longest = zone.longest_pulse_minutes
    count = pulses_of_run(
        need.net[z], most=np.array(most), minutes=need.minutes[z], least=least,
        longest=np.array(np.inf if longest is None else longest),
    )
    formula = "net / most, at least ETc / RAW and the waterings of a seedbed, rounded up; at most 6 and minutes / 5"
    numbers = f"{float(need.net[z]):.3f} / {most:.3f}; {etc:.3f} / {raw:.3f}; {float(need.waterings[z]):.0f}"
    if longest is not None:
        formula, numbers = "minutes / longest_pulse, rounded up", f"{minutes:.0f} / {longest:.0f}"
    yield line("pulses", "n", float(count), "", formula, numbers, f"model M7; rest {pulse_rest(zone):.0f} min between two")


def _hydraulic_lines(solved: ZoneHydraulics | None, variation: float) -> list[Line]:
    if solved is None:
        return []
    return [
        line("pressure held at the inlet", "P", solved.inlet_kpa, "kPa", source="supply.pressure"),
        line("lowest pressure at an emitter", "", solved.lowest_kpa, "kPa", "marched from the far end, Darcy-Weisbach between emitters", f"{solved.emitters} emitters", "Swamee-Jain 1976; EPANET 2.2 manual"),
        line("emitter flow, lowest", "q_min", solved.emitter_min_lph, "L/h", "q = k P^x"),
        line("emitter flow, mean", "q_mean", solved.emitter_mean_lph, "L/h"),
        line("uniformity worked out", "EU", solved.uniformity, "", "(1 - 1.27 Cv) q_min / q_mean", f"(1 - 1.27 x {variation:.3f}) x {solved.emitter_min_lph:.4f} / {solved.emitter_mean_lph:.4f}", "Keller and Karmeli 1974"),
    ]


def _limits(facts: Facts, plan: Plan, z: int) -> str:
    zone = facts.zones[z]
    said = [f"shortest {zone.shortest_run_minutes:.0f}"]
    valve = [k for k, other in enumerate(facts.zones) if other.valve.key == zone.valve.key]
    if zone.longest_run_minutes is not None:
        had = float(given_today(facts, plan.live).minutes[valve].max())
        said.append(f"longest {zone.longest_run_minutes:.0f}" + (f" less the {had:.1f} of today" if had else ""))
    mates = [facts.zones[k].name for k in valve if k != z]
    if mates:
        said.append(f"one valve with {', '.join(mates)}: the longest of their minutes")
    return f" ({'; '.join(said)})"
