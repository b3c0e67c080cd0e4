"""Why a zone runs, waits or rests today, in a few words beside it; `plain` says it in sentences."""

from __future__ import annotations

from datetime import date, datetime, timedelta

import numpy as np

from scheduler.core.pulsing import HOLD
from scheduler.core.supply import OVER_FLOW
from scheduler.model import Display, Garden, Unmet
from scheduler.pages.stage_dates import dry_from
from scheduler.planning.day_rules import rules_from, water_from
from scheduler.planning.facts import Facts
from scheduler.planning.plan import Plan
from scheduler.planning.today import days_to_next_morning
from scheduler.shapes.day import State
from scheduler.show import show_depth, show_minutes, words

SOON_DAYS = 6
"""Dates up to so far ahead are told by their weekday alone."""
PART_MINUTES = 1.0
"""Less than this below what its own rule asks is a matter of rounding."""


def state_of(garden: Garden, facts: Facts, plan: Plan, z: int) -> State:
    """What the zone does today, in a word."""
    zone = facts.zones[z]
    if facts.held(zone.name):
        return "on hold"
    if any(run.zone == zone.name for run in plan.schedule.runs):
        return "runs"
    if plan.waits[z]:
        return "waits for rain"
    if not plan.need.minutes[z] > 0:
        return "drying off" if plan.need.drying_off[z] else "not due"
    return "does not fit" if rules_from(garden.supply, facts.day)[0].allowed else "not a watering day"


def reason_of(garden: Garden, facts: Facts, plan: Plan, z: int) -> str:
    """Of a zone with a crop; "" where the state says all there is."""
    match state_of(garden, facts, plan, z):
        case "runs":
            return _why_it_runs(garden, facts, plan, z)
        case "waits for rain":
            rain = show_depth(float(plan.need.outlook_rain), garden.display)
            last = facts.day + timedelta(days=days_to_next_morning(garden, facts.day) - 1)
            return f"{rain} likely by {spoken(last, facts.day)}"
        case "on hold":
            until = facts.held(facts.zones[z].name)
            assert until is not None
            return _water_again(water_from(garden, until), facts.day)
        case "not a watering day":
            return _water_again(water_from(garden, facts.day + timedelta(days=1)), facts.day)
        case "does not fit":
            unmet = (u for u in plan.schedule.unmet if u.zone == facts.zones[z].name)
            return next((_why_unmet(u, garden.display) for u in unmet), "")
        case "drying off":
            return _drying(facts, plan, z)
    if plan.need.sprinkle_mm[z] > 0:
        return f"sprinkle {show_depth(float(plan.need.sprinkle_mm[z]), garden.display)}"
    return _next_run(facts, plan, z)


def _drying(facts: Facts, plan: Plan, z: int) -> str:
    begins = dry_from(plan.live.terms.stands[int(plan.live.terms.stand[plan.live.today, z])])
    return "" if begins is None else f"since {spoken_past(begins, facts.day)}"


def _why_unmet(unmet: Unmet, display: Display) -> str:
    if unmet.why == OVER_FLOW:  # the notice has the figures
        return "needs more than the supply feeds"
    return words(unmet.why, unmet.numbers, display)


def no_crop_reason(facts: Facts, z: int) -> str:
    """When the next crop comes, of a zone without one."""
    ahead = [p for p in facts.zones[z].plantings if p.planted > facts.day]
    if not ahead:
        return ""
    following = min(ahead, key=lambda planting: planting.planted)
    return f"{following.crop.name} on {spoken(following.planted, facts.day)}"


def spoken(day: date, today: date) -> str:
    """ "Fri" within the week, else "Fri 24 Jul".

    >>> spoken(date(2026, 7, 10), date(2026, 7, 8)), spoken(date(2026, 7, 24), date(2026, 7, 8))
    ('Fri', 'Fri 24 Jul')
    """
    return f"{day:%a}" if 0 <= (day - today).days <= SOON_DAYS else f"{day:%a} {day.day} {day:%b}"


def spoken_past(day: date, today: date) -> str:
    """ "Fri" within the last week, "today", else "Fri 24 Jul".

    >>> spoken_past(date(2026, 7, 10), date(2026, 7, 12)), spoken_past(date(2026, 7, 10), date(2026, 7, 30))
    ('Fri', 'Fri 10 Jul')
    """
    if day == today:
        return "today"
    return f"{day:%a}" if 0 < (today - day).days <= SOON_DAYS else f"{day:%a} {day.day} {day:%b}"


def _water_again(begin: datetime | None, today: date) -> str:
    if begin is None:
        return "no watering day in sight"
    return f"next {spoken(begin.date(), today)} {begin:%H:%M}"


def _why_it_runs(garden: Garden, facts: Facts, plan: Plan, z: int) -> str:
    need, name = plan.need, facts.zones[z].name
    given = sum(run.minutes for run in plan.schedule.runs if run.zone == name)
    if given < need.minutes[z] - PART_MINUTES and facts.applied_on(name, facts.day) == []:
        return f"of {show_minutes(float(need.minutes[z]))}, {_why_part(plan, z, name)}"
    if need.planting_day[z]:
        return "planting day"
    if need.deficit_now[z] > need.raw[z]:
        return "dry: past what it can spare"
    if need.seedbed[z] and need.least_minutes[z] > 0:
        return "seed not up: kept damp"
    if need.due[z]:
        return "due"
    if need.least_minutes[z] > 0:
        return "settling in"
    if facts.applied_on(name, facts.day):
        return ""
    gap = days_to_next_morning(garden, facts.day) - 1
    if gap:
        return f"early: then {gap} day{'s' if gap > 1 else ''} without"
    return "early: busy days ahead"


def _why_part(plan: Plan, z: int, name: str) -> str:
    why = next((unmet.why for unmet in plan.schedule.unmet if unmet.zone == name), None)
    if why is not None:
        return "pulses want rests" if why.startswith(HOLD) else "water short"
    if plan.outlook is None:
        return "all that fits"
    week = plan.outlook.week
    likely = float(np.nansum(week.rain_eff[:, z] * week.rain_chance[:, z])) > 0
    return "rain likely" if likely else "others first"


def _next_run(facts: Facts, plan: Plan, z: int) -> str:
    """The first morning of the week's plan that gives it water."""
    if plan.outlook is None:
        return ""
    later = np.flatnonzero(plan.outlook.plan.minutes[1:, z] > 0)
    if not len(later):
        return ""
    return f"next about {spoken(facts.day + timedelta(days=1 + int(later[0])), facts.day)}"
