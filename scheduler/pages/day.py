"""The day's page: all that the grower is told this morning, in SI; `today.json` is this and nothing else."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import UTC, date, datetime, time, timedelta

import numpy as np

from scheduler.core.balance.climate import ESTIMATED_HUMIDITY, ESTIMATED_RADIATION, ESTIMATED_WIND
from scheduler.model import Applied, Fetched, Garden, Notice
from scheduler.pages.chores import chore_lines, due_today
from scheduler.pages.day_notices import day_notices
from scheduler.pages.reasons import no_crop_reason, reason_of, state_of
from scheduler.pages.rounding import known, rounded
from scheduler.pages.stage_dates import stage_ends
from scheduler.pages.unmet import unmet_lines
from scheduler.pages.zone_day import ZoneDay
from scheduler.planning.day_rules import water_from
from scheduler.planning.digests import digests
from scheduler.planning.facts import Facts
from scheduler.planning.live import Live
from scheduler.planning.on_record import given_lines
from scheduler.planning.plan import Plan
from scheduler.planning.runs import run_page
from scheduler.planning.unanswered import Unanswered
from scheduler.shapes.base import NoticeLine
from scheduler.shapes.day import (
    Answers,
    DayPage,
    DayWeather,
    UnansweredLine,
    ZoneLine,
)


def day_page(
    garden: Garden,
    facts: Facts,
    plan: Plan,
    *,
    made_at: datetime,
    fetched: Sequence[Fetched],
    failures: Sequence[str],
) -> DayPage:
    """fetched, failures: what the weather sources answered this morning, and where they did not."""
    schedule = plan.schedule
    yesterday = facts.day - timedelta(days=1)
    chores = due_today(garden, facts, plan.live)
    return {
        "garden": garden.name,
        "date": facts.day.isoformat(),
        "made_at": made_at.isoformat(timespec="seconds"),
        "timezone": garden.location.timezone,
        "display": garden.display,
        "window": {
            "from": schedule.window_from.isoformat(),
            "until": schedule.window_until.isoformat(),
        },
        "windows": [
            {"from": begin.isoformat(), "until": until.isoformat()} for begin, until in schedule.windows
        ],
        "weather": {
            "yesterday": weather_of(facts, plan.live, yesterday),
            "today": weather_of(facts, plan.live, facts.day),
        },
        "zones": [_zone(garden, facts, plan, z) for z in range(len(facts.zones))],
        "runs": [run_page(run) for run in schedule.runs],
        "unmet": unmet_lines(plan, garden.display),
        "applied": given_lines(_told_lately(facts, yesterday), facts.plans.values()),
        "unanswered": [_unanswered(one) for one in plan.unanswered],
        "chores": chore_lines(chores, garden.display),
        "notices": notice_lines(day_notices(garden, facts, plan, chores, fetched, failures)),
        "sources": _answers(fetched, failures),
        "digests": digests(garden, facts, facts.day),
    }


def _told_lately(facts: Facts, yesterday: date) -> Iterator[Applied]:
    """Water since yesterday, and that of earlier days which was told since the last plan: once each."""
    before = facts.plan_before()
    over = datetime.combine(facts.day + timedelta(days=1), time(12), UTC)  # every local day has ended
    late = {
        (one.zone, one.day)
        for one in facts.applied
        if one.day < yesterday and before is not None and before.made_at < one.recorded_at < over
    }
    return (one for one in facts.applied if one.day >= yesterday or (one.zone, one.day) in late)


def exit_status(page: DayPage) -> int:
    """3 where something changes what the grower should do today, else 0."""
    return 3 if any(n["level"] in ("look", "problem") for n in page["notices"]) else 0


def notice_lines(notices: Iterable[Notice]) -> list[NoticeLine]:
    found: list[NoticeLine] = []
    for one in notices:
        line: NoticeLine = {"level": one.level, "text": one.text, "kind": one.kind}
        found.append({**line, "zones": list(one.zones)} if one.zones else line)
    return found


def _answers(fetched: Sequence[Fetched], failures: Sequence[str]) -> Answers:
    return {
        "failures": list(failures),
        "notices": [text for answer in fetched for text in answer.notices],
        "credits": sorted({answer.credit for answer in fetched if answer.credit}),
    }


def _unanswered(one: Unanswered) -> UnansweredLine:
    return {
        "zone": one.zone,
        "date": one.day.isoformat(),
        "minutes": one.minutes,
        "liters": rounded(one.liters),
        "net_mm": rounded(one.net_mm),
    }


# --- a zone --------------------------------------------------------------------------------------


def _zone(garden: Garden, facts: Facts, plan: Plan, z: int) -> ZoneLine:
    live = plan.live
    found = (
        _cropped(garden, facts, plan, z) if live.terms.stand[live.today, z] >= 0 else _bare(facts, plan, z)
    )
    zone = facts.zones[z]
    found["cap_minutes"] = zone.valve.cap_minutes
    if others := [o.name for o in facts.zones if o.valve.key == zone.valve.key and o is not zone]:
        found["opens_with"] = others
    until = facts.held(zone.name)
    if until is not None:
        begin = water_from(garden, until)
        found["held_until"] = until.isoformat()
        found["water_from"] = begin.isoformat() if begin else None
    return found


def _bare(facts: Facts, plan: Plan, z: int) -> ZoneLine:
    zone, live = facts.zones[z], plan.live
    return {
        "zone": zone.name,
        "by_hand": zone.valve.driver == "by_hand",
        "deficit_sd_mm": rounded(live.deficit_sd[z]),
        "state": "no crop",
        "reason": no_crop_reason(facts, z),
        "deficit_mm": rounded(plan.need.deficit_now[z]),
        "minutes": 0.0,
    }


def _cropped(garden: Garden, facts: Facts, plan: Plan, z: int) -> ZoneLine:
    zone, live, need = facts.zones[z], plan.live, plan.need
    spot = ZoneDay(live, zone, z, live.today)
    low, high = band_now(plan, z)
    runs = [run for run in plan.schedule.runs if run.zone == zone.name]
    found: ZoneLine = {
        "zone": zone.name,
        "by_hand": zone.valve.driver == "by_hand",
        "deficit_sd_mm": rounded(live.deficit_sd[z]),
        "crop": spot.crop.name,
        "stage": spot.stage,
        "day": spot.number,
        "season_days": sum(spot.crop.stage_days),
        "state": state_of(garden, facts, plan, z),
        "reason": reason_of(garden, facts, plan, z),
        "deficit_mm": rounded(need.deficit_now[z]),
        "deficit_start_mm": rounded(need.deficit[z]),
        "deficit_low_mm": rounded(low),
        "deficit_high_mm": rounded(high),
        "doubt_matters": bool(low < need.trigger[z] <= high or low < need.raw[z] <= high),
        "raw_mm": rounded(need.raw[z]),
        "taw_mm": rounded(live.terms.taw[live.today, z]),
        "flow_lpm": rounded(spot.stand.delivery.flow_lpm),
        "minutes": sum(run.minutes for run in runs),
        "liters": rounded(sum(run.liters for run in runs)),
        "net_mm": rounded(sum(run.net_mm for run in runs)),
        "wanted_minutes": float(need.minutes[z]),
        "minutes_if_given": float(plan.minutes_if_given[z]),
        "area_m2": rounded(spot.planting.rows.area_m2),
    }
    if np.isfinite(need.trigger[z]):
        found["trigger_mm"] = rounded(need.trigger[z])
    _add_course(found, plan, spot)
    return found


def _add_course(found: ZoneLine, plan: Plan, spot: ZoneDay) -> None:
    """Where the planting stands between sowing and lifting; of what does not concern it nothing."""
    need, z, apart = plan.need, spot.z, plan.live.balance.apart
    if (ends := stage_ends(spot.stand)) is not None:
        found["stage_ends"] = [day.isoformat() for day in ends]
    if spot.planting.observed:
        found["observed"] = {stage: day.isoformat() for stage, day in spot.planting.observed}
    if np.isfinite(need.surface[z]):
        found["surface_mm"] = rounded(need.surface[z])
    if need.seedbed[z]:
        found["seedbed"], found["waterings"] = True, int(need.waterings[z])
        found["sprinkle_mm"] = rounded(need.sprinkle_mm[z])
    if need.drying_off[z]:
        found["dry_off"] = True
    if need.leaching[z] > 0:
        found["leaching"] = float(need.leaching[z])
    if apart is not None and np.isfinite(apart.ece_start[spot.d, z]):
        found["ece_ds_m"] = rounded(apart.ece_start[spot.d, z])


def band_now(plan: Plan, z: int) -> tuple[float, float]:
    """The 90 % band of the deficit now: last night's, moved by the rain and water since midnight."""
    since = float(plan.need.deficit_now[z] - plan.need.deficit[z])
    sure = plan.live.sure
    return max(float(sure.low[z]) + since, 0.0), max(float(sure.high[z]) + since, 0.0)


# --- weather -------------------------------------------------------------------------------------


def weather_of(facts: Facts, live: Live, day: date) -> DayWeather:
    """Weather and ET0 of one day as used, with where each figure came from; None where nobody said."""
    days, i = facts.weather, (day - facts.weather.first).days
    if not 0 <= i < len(days):
        return {"date": day.isoformat()}
    told = {
        name: days.came_from.get(name, (None,) * len(days))[i]
        for name in ("tmin_c", "tmax_c", "rain_mm", "rain_chance_pct")
    }
    return {
        "date": day.isoformat(),
        "tmin_c": known(days.tmin_c[i]),
        "tmax_c": known(days.tmax_c[i]),
        "rain_mm": known(days.rain_mm[i]),
        "rain_chance_pct": known(days.rain_chance_pct[i]),
        "et0_mm": known(live.et.et0_mm[i]),
        "et0_method": live.et.method_name(i),
        "estimated": _estimated(live, i),
        "came_from": {name: source for name, source in told.items() if source},
    }


def _estimated(live: Live, i: int) -> list[str]:
    """Which inputs of the day's ET0 nobody measured or forecast."""
    inputs = live.et.climate
    if not inputs.usable[i]:
        return ["temperature"]
    return [
        name
        for name, code, estimated in (
            ("humidity", inputs.humidity_by, ESTIMATED_HUMIDITY),
            ("solar radiation", inputs.radiation_by, ESTIMATED_RADIATION),
            ("wind", inputs.wind_by, ESTIMATED_WIND),
        )
        if code[i] == estimated
    ]
