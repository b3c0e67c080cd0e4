"""The day's page: all that the grower is told this morning, in SI; `today.json` is this and nothing else."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING, Any

from scheduler.core.balance.climate import ESTIMATED_HUMIDITY, ESTIMATED_RADIATION, ESTIMATED_WIND
from scheduler.core.balance.crop import STAGES, stage_of_day
from scheduler.core.balance.et import CLIMATOLOGY, METHODS, RECENT_MEAN
from scheduler.core.system.upkeep import chores_due, last_noted
from scheduler.model import Fetched, Garden, Notice, StoredPlan
from scheduler.pages.quality import notices as quality_notices
from scheduler.pages.week import week_notices
from scheduler.planning.digests import digests
from scheduler.planning.facts import Facts
from scheduler.planning.on_record import given_lines
from scheduler.planning.runs import run_page
from scheduler.show import show_flow, show_temperature

if TYPE_CHECKING:
    from scheduler.planning.live import Live
    from scheduler.planning.plan import Plan

RESTATED_ABOVE_MM = 0.5
PATIENCE_DAYS = 7
"""A routine chore is a remark at first; later it asks for an eye."""
DRY_WORDS = {"run": "runs", "wait": "waits for rain", "rest": "not due", "bare": "no crop", "hold": "on hold",
             "short": "does not fit"}  # fmt: skip


def day_page(
    garden: Garden,
    facts: Facts,
    plan: Plan,
    *,
    made_at: datetime,
    fetched: Sequence[Fetched],
    failures: Sequence[str],
) -> dict[str, Any]:
    schedule = plan.schedule
    notices = [
        *_weather_notices(facts, plan.live, fetched, failures),
        *_plan_notices(garden, facts, plan),
        *week_notices(garden, plan),
        *_soil_notices(facts, plan.live),
        *_chores(garden, facts),
        *(Notice("info", text) for text in garden.notices),
    ]
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
        "weather": {
            "yesterday": weather_of(facts, plan.live, facts.day - timedelta(days=1)),
            "today": weather_of(facts, plan.live, facts.day),
        },
        "zones": [_zone(facts, plan, z) for z in range(len(facts.zones))],
        "runs": [run_page(run) for run in schedule.runs],
        "unmet": [{"zone": u.zone, "net_mm": _r(u.net_mm), "why": u.why} for u in schedule.unmet],
        "applied": given_lines(
            [a for a in facts.applied if a.day >= facts.day - timedelta(days=1)], facts.plans.values()
        ),
        "unanswered": [
            {
                "zone": u.zone,
                "date": u.day.isoformat(),
                "minutes": u.minutes,
                "liters": _r(u.liters),
                "net_mm": _r(u.net_mm),
            }
            for u in plan.unanswered
        ],
        "notices": [{"level": n.level, "text": n.text} for n in notices],
        "sources": {
            "failures": list(failures),
            "notices": [text for answer in fetched for text in answer.notices],
            "credits": sorted({answer.credit for answer in fetched if answer.credit}),
        },
        "digests": digests(garden, facts, facts.day),
    }


def _zone(facts: Facts, plan: Plan, z: int) -> dict[str, Any]:
    """One zone this morning. Deficit, trigger and RAW are mm; `minutes` is what is planned today."""
    zone, live, need = facts.zones[z], plan.live, plan.need
    stand_no = int(live.terms.stand[live.today, z])
    page: dict[str, Any] = {"zone": zone.name, "by_hand": zone.valve.driver == "by_hand"}
    page["deficit_sd_mm"] = _r(live.deficit_sd[z])
    if stand_no < 0:
        return page | {"state": DRY_WORDS["bare"], "deficit_mm": _r(need.deficit_now[z]), "minutes": 0.0}
    low, high = band_now(plan, z)
    stand = live.terms.stands[stand_no]
    crop = stand.planting.crop
    number = stand.day_no + live.today - stand.begin
    ends = [sum(crop.stage_days[: k + 1]) for k in range(4)]
    runs = [run for run in plan.schedule.runs if run.zone == zone.name]
    return page | {
        "crop": crop.name,
        "stage": STAGES[int(stage_of_day(_array(number), _array(ends)))],
        "day": number,
        "season_days": ends[-1],
        "state": _state(facts, plan, z, bool(runs)),
        "deficit_mm": _r(need.deficit_now[z]),
        "deficit_start_mm": _r(need.deficit[z]),
        "deficit_low_mm": _r(low),
        "deficit_high_mm": _r(high),
        "doubt_matters": bool(low < need.trigger[z] <= high or low < need.raw[z] <= high),
        "trigger_mm": _r(need.trigger[z]),
        "raw_mm": _r(need.raw[z]),
        "taw_mm": _r(live.terms.taw[live.today, z]),
        "flow_lpm": _r(stand.delivery.flow_lpm),
        "minutes": sum(run.minutes for run in runs),
        "liters": _r(sum(run.liters for run in runs)),
        "net_mm": _r(sum(run.net_mm for run in runs)),
        "wanted_minutes": float(need.minutes[z]),
        "minutes_if_given": float(plan.minutes_if_given[z]),
        "area_m2": _r(stand.planting.rows.area_m2),
    }


def band_now(plan: Plan, z: int) -> tuple[float, float]:
    """The 90 % band of the deficit now: last night's, moved by the rain and water since midnight."""
    since = float(plan.need.deficit_now[z] - plan.need.deficit[z])
    sure = plan.live.sure
    return max(float(sure.low[z]) + since, 0.0), max(float(sure.high[z]) + since, 0.0)


def _state(facts: Facts, plan: Plan, z: int, runs: bool) -> str:
    if facts.held(facts.zones[z].name):
        return DRY_WORDS["hold"]
    if runs:
        return DRY_WORDS["run"]
    if plan.waits[z]:
        return DRY_WORDS["wait"]
    return DRY_WORDS["short" if plan.need.minutes[z] > 0 else "rest"]


def weather_of(facts: Facts, live: Live, day: date) -> dict[str, Any]:
    """Weather and ET0 of one day as used, with where each figure came from; None where nobody said."""
    days, i = facts.weather, (day - facts.weather.first).days
    if not 0 <= i < len(days):
        return {"date": day.isoformat()}
    values = {
        name: _finite(getattr(days, name)[i]) for name in ("tmin_c", "tmax_c", "rain_mm", "rain_chance_pct")
    }
    came_from = {name: days.came_from.get(name, (None,) * len(days))[i] for name in values}
    return {
        "date": day.isoformat(),
        **values,
        "et0_mm": _finite(live.et.et0_mm[i]),
        "et0_method": METHODS[live.et.method[i]],
        "estimated": _estimated(live, i),
        "came_from": {name: source for name, source in came_from.items() if source},
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


def _weather_notices(
    facts: Facts, live: Live, fetched: Sequence[Fetched], failures: Sequence[str]
) -> Iterator[Notice]:
    for line in failures:
        yield Notice("look", f"weather: {line}")
    for answer in fetched:
        for text in answer.notices:
            yield Notice("info", f"weather: {text}")
    before = facts.plan_before()
    yield from quality_notices(
        facts.flags, facts.weather, today=facts.day, said_before=before.day if before else None
    )
    recent = range(max(live.today - 7, 0), live.today)
    filled = [d for d in recent if live.et.method[live.et_offset + d] in (CLIMATOLOGY, RECENT_MEAN)]
    if filled:
        method = METHODS[live.et.method[live.et_offset + filled[-1]]]
        yield Notice(
            "look",
            f"no temperatures for {_days(live.start, filled)}: ET0 there is a stand-in ({method})",
        )
    if live.et.method[live.et_offset + live.today] in (CLIMATOLOGY, RECENT_MEAN):
        yield Notice(
            "info", f"no forecast for today: ET0 is a stand-in ({METHODS[RECENT_MEAN]} or climatology)"
        )
    no_rain = [d for d in recent if live.rain_missing[d]]
    if no_rain:
        yield Notice(
            "look",
            f"nobody reported rain for {_days(live.start, no_rain)}: counted as 0 (estimated). "
            "If it rained: rowwater note rain AMOUNT",
        )
    told = facts.weather.came_from.get("tmax_c", ())
    guessed = [d for d in recent if told and str(told[live.et_offset + d]).endswith("(forecast)")]
    if guessed:
        yield Notice("info", f"the weather of {_days(live.start, guessed)} is still the forecast")


def _days(start: date, numbers: list[int]) -> str:
    dates = [start + timedelta(days=d) for d in numbers]
    if len(dates) == 1:
        return dates[0].isoformat()
    return f"{len(dates)} days, {dates[0]} to {dates[-1]}"


def _plan_notices(garden: Garden, facts: Facts, plan: Plan) -> Iterator[Notice]:
    if facts.store_replaced:
        yield Notice("problem", "the database was damaged and set aside: the balance starts anew today")
    yield from _restated(garden, facts, plan.live)
    need = plan.need
    for z, zone in enumerate(facts.zones):
        if plan.waits[z]:
            yield Notice(
                "info",
                f"{zone.name} is due but waits for rain: {need.outlook_rain:.1f} mm expected against a "
                f"deficit of {need.deficit_now[z]:.1f} mm, and it stays unstressed if none comes",
            )
        until = facts.held(zone.name)
        if until and need.due[z]:
            yield Notice("look", f"{zone.name} is due but on hold until {until}")
        dry = need.deficit_now[z] > need.raw[z]
        if dry and plan.live.terms.stand[plan.live.today, z] >= 0:
            yield Notice("look", f"{zone.name} is past its readily available water: the crop is short")
        if plan.live.terms.stand[plan.live.today, z] < 0 and zone.plantings:
            yield from _bare_notice(facts.day, zone.name, [p.planted for p in zone.plantings])
    short: dict[str, list[str]] = {}
    for unmet in plan.schedule.unmet:
        short.setdefault(unmet.why, []).append(unmet.zone)
    for why, zones in short.items():
        yield Notice("problem", f"{', '.join(zones)}: not all of it fits today; {why}")


def _soil_notices(facts: Facts, live: Live) -> Iterator[Notice]:
    """Readings of the last days that were set aside."""
    for one in live.sure.readings:
        if one.aside and one.reading.day >= live.today - 1:
            name = facts.zones[one.reading.zone].name
            yield Notice("look", f"{name}: soil reading {one.reading.said} set aside: {one.aside}")


def _chores(garden: Garden, facts: Facts) -> Iterator[Notice]:
    """Tape, filter, bucket, flushing, winter drain: said when due, until noted as done."""
    watered: dict[str, list[date]] = {}
    for record in facts.applied:
        if record.minutes > 0:
            watered.setdefault(record.zone, []).append(record.day)
    ahead = {
        day: float(facts.weather.tmin_c[i]) for i, day in enumerate(facts.weather.dates()) if day >= facts.day
    }
    for chore in chores_due(
        replace(garden, zones=facts.zones),
        facts.day,
        noted=last_noted(facts.notes),
        watered=watered,
        tmin_ahead_c=ahead,
        say_flow=lambda lpm: show_flow(lpm, garden.display),
        say_temperature=lambda celsius: show_temperature(celsius, garden.display),
    ):
        text = f"{chore.zone}: {chore.what}" if chore.zone else chore.what
        patient = chore.kind not in ("tape", "drain") and chore.overdue_days < PATIENCE_DAYS
        how = f": {chore.how}" if chore.how else ""
        yield Notice("info" if patient else chore.level, f"{text} ({chore.why}){how}")


def _bare_notice(day: date, zone: str, planted: list[date]) -> Iterator[Notice]:
    ahead = [d for d in planted if d > day]
    if ahead:
        yield Notice("info", f"{zone}: no crop, no water; next planting {min(ahead)}")


def _restated(garden: Garden, facts: Facts, live: Live) -> Iterator[Notice]:
    """Say so when the past was edited and yesterday's stated deficits are no longer what they were."""
    before = facts.plan_before()
    if before is None or before.day < live.start:
        return
    changed = _what_changed(garden, facts, before)
    told = {zone["zone"]: zone for zone in before.page["zones"]}
    row = live.balance.deficit_start[(before.day - live.start).days]
    for z, zone in enumerate(facts.zones):
        old = told.get(zone.name, {}).get("deficit_start_mm")
        if old is not None and abs(old - row[z]) > RESTATED_ABOVE_MM:
            yield Notice(
                "look",
                f"{zone.name}: deficit of {before.day} restated {old:.1f} -> {row[z]:.1f} mm: "
                f"{changed} changed",
            )


def _what_changed(garden: Garden, facts: Facts, before: StoredPlan) -> str:
    then, now = before.page.get("digests", {}), digests(garden, facts, before.day)
    return " and ".join(name for name, digest in now.items() if then.get(name) != digest) or "an earlier day"


def exit_status(page: dict[str, Any]) -> int:
    """3 where something needs the grower's eye, else 0."""
    return 3 if any(n["level"] in ("look", "problem") for n in page["notices"]) else 0


def _array(value: Any) -> Any:
    import numpy as np

    return np.asarray(value)


def _finite(value: float) -> float | None:
    return round(float(value), 4) if math.isfinite(value) else None


def _r(value: float) -> float:
    return round(float(value), 4)
