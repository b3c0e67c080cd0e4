"""A simulated season: each root zone, rain and water."""

from __future__ import annotations

from scheduler.drawings.root_zone import ZoneDays, root_zones
from scheduler.shapes.base import Display
from scheduler.shapes.report import CurveDay
from scheduler.shapes.season import SeasonDay, SeasonPage


def season(name: str, page: SeasonPage, display: Display) -> str:
    """SVG of every zone in which a crop stood."""
    zones = {
        zone: ZoneDays([_curve(day) for day in page["days"] if day["zone"] == zone]) for zone in page["zones"]
    }
    title = f"{page['garden']}: the season simulated, {page['from']} to {page['to']}"
    return root_zones(name, title, zones, display)


def _curve(day: SeasonDay) -> CurveDay:
    """A simulated day is sure of itself."""
    return {
        "date": day["date"],
        "deficit_mm": day["deficit_start_mm"],
        "deficit_sd_mm": 0.0,
        "trigger_mm": day["trigger_mm"],
        "raw_mm": day["raw_mm"],
        "taw_mm": day["taw_mm"],
        "rain_mm": day["rain_mm"],
        "net_mm": day["net_mm"],
        "ks": day["ks"],
    }
