"""The week ahead: each zone's expected deficit with its doubt, water and rain."""

from __future__ import annotations

from scheduler.drawings.root_zone import ZoneDays, root_zones
from scheduler.shapes.week import WeekPage


def week(name: str, page: WeekPage) -> str:
    """SVG of every zone in which a crop stands."""
    zones = dict.fromkeys(day["zone"] for day in page["days"])
    return root_zones(
        name,
        f"{page['garden']}: the week as planned {page['made_at'][:16].replace('T', ' ')}",
        {zone: ZoneDays((), [day for day in page["days"] if day["zone"] == zone]) for zone in zones},
        page["display"],
    )
