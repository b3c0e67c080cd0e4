"""The report: what a season's water did, from the store, its plans and the same balance as every morning."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import datetime

from scheduler.model import WaterPrice
from scheduler.pages.report_advice import advice
from scheduler.pages.report_record import done, skill, zone_report
from scheduler.pages.report_soil import curve, month_weather
from scheduler.pages.report_water import flow_months, meter_total, month_lines, water_of
from scheduler.pages.rounding import rounded
from scheduler.planning.season_past import Past
from scheduler.planning.timer import TIMER
from scheduler.shapes.report import Cost, ReportPage, ZoneReport
from scheduler.store.store import Store


def report_page(past: Past, store: Store, *, now: datetime) -> ReportPage:
    """Every amount SI, its unit in the name."""
    garden, water, flow = past.garden, water_of(past), flow_months(past)
    zones = {zone.name: zone_report(past, water, z) for z, zone in enumerate(past.zones)}
    page: ReportPage = {
        "garden": garden.name,
        "display": garden.display,
        "timezone": garden.location.timezone,
        "made_at": now.isoformat(timespec="seconds"),
        "from": past.first.isoformat(),
        "to": past.last.isoformat(),
        "timer": TIMER,
        "months": month_lines(water),
        "zones": zones,
        "curves": {zone.name: curve(past, z) for z, zone in enumerate(past.zones)},
        "weather": list(month_weather(past)),
        "flow": flow,
        "skill": skill(past, store),
        "done": list(done(past)),
        "advice": advice(past, zones, flow),
        "remarks": [],
    }
    page["remarks"] = list(_remarks(past, page))
    if flow:
        page["meter"] = meter_total(flow, sum(water.given.values()))
    if garden.supply.water_price is not None:
        page["cost"] = _cost(garden.supply.water_price, zones)
    return page


def _cost(price: WaterPrice, zones: Mapping[str, ZoneReport]) -> Cost:
    def of(liters: float) -> float:
        return rounded(liters * price.per_l, 2)

    return {
        "per_l": price.per_l,
        "currency": price.currency,
        "given": of(sum(zone["given_l"] for zone in zones.values())),
        "timer": of(sum(zone["timer_l"] for zone in zones.values())),
    }


def _remarks(past: Past, page: ReportPage) -> Iterator[str]:
    """What is not known, so that no figure says more than it can."""
    days, planned = len(past.days), len(past.plans)
    if planned < days:
        yield (
            f"plans are on record for {planned} of {days} days: on the others nothing is known of what the "
            "supply kept back"
        )
    open_runs = sum(zone["unanswered"] for zone in page["zones"].values())
    if open_runs:
        yield f"{open_runs} planned runs were never answered: their water counts as not given"
    if not page["flow"]:
        yield "no meter told the water of a run: whether rows give less than they did is not known"
    if not any(month["years"] for month in page["weather"]):
        yield "no earlier year is on record to hold this one's rain and ET0 against"
