"""What `rowwater check` says of a garden that reads well: flows, areas, what the supply can feed (M8)."""

from __future__ import annotations

from datetime import date
from typing import Any

from scheduler.core.terms import stands
from scheduler.model import Garden


def check_page(garden: Garden, today: date) -> dict[str, Any]:
    """SI.  A zone is judged by the planting that stands today, else by its next one, else by its last."""
    usable = garden.supply.usable_lpm
    zones: dict[str, Any] = {}
    problems: list[dict[str, str]] = []
    for zone in garden.zones:
        ahead = [p.planted for p in zone.plantings if p.planted >= today]
        dates = [today, *ahead[:1], *[p.planted for p in zone.plantings[-1:]]]
        found = (stands([zone], day, 1, garden.location, garden.supply) for day in dates)
        stand = next((s[0] for s in found if s), None)
        if stand is None:
            continue
        flow, rows = stand.delivery.flow_lpm, stand.planting.rows
        fits = flow <= usable + 1e-9
        zones[zone.name] = {
            "crop": stand.planting.crop.name,
            "tape_m": round(rows.tape_m, 4),
            "planted_m2": round(rows.area_m2, 4),
            "flow_lpm": round(flow, 4),
            "fits_supply": fits,
            "uniformity": stand.delivery.uniformity,
        }
        if not fits:
            text = f"needs {flow:.1f} L/min and the supply can feed {usable:.1f} L/min"
            mend = "split it over two valves, or shorten its rows"
            problems.append({"zone": zone.name, "text": text, "mend": mend})
    return {
        "supply_lpm": round(garden.supply.flow_lpm, 4),
        "usable_lpm": round(usable, 4),
        "longest_tape_m": {
            name: round(usable / tape.flow_lpm_per_m, 4) for name, tape in garden.tapes.items()
        },
        "zones": zones,
        "problems": problems,
        "notices": list(garden.notices),
    }
