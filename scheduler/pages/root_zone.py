"""One zone's root zone: its season up to last night, as the report has it, and the week ahead as planned."""

from __future__ import annotations

from datetime import date, timedelta

from scheduler.model import Garden, StoredPlan
from scheduler.pages.report_soil import curve
from scheduler.planning.notes import MakePlanting
from scheduler.planning.season_past import past
from scheduler.shapes.root_zone import Morning, RootZone
from scheduler.store.store import Store


def root_zone_days(
    garden: Garden, store: Store, plan: StoredPlan, zone: str, make_planting: MakePlanting | None
) -> RootZone:
    """From 1 January of the plan's year, or the first day on record, to the evening before the plan.

    No days of a zone that stands in the plan, but no longer in garden.yaml.
    """
    week = store.working(plan).get("week")
    ahead = [day for day in week["days"] if day["zone"] == zone] if week else []
    found: RootZone = {"zone": zone, "days": [], "ahead": ahead, "morning": _morning(plan, zone)}
    last, begin = plan.day - timedelta(days=1), store.first_day
    if begin is None or begin > last or zone not in [one.name for one in garden.zones]:
        return found
    season = past(garden, store, max(begin, date(last.year, 1, 1)), last, make_planting)
    found["days"] = curve(season, [one.name for one in season.zones].index(zone))
    return found


def _morning(plan: StoredPlan, zone: str) -> Morning | None:
    line = next((line for line in plan.page["zones"] if line["zone"] == zone), None)
    if line is None or "crop" not in line:
        return None
    return {
        "date": plan.day.isoformat(),
        "deficit_mm": line["deficit_start_mm"],
        "deficit_sd_mm": line["deficit_sd_mm"],
        "raw_mm": line["raw_mm"],
        "trigger_mm": line.get("trigger_mm"),
    }
