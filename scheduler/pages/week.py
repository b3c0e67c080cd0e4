"""The week's page: what every zone is expected to get and to lack, for today and the six days after; SI."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime

import numpy as np

from scheduler.core.pulsing import HOLD
from scheduler.core.week.advice import Remedy
from scheduler.core.week.problem import Short
from scheduler.model import Display, Garden, Notice
from scheduler.pages.reasons import spoken
from scheduler.pages.rounding import known, rounded
from scheduler.pages.unmet import unmet_lines
from scheduler.planning.plan import Plan
from scheduler.planning.shortage import yield_at_stake
from scheduler.planning.week import MANY_ZONES, WORTH_TELLING_STRESS, Outlook
from scheduler.shapes.week import UnmetFrom, WeekPage, ZoneDay
from scheduler.shapes.working import StoredWorking
from scheduler.show import show_depth, show_flow

NAMED = 2
"""Of more zones that go short only the number is told."""
NOT_ENOUGH = "not enough water for the week ahead"
WORTH_TELLING_YIELD = 0.01
AIMS = (
    "least lost by stress (area x sensitivity, a crop near wilting first); then zones served when their own "
    "trigger says; then least lost below the roots; then least water; then fewest starts"
)
PLANNED_BY = {
    "rule": "every zone follows its own trigger, and all of it fits",
    "solver": "a search of the week, held against the least stress that is possible",
    "heuristic": "plain steps, the thirstiest first",
}


def week_page(garden: Garden, plan: Plan, *, made_at: datetime) -> WeekPage | None:
    """None where the week could not be planned.  deficit_mm: in the evening, as expected under the plan."""
    ahead = plan.outlook
    if ahead is None:
        return None
    return {
        "garden": garden.name,
        "date": ahead.first.isoformat(),
        "made_at": made_at.isoformat(timespec="seconds"),
        "display": garden.display,
        "days": list(_days(plan, ahead)),
        "unmet": _unmet(garden, plan, ahead),
        "weather": [
            {
                "date": ahead.day(k).isoformat(),
                "rain_mm": known(ahead.rain_mm[k]),
                "rain_chance": known(ahead.rain_chance[k]),
                "et0_mm": known(ahead.et0_mm[k]),
            }
            for k in range(ahead.week.days)
        ],
        "method": ahead.plan.method,
        "note": ahead.plan.note,
        "notices": [{"level": n.level, "text": n.text, "kind": n.kind} for n in week_notices(garden, plan)],
    }


def kept_week(working: StoredWorking, display: Display) -> WeekPage | None:
    """The week as kept with a plan, shown as garden.yaml says today; None where there is none."""
    week = working.get("week")
    return {**week, "display": display} if week else None


def needs_a_look(page: WeekPage, today: date) -> bool:
    return page["date"] != today.isoformat() or any(notice["level"] != "info" for notice in page["notices"])


def _days(plan: Plan, ahead: Outlook) -> Iterator[ZoneDay]:
    week, outcome = ahead.week, ahead.plan.outcome
    for k in range(week.days):
        for z in np.flatnonzero(week.standing[k]).tolist():
            runs = [run for run in plan.schedule.runs if run.zone == week.zones[z]] if k == 0 else []
            given = sum(run.minutes for run in runs) if k == 0 else float(ahead.plan.minutes[k, z])
            net = sum(run.net_mm for run in runs) if k == 0 else float(outcome.net[k, z])
            yield {
                "date": ahead.day(k).isoformat(),
                "zone": week.zones[z],
                "minutes": given,
                "net_mm": rounded(net),
                "deficit_mm": rounded(outcome.deficit_end[k, z]),
                "deficit_sd_mm": rounded(ahead.sd[k, z]),
                "trigger_mm": known(week.trigger[k, z]),
                "raw_mm": rounded(week.raw[k, z]),
                "rain_mm": known(ahead.rain_mm[k]),
                "rain_chance": known(ahead.rain_chance[k]),
                "et0_mm": known(ahead.et0_mm[k]),
            }


def _unmet(garden: Garden, plan: Plan, ahead: Outlook) -> list[UnmetFrom]:
    """Today's, and where the week leaves a zone short."""
    today: list[UnmetFrom] = [
        {**one, "date": ahead.first.isoformat()} for one in unmet_lines(plan, garden.display)
    ]
    known = {u.zone for u in plan.schedule.unmet}
    return today + [
        {
            "zone": ahead.week.zones[s.zone],
            "net_mm": rounded(s.net_mm),
            "why": s.why,
            "date": ahead.day(s.first_day).isoformat(),
        }
        for s in ahead.plan.short
        if ahead.week.zones[s.zone] not in known
    ]


# --- what the grower is told of it ---------------------------------------------------------------


def week_notices(garden: Garden, plan: Plan) -> Iterator[Notice]:
    """Where the week does not fit, and what would mend it."""
    if plan.unplanned:
        yield Notice(
            "look",
            f"the week could not be planned ({plan.unplanned}): today each zone follows its own trigger",
            "water",
        )
    ahead = plan.outlook
    if ahead is None:
        return
    for why, lacks in _held_by_rests(plan).items():
        left = "; ".join(f"{zone} {show_depth(mm, garden.display)}" for zone, mm in lacks.items())
        yield Notice("info", f"{why}; left for the next morning: {left}", "water", tuple(lacks))
    for zone, (given, asked) in ahead.long_pulses.items():
        pulses = f"{given} long {'pulse' if given == 1 else 'pulses'} in place of {asked}"
        why = "lest the crop suffer: the strip holds less at a time, some will drain below the roots"
        text = f"{zone}: {pulses}, {why}. More hours or days would mend it"
        yield Notice("info", text, "water", (zone,))
    for zone, (fit, wanted) in ahead.uncovered.items():
        yield Notice(
            "look",
            f"{zone}: {fit} of the {wanted} waterings of its seed rows lie in the daylight: cover the seed "
            "row until it shows (or widen supply.hours)",
            "task",
            (zone,),
        )
    stressed = [s for s in ahead.plan.short if s.stress_days >= WORTH_TELLING_STRESS]
    if stressed:
        zones = "; ".join(_short_text(plan, ahead, s) for s in stressed[:NAMED])
        more = f"; and {len(stressed) - NAMED} more" if len(stressed) > NAMED else ""
        text = f"{NOT_ENOUGH}: {zones}{more}. {_remedy_text(garden, ahead)}"
        yield Notice("look", text, "water", tuple(ahead.week.zones[s.zone] for s in stressed))
    if ahead.plan.note and ahead.plan.method == "heuristic":
        yield Notice("info", "the week was worked out by plain steps; `rowwater why ZONE` says why", "water")


def _held_by_rests(plan: Plan) -> dict[str, dict[str, float]]:
    """By why, where the rests between pulses leave some for later: zones and mm net."""
    found: dict[str, dict[str, float]] = {}
    for unmet in plan.schedule.unmet:
        if unmet.why.startswith(HOLD):
            found.setdefault(unmet.why, {})[unmet.zone] = unmet.net_mm
    return found


def _short_text(plan: Plan, ahead: Outlook, short: Short) -> str:
    """Who goes without, until when, and what that costs."""
    costs = f"{short.stress_days:.1f} stress days"
    lack = 1 - ahead.plan.outcome.ks[:, short.zone]
    share = yield_at_stake(plan.live.terms, plan.live.today, short.zone, lack)
    if share is not None and share >= WORTH_TELLING_YIELD:
        costs += f", about {share:.0%} of its yield"
    return f"{ahead.week.zones[short.zone]} {_goes_without(ahead, short)} ({costs})"


def _goes_without(ahead: Outlook, short: Short) -> str:
    runs = np.flatnonzero(ahead.plan.minutes[:, short.zone] > 0)
    if not len(runs):
        return f"gets no water up to {spoken(ahead.day(ahead.week.days - 1), ahead.first)}"
    if runs[0] > 0 and short.first_day < runs[0]:
        return f"gets no water until {spoken(ahead.day(int(runs[0])), ahead.first)}"
    return f"gets less than it needs from {spoken(ahead.day(short.first_day), ahead.first)} on"


def _remedy_text(garden: Garden, ahead: Outlook) -> str:
    if len(ahead.week.zones) > MANY_ZONES:
        return "Longer hours, more days, more flow or fewer zones would mend it"
    if ahead.remedies is None:
        return "`rowwater day` works out what would mend it"
    if not ahead.remedies:
        return "No single change of hours, days, flow or caps would mend it"
    best = ahead.remedies[0]
    words = _change(garden, ahead, best)
    if best.enough:
        return f"This alone would mend it: {words}"
    if best.stress_after >= best.stress_before:
        return f"What helps most: {words}"
    days = f"{best.stress_after:.1f} in place of {best.stress_before:.1f} stress days"
    return f"What helps most: {words} ({days})"


def _change(garden: Garden, ahead: Outlook, remedy: Remedy) -> str:
    zone = ahead.week.zones[remedy.zone] if remedy.zone is not None else ""
    match remedy.change:
        case "longer hours":
            return f"{remedy.amount:.0f} more minutes of watering hours a day"
        case "one more day":
            return f"water on {spoken(ahead.day(remedy.day or 0), ahead.first)} too"
        case "more flow":
            return f"{show_flow(remedy.amount, garden.display)} more from the supply"
        case "split the zone":
            return f"{zone} split over two valves"
        case "longer run":
            return f"no longest_run for {zone}"
        case "no cap":
            return "no cap on water this week"
