"""The daily job with its doors: sources asked, plan made, files published."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

from scheduler.cli import common
from scheduler.daily import plan_day
from scheduler.model import Fetched, Garden, Planting, Run, Zone
from scheduler.pages.runs import run_of
from scheduler.publish import schedule_ics, write_schedule_ics, write_schedule_json, write_today
from scheduler.show import show_volume

if TYPE_CHECKING:
    from scheduler.store.store import Store

CALENDAR_DAYS = 14
YEARS_OF_FILES = 5
"""How far back a station's file is read once, on the first day."""


def run_day(garden: Garden, day: date, *, now: datetime) -> dict[str, Any]:
    """Ask the sources, plan, publish; the page that was published."""
    from scheduler.weather.sources import collect

    with common.store(now) as store:
        new = store.weather_span() is None
        plan = plan_day(
            garden,
            day,
            now=now,
            store=store,
            collect=lambda since: collect(
                garden,
                since,
                day,
                now,
                years_of_files=new * YEARS_OF_FILES,
                stored=store.weather(since, day),
                data_folder=common.data_folder(),
            ),  # fmt: skip
            make_planting=_make_planting,
        )
        page = dict(plan.page)
        publish(garden, store, page, common.data_folder())
    return page


def replan(
    garden: Garden, store: Store, day: date, *, now: datetime, before: Mapping[str, Any]
) -> dict[str, Any]:
    """Plan again from the facts on record, without asking any source (after a note of the grower)."""
    said = before.get("sources", {})
    credit = ", ".join(said.get("credits", ())) or None
    answer = Fetched((), tuple(said.get("notices", ())), credit)
    plan = plan_day(
        garden,
        day,
        now=now,
        store=store,
        collect=lambda _: ([answer], list(said.get("failures", ()))),
        make_planting=_make_planting,
    )
    page = dict(plan.page)
    publish(garden, store, page, common.data_folder())
    return page


def _make_planting(zone: Zone, crop: str, planted: date) -> Planting:
    from scheduler.gardenfile import planting_from_note

    return planting_from_note(common.config_path(), zone, crop, planted)


def publish(garden: Garden, store: Store, page: Mapping[str, Any], folder: Path) -> None:
    """schedule.json, schedule.ics and today.json, each replaced whole."""
    day = date.fromisoformat(page["date"])
    plans = store.plans(day - timedelta(days=CALENDAR_DAYS), day)
    runs = [run for plan in plans for run in (page["runs"] if plan.day == day else plan.page["runs"])]
    write_schedule_json(
        folder, {key: page[key] for key in ("date", "made_at", "window", "runs", "unmet", "notices")}
    )
    calendar = schedule_ics(
        map(run_of, runs),
        garden_name=garden.name,
        timezone=garden.location.timezone,
        made_at=datetime.fromisoformat(page["made_at"]),
        describe=lambda run: _calendar_text(garden, run),
        by_hand={zone.name for zone in garden.zones if zone.valve.driver == "by_hand"},
    )
    write_schedule_ics(folder, calendar)
    write_today(folder, page)


def _calendar_text(garden: Garden, run: Run) -> str:
    return f"{show_volume(run.liters, garden.display)}; afterwards: rowwater note applied --as-planned"
