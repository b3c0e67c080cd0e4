"""The working behind one zone's minutes, so that a person can redo it by hand.

Each line: what it is, its symbol, the formula in symbols, the same with numbers, the result, its unit, and
the source.  Equation numbers are those of FAO-56 unless another source is named.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta

from scheduler.core.balance.stored import Stored
from scheduler.model import Garden, Zone
from scheduler.pages.balance_lines import balance_lines, crop_lines, morning_lines
from scheduler.pages.basal_lines import Climate, climate_of
from scheduler.pages.feeding import feed_lines
from scheduler.pages.lines import line
from scheduler.pages.plain import plain_lines
from scheduler.pages.rounding import rounded
from scheduler.pages.run_lines import run_lines
from scheduler.pages.salt_lines import salt_lines
from scheduler.pages.stage_lines import stage_lines
from scheduler.pages.start_lines import start_lines
from scheduler.pages.surface_lines import SurfaceDay, surface_lines
from scheduler.pages.uncertainty_lines import uncertainty_lines
from scheduler.pages.weather_lines import et_lines, weather_lines
from scheduler.pages.week_lines import week_lines
from scheduler.pages.zone_day import ZoneDay
from scheduler.planning.facts import Facts
from scheduler.planning.plan import Plan
from scheduler.shapes.working import BalanceDay, DayWorking, Line

HISTORY_DAYS = 7


def day_working(garden: Garden, facts: Facts, plan: Plan) -> DayWorking:
    """What all zones share, then per zone: sections of lines, and the balance of the last days."""
    yesterday = facts.day - timedelta(days=1)
    record = plan.live.record
    return {
        "date": facts.day.isoformat(),
        "shared": [
            {"title": f"Weather of {yesterday}", "lines": weather_lines(facts, yesterday)},
            {"title": f"Reference ET of {yesterday}", "lines": et_lines(garden, plan.live, yesterday)},
        ],
        "zones": {
            zone.name: {
                "plain": plain_lines(garden, facts, plan, z),
                "sections": [
                    {"title": title, "lines": lines}
                    for title, lines in _sections(garden, facts, plan, z, record)
                ],
                "history": _history(plan, zone, z),
            }
            for z, zone in enumerate(facts.zones)
        },
    }


def _sections(
    garden: Garden, facts: Facts, plan: Plan, z: int, record: Stored
) -> Iterator[tuple[str, list[Line]]]:
    live, zone = plan.live, facts.zones[z]
    today = f"This morning, {facts.day}"
    if live.today > 0 and live.terms.stand[live.today - 1, z] >= 0:
        yield from _yesterday(garden, facts, ZoneDay(live, zone, z, live.today - 1), record)
    if live.terms.stand[live.today, z] < 0:
        yield today, [line("no planting stands: no water")]
        return
    spot = ZoneDay(live, zone, z, live.today)
    if _stages_told(spot):
        yield "The crop's stages", list(stage_lines(spot, record, garden.location))
    yield today, morning_lines(spot, facts, plan, _climate(garden, spot, record))
    for title, lines in (
        ("Sown, set out or drying off", start_lines(spot, plan, record)),
        ("Salt", salt_lines(spot, plan)),
    ):
        if told := list(lines):
            yield title, told
    yield "How sure the deficit is", list(uncertainty_lines(facts, plan, z))
    yield "From net depth to minutes", run_lines(spot, facts, plan)
    if fed := list(feed_lines(garden, facts, plan, spot)):
        yield "Feeding through the tape", fed
    yield "The week's plan", week_lines(plan, z)


def _yesterday(
    garden: Garden, facts: Facts, spot: ZoneDay, record: Stored
) -> Iterator[tuple[str, list[Line]]]:
    sprinkled = sum(mm for zone, day, mm in facts.sprinkled if (zone, day) == (spot.zone.name, spot.day))
    climate, surface = _climate(garden, spot, record), SurfaceDay.of(spot, sprinkled)
    if surface is None or climate is None:
        yield f"Crop and balance of {spot.day}", [*crop_lines(spot, None), *balance_lines(spot, None)]
        return
    yield f"Crop of {spot.day}", crop_lines(spot, climate)
    yield f"The soil's surface on {spot.day}", list(surface_lines(surface, climate))
    yield f"Balance of {spot.day}", balance_lines(spot, surface)


def _climate(garden: Garden, spot: ZoneDay, record: Stored) -> Climate | None:
    return None if spot.ground is None else climate_of(record, garden.location, record.index(spot.day))


def _stages_told(spot: ZoneDay) -> bool:
    """Where days of the table are all there is, the crop's own lines say it."""
    return spot.crop.heat is not None or bool(spot.planting.observed)


def _history(plan: Plan, zone: Zone, z: int) -> list[BalanceDay]:
    live = plan.live
    days = range(max(live.today - HISTORY_DAYS, 0), live.today)
    return [_day(plan, ZoneDay(live, zone, z, d)) for d in days if live.balance.known[d, z]]


def _day(plan: Plan, spot: ZoneDay) -> BalanceDay:
    live, balance, d, z = plan.live, plan.live.balance, spot.d, spot.z
    standing = live.terms.stand[d, z] >= 0
    found: BalanceDay = {
        "date": (live.start + timedelta(days=d)).isoformat(),
        "et0_mm": rounded(live.et.et0_mm[live.et_offset + d]),
        "kc": rounded(spot.kc if standing else 0.0),
        "etc_mm": rounded(balance.eta[d, z]),
        "rain_mm": rounded(live.rain_mm[d]),
        "rain_eff_mm": rounded(live.terms.rain_eff[d, z]),
        "net_mm": rounded(balance.irrigation[d, z]),
        "deficit_end_mm": rounded(balance.deficit_end[d, z]),
    }
    apart = balance.apart
    if apart is not None and live.terms.ground is not None:
        found["evaporation_mm"] = rounded(apart.evaporation[d, z])
        found["use_mm"] = rounded(apart.use[d, z])
        found["surface_mm"] = rounded(apart.surface[d, z])
    return found
