"""What `rowwater check` says of a garden that reads well: pressures, flows, sections, problems."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Set
from datetime import timedelta

from scheduler.core.balance.et import ReferenceET
from scheduler.core.hydraulics.results import RowHydraulics, ZoneHydraulics
from scheduler.core.system.check import (
    GardenCheck,
    ProblemKind,
    ZoneCheck,
    hottest_week,
    hottest_week_start,
)
from scheduler.core.system.summer import has_summer
from scheduler.core.system.tape_place import PlantingWater, Savings, Variant, season_of
from scheduler.model import Garden
from scheduler.pages.rounding import known, rounded
from scheduler.shapes.check import (
    CheckPage,
    HottestWeek,
    RowLine,
    Saving,
    SeasonWater,
    ZoneFlow,
    ZonePressure,
    ZoneTape,
)
from scheduler.show import words

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
ABOUT_PRESSURE: Set[ProblemKind] = {
    "regulator", "supply", "dry emitters", "pressure limit", "no steady state", "friction", "tape",
}  # fmt: skip


def check_page(
    garden: Garden,
    check: GardenCheck,
    et: ReferenceET | None = None,
    saved: Mapping[str, Savings] | None = None,
) -> CheckPage:
    """SI; `et`: the climate that the check was made with; `saved`: by zone, of those whose season is known.

    Figures that nothing tells (no diameter, no climate) are null, not zero."""
    supply, saved = garden.supply, saved or {}
    return {
        "supply_lpm": rounded(supply.flow_lpm),
        "usable_lpm": rounded(supply.usable_lpm),
        "longest_tape_m": {
            name: rounded(supply.usable_lpm / tape.flow_lpm_per_m) for name, tape in garden.tapes.items()
        },
        "zones": {zone.zone.name: _zone(zone, saved.get(zone.zone.name)) for zone in check.zones},
        "sections": [list(group) for group in check.sections.groups],
        "section_flows_lpm": [rounded(flow) for flow in check.sections.flows_lpm],
        "sections_proven_fewest": check.sections.exact or check.sections.gap == 0,
        "hottest_week": None if et is None else _hottest_week(garden, et),
        "hottest_week_minutes": known(check.morning_minutes),
        "hours_minutes": known(check.hours_minutes),
        "problems": [
            {
                "zone": problem.zone,
                "text": words(problem.text, problem.numbers, garden.display),
                "mend": words(problem.mend, problem.mend_numbers, garden.display),
                "level": problem.level,
            }
            for problem in check.problems
        ],
        "cautions": _cautions(garden, check),
        "notices": [*garden.notices, *_stand_ins(check), *_weather_wanted(check, saved)],
    }


def _hottest_week(garden: Garden, et: ReferenceET) -> HottestWeek | None:
    start = hottest_week_start(et.et0_mm)
    if start is None:
        return None
    first = et.first + timedelta(days=start)
    days = (et.first + timedelta(days=k) for k, mm in enumerate(et.et0_mm.tolist()) if math.isfinite(mm))
    return {
        "first": first.isoformat(),
        "last": (first + timedelta(days=6)).isoformat(),
        "et0_mm": rounded(hottest_week(et.et0_mm)),
        "summer_on_record": has_summer(days, garden.location.latitude_deg),
    }


def _stand_ins(check: GardenCheck) -> list[str]:
    """Of crops without figures of their own, once each."""
    crops = {zone.stand.planting.crop.name: zone.stand.planting.crop for zone in check.zones}
    return [
        f"{crop.name} has no figures of its own: those of {crop.like} stand in"
        for crop in crops.values()
        if crop.like
    ]


def _weather_wanted(check: GardenCheck, saved: Mapping[str, Savings]) -> Iterator[str]:
    """What it takes to say what other places of the tape would save."""
    seasons = [season_of(zone.stand.planting) for zone in check.zones if zone.zone.name not in saved]
    if seasons:
        first, last = min(s.first for s in seasons), max(s.last for s in seasons)
        yield (
            "what deeper tape or straw would save is worked out on a year of weather from "
            f"{first.day} {first:%b} to {last.day} {last:%b}: --weather FILE"
        )


def _zone(check: ZoneCheck, saved: Savings | None) -> ZoneFlow:
    stand, rows = check.stand, check.stand.planting.rows
    return {
        "crop": stand.planting.crop.name,
        "tape_m": rounded(rows.tape_m),
        "planted_m2": rounded(rows.area_m2),
        "flow_lpm": rounded(stand.delivery.flow_lpm),
        "flow_by": stand.delivery.flow_by,
        "fits_supply": check.fits_supply,
        "uniformity": rounded(stand.delivery.uniformity),
        "uniformity_by": stand.delivery.uniformity_by,
        "peak_minutes": known(check.peak_minutes),
        **_tape(check, saved),
        **_pressure(stand.delivery.hydraulics),
    }


def _tape(check: ZoneCheck, saved: Savings | None) -> ZoneTape:
    place, travel = check.place, check.feed_travel_minutes
    return {
        "tape_depth_m": rounded(place.depth_m),
        "wet_band_m": rounded(place.wet_band_m),
        "wet_band_seen": place.seen,
        "wets_seed": place.wets_seed,
        "event_net_mm": rounded(place.event_mm),
        "event_minutes": place.event_minutes,
        "feed_travel_minutes": None if travel is None else rounded(travel),
        "season_water": None if saved is None else _season_water(saved.water),
        "savings": [] if saved is None else [_saving(saved.water, one) for one in saved.variants],
    }


def _season_water(water: PlantingWater) -> SeasonWater:
    return {
        "first": water.first.isoformat(),
        "last": water.last.isoformat(),
        "liters": rounded(water.liters),
        "net_mm": rounded(water.net_mm),
        "evaporation_mm": rounded(water.evaporation_mm),
        "sprinkle_days": water.sprinkle_days,
    }


def _saving(here: PlantingWater, other: Variant) -> Saving:
    return {
        "tape_depth_m": rounded(other.depth_m),
        "mulch": "straw" if other.straw else None,
        "liters": rounded(here.liters - other.water.liters),
        "net_mm": rounded(here.net_mm - other.water.net_mm),
        "sprinkle_days": other.water.sprinkle_days,
    }


def _pressure(solved: ZoneHydraulics | None) -> ZonePressure:
    if solved is None:
        return {
            "flow_variation": None,
            "inlet_kpa": None,
            "lowest_kpa": None,
            "highest_kpa": None,
            "rows": [],
        }
    return {
        "flow_variation": known(solved.flow_variation),
        "flow_variation_class": solved.flow_variation_class,
        "inlet_kpa": known(solved.inlet_kpa),
        "lowest_kpa": known(solved.lowest_kpa),
        "highest_kpa": known(solved.highest_kpa),
        "rows": [_row(row) for row in solved.rows],
    }


def _row(row: RowHydraulics) -> RowLine:
    return {
        "row": row.row,
        "tape_m": rounded(row.tape_m),
        "inlet_kpa": known(row.inlet_kpa),
        "far_kpa": known(row.far_kpa),
        "lowest_kpa": known(row.lowest_kpa),
        "along_kpa": [rounded(kpa) for kpa in row.along_kpa] if math.isfinite(sum(row.along_kpa)) else [],
        "flow_lpm": known(row.flow_lpm),
        "emitter_min_lph": known(row.emitter_min_lph),
        "emitter_max_lph": known(row.emitter_max_lph),
    }


def _cautions(garden: Garden, check: GardenCheck) -> list[str]:
    """Those that bear on this garden."""
    bear = ["drinking water"]
    if any(problem.kind in ABOUT_PRESSURE for problem in check.problems):
        bear.append("pressure")
    if any(zone.valve.driver != "by_hand" for zone in garden.zones):
        bear.append("mains")
    return [CAUTIONS[name] for name in bear]
