"""What `rowwater check` says of a garden that reads well: pressures, flows, sections, problems."""

from __future__ import annotations

import math
from typing import Any

from scheduler.core.system.check import GardenCheck, ZoneCheck
from scheduler.model import Garden

CAUTIONS = {
    "drinking water": (
        "A hose on the soil can draw dirt back into the house supply when pressure drops: most places "
        "require a backflow preventer, stricter ones with fertilizer. Ask your supplier; local codes come "
        "first."
    ),
    "pressure": (
        "Keep filter, regulator and pressure inside the tape's rating; a pump must never run dry or against "
        "a closed line."
    ),
    "mains": (
        "Use normally closed, low-voltage valves from a listed, isolated supply, with ground-fault "
        "protection; mains work is for a licensed electrician. Watch the first full run of every zone."
    ),
}


def check_page(garden: Garden, check: GardenCheck) -> dict[str, Any]:
    """SI. Figures that nothing tells (no diameter, no climate) are null, not zero."""
    supply = garden.supply
    return {
        "supply_lpm": _r(supply.flow_lpm),
        "usable_lpm": _r(supply.usable_lpm),
        "longest_tape_m": {
            name: _r(supply.usable_lpm / tape.flow_lpm_per_m) for name, tape in garden.tapes.items()
        },
        "zones": {zone.zone.name: _zone(zone) for zone in check.zones},
        "sections": [list(group) for group in check.sections.groups],
        "section_flows_lpm": [_r(flow) for flow in check.sections.flows_lpm],
        "sections_proven_fewest": check.sections.exact or check.sections.gap == 0,
        "hottest_week_minutes": _r(check.morning_minutes),
        "hours_minutes": _r(check.hours_minutes),
        "problems": [
            {"zone": problem.zone, "text": problem.text, "mend": problem.mend, "level": problem.level}
            for problem in check.problems
        ],
        "cautions": _cautions(garden, check),
        "notices": list(garden.notices),
    }


def _zone(check: ZoneCheck) -> dict[str, Any]:
    stand, solved = check.stand, check.stand.delivery.hydraulics
    rows = stand.planting.rows
    page: dict[str, Any] = {
        "crop": stand.planting.crop.name,
        "tape_m": _r(rows.tape_m),
        "planted_m2": _r(rows.area_m2),
        "flow_lpm": _r(stand.delivery.flow_lpm),
        "flow_by": stand.delivery.flow_by,
        "fits_supply": check.fits_supply,
        "uniformity": _r(stand.delivery.uniformity),
        "uniformity_by": stand.delivery.uniformity_by,
        "peak_minutes": _r(check.peak_minutes),
    }
    if solved is None:
        return (
            page | dict.fromkeys(("flow_variation", "inlet_kpa", "lowest_kpa", "highest_kpa")) | {"rows": []}
        )
    return page | {
        "flow_variation": _r(solved.flow_variation),
        "flow_variation_class": solved.flow_variation_class,
        "inlet_kpa": _r(solved.inlet_kpa),
        "lowest_kpa": _r(solved.lowest_kpa),
        "highest_kpa": _r(solved.highest_kpa),
        "rows": [
            {
                "row": row.row,
                "tape_m": _r(row.tape_m),
                "inlet_kpa": _r(row.inlet_kpa),
                "far_kpa": _r(row.far_kpa),
                "lowest_kpa": _r(row.lowest_kpa),
                "flow_lpm": _r(row.flow_lpm),
                "emitter_min_lph": _r(row.emitter_min_lph),
                "emitter_max_lph": _r(row.emitter_max_lph),
            }
            for row in solved.rows
        ],
    }


def _cautions(garden: Garden, check: GardenCheck) -> list[str]:
    """Those that bear on this garden."""
    bear = ["drinking water"]
    if any("pressure" in problem.text for problem in check.problems):
        bear.append("pressure")
    if any(zone.valve.driver != "by_hand" for zone in garden.zones):
        bear.append("mains")
    return [CAUTIONS[name] for name in bear]


def _r(value: float) -> float | None:
    return round(float(value), 4) if math.isfinite(value) else None
