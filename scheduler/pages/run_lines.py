"""From net depth to minutes, as lines of the working (model M7)."""

from __future__ import annotations

from scheduler.core.balance.salt import leaching_requirement
from scheduler.core.hydraulics.results import ZoneHydraulics
from scheduler.model import Garden
from scheduler.pages.lines import line
from scheduler.planning.facts import Facts
from scheduler.planning.plan import Plan
from scheduler.shapes.working import Line
from scheduler.show import words

# Tables of formulas: a line each reads best.
# fmt: off


def run_lines(garden: Garden, facts: Facts, plan: Plan, z: int) -> list[Line]:
    """From what is missing to the runs of today, and what is left over."""
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
    ]
    if stand.leaching:
        ec, threshold = garden.supply.ec_ds_m or 0.0, crop.ec_threshold_ds_m or 0.0
        lines.insert(2, line("leaching requirement", "LR", leaching_requirement(ec, crop), "", "ECw / (5 ECe - ECw)", f"{ec:.2f} / (5 x {threshold:.2f} - {ec:.2f})", "FAO-29 (Ayers and Westcot 1985) eq 9"))
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
    ]


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
