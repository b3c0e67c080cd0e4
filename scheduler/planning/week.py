"""This morning's facts to the week that the planner reads, and its plan back to today's runs.

The only place where the two meet.  The live morning and the simulated ones build their week by the same
lines; nothing of this is loaded by the morning summary.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta
from typing import Any

import numpy as np

from scheduler.core.arrays import Minutes, Mm, Share
from scheduler.core.balance.need import Need
from scheduler.core.balance.pulses import pulse_rest, strip_caps
from scheduler.core.balance.terms import Terms
from scheduler.core.daylight import daylight
from scheduler.core.hours.rules import apart_zones, period_caps
from scheduler.core.hours.runs import Ask, ValveAsk, timed_runs
from scheduler.core.hours.windows import minutes_between, stretch
from scheduler.core.supply import OVER_FLOW
from scheduler.core.week.advice import Remedy, remedies
from scheduler.core.week.inputs import Calendar, SoilAhead, SupplyAhead, week_of
from scheduler.core.week.loss import suffered_days
from scheduler.core.week.outcome import may_wait, terms_of
from scheduler.core.week.plan import plan_week, rule_fits
from scheduler.core.week.problem import DAYS, Busy, Week, WeekPlan
from scheduler.core.week.valves import Valves
from scheduler.model import Garden, Run, Schedule, Unmet, Windows, Zone
from scheduler.planning.day_rules import restrictions_of, rules_from
from scheduler.planning.facts import Facts
from scheduler.planning.given import GivenToday, given_today, liters_by_day
from scheduler.planning.live import Live
from scheduler.planning.shortage import ample_minutes, at_stake, why_not_today, worth_the_walk

WORTH_TELLING_STRESS = 0.2
MINUTE = timedelta(minutes=1)
MANY_ZONES = 12
"""Above, no single changes are tried: it would take too long on a small computer."""
UNNOTICED_LOSS, UNNOTICED_SHARE = 0.02, 0.05
SUFFERS = 0.005
"""Weighted stress days, and the share of them, that nobody could tell (own choice)."""
SOLVER_SECONDS = 8.0
TRIAL_SECONDS = 0.4
"""Solving time: of the week, and of each change that is tried where it does not fit."""


@dataclass(frozen=True, slots=True)
class Outlook:
    """The week as it was planned this morning."""

    first: date
    week: Week  # as it was planned
    plan: WeekPlan
    sd: Mm  # (day, zone) of the evening deficit
    rain_mm: Mm  # (day,) forecast, today's whole; nan where nobody says
    rain_chance: Share  # (day,) 0..1, nan where nobody says
    et0_mm: Mm  # (day,)
    ample: Minutes  # (zone,) what each zone would get today with all the water in the world
    remedies: tuple[Remedy, ...] | None = None  # single changes that would help; None: not worked out
    uncovered: Mapping[str, tuple[int, int]] = field(default_factory=dict)
    """Seedbeds whose waterings do not all lie in today's daylight: how many do, and how many should."""
    long_pulses: Mapping[str, tuple[int, int]] = field(default_factory=dict)
    """Zones that get fewer, longer pulses today than the strip asks for: how many, and how many it asks."""

    def day(self, k: int) -> date:
        return self.first + timedelta(days=k)

    @property
    def wants_remedies(self) -> bool:
        """The grower is told that the week does not fit, and trials do not take too long."""
        told = any(short.stress_days >= WORTH_TELLING_STRESS for short in self.plan.short)
        return told and len(self.week.zones) <= MANY_ZONES and self.remedies is None

    def with_remedies(self) -> Outlook:
        """The same plan; each change that might help was tried by planning again, which takes long."""
        return replace(self, remedies=remedies(self.week, self.plan, seconds=TRIAL_SECONDS))


def week_ahead(
    garden: Garden,
    zones: Sequence[Zone],
    terms: Terms,
    day: int,
    need: Need,
    today: date,
    *,
    used_l: Mapping[date, float],
    soil: SoilAhead,
    earliest: float = 0.0,
    busy: Sequence[Busy] = (),
    ready: Minutes | None = None,
    had: Minutes | None = None,
) -> Week:
    """The week from `day` of `terms` on, which is the date `today`.

    used_l: litres by date, of this month so far; earliest, busy, ready, had: of today, as in `Calendar` and
    `SupplyAhead`.
    """
    rules = rules_from(garden.supply, today, DAYS)
    spread = need.waterings >= 2
    count = min(DAYS, len(terms.stand) - day)
    window = np.array([rule.minutes(garden.location.timezone) for rule in rules])
    closed = [stretch(rule.windows(garden.location.timezone)).closed for rule in rules]
    calendar = Calendar(window, earliest, garden.finish, closed if any(closed) else ())
    supply = SupplyAhead(
        garden.supply.usable_lpm,
        caps=period_caps(rules[:count], used_l),
        apart=apart_zones(restrictions_of(garden.supply), [zone.name for zone in zones]),
        busy=busy,
        ready=ready,
        had=had,
    )
    ky, weight = at_stake(zones, terms, slice(day, day + count), soil.suffered_days)
    soil = replace(soil, ky=ky, weight=weight)
    week = week_of(zones, terms, day, need, soil, supply, calendar)
    if spread.any():
        windows = rules[0].windows(garden.location.timezone)
        week = replace(week, spread=spread, light=light_of(garden, today, windows))
    return _none_left_dry(week, need)


def light_of(garden: Garden, day: date, windows: Windows) -> tuple[float, float] | None:
    """First and last minute of daylight in a day's hours, after their begin; None where they have none."""
    where = garden.location
    sun = daylight(day, where.latitude_deg, where.longitude_deg)
    if sun is None:
        return None
    begin, (rise, set_) = windows[0][0], (minutes_between(windows[0][0], at) for at in sun)
    parts = [
        (max(minutes_between(begin, start), rise), min(minutes_between(begin, stop), set_))
        for start, stop in windows
    ]
    lit = [part for part in parts if part[0] < part[1]]
    return (lit[0][0], lit[-1][1]) if lit else None


def planned(
    week: Week, zones: Sequence[Zone], *, seconds: float, solver: bool = True, why_short: bool = True
) -> tuple[Week, WeekPlan]:
    """The plan, and the week as it was planned: with its doubt only where the plain rule does not do.

    Where every zone can follow its own trigger, the trigger is the grower's margin for what nobody knows
    exactly.  Where it cannot, each zone is taken to be as much thirstier as the doubt of it is wide.
    Where a crop would suffer for the rests between its pulses, it gets fewer and longer ones.
    By hand, no run of today is shorter than a third of a full one, unless a crop would suffer from that.
    """
    week, plan = _planned(week, seconds=seconds, solver=solver, why_short=why_short)
    loose = _held_short_by_rests(week, plan)
    if loose is not None:
        other, longer = _planned(loose, seconds=seconds, solver=solver, why_short=why_short)
        if longer.score.loss < plan.score.loss * (1 - UNNOTICED_SHARE) - UNNOTICED_LOSS:
            week, plan = other, longer
    found = [
        (other, plan_week(other, seconds=seconds, solver=solver, why_short=why_short))
        for other in worth_the_walk(zones, week, plan.minutes[0])
    ]
    if not found:
        return week, plan
    other, longer = min(found, key=lambda pair: pair[1].score.loss)
    suffers = longer.score.loss > plan.score.loss * (1 + UNNOTICED_SHARE) + UNNOTICED_LOSS
    return (week, plan) if suffers else (replace(other, held=week.held), longer)


def _held_short_by_rests(week: Week, plan: WeekPlan) -> Week | None:
    """The week with fewer, longer pulses for zones that suffer; None where rests shorten no run of theirs."""
    if plan.score.loss <= UNNOTICED_LOSS:
        return None
    suffers = ((1 - plan.outcome.ks) * week.standing).sum(axis=0) > SUFFERS
    loose = replace(week, loose=suffers)
    of_valve = week.valve[suffers]
    longer = Valves(loose).most[:, of_valve] > Valves(week).most[:, of_valve]
    return loose if longer.any() else None


def _planned(week: Week, *, seconds: float, solver: bool, why_short: bool) -> tuple[Week, WeekPlan]:
    sure = replace(week, deficit_sd=np.zeros_like(week.deficit_sd), etc_sd=np.zeros_like(week.etc_sd))
    doubt = bool(week.deficit_sd.any() or week.etc_sd.any())
    if not doubt or rule_fits(sure):  # the rule needs no solving: with doubt, only that is asked here
        plan = plan_week(sure, seconds=0.0 if doubt else seconds, solver=solver, why_short=why_short)
        if plan.method == "rule" or not doubt:
            return sure, plan
    return week, plan_week(week, seconds=seconds, solver=solver, why_short=why_short)


def _none_left_dry(week: Week, need: Need) -> Week:
    """A due zone that the rule of model M6 does not let wait for rain asks for its shortest run at least.

    The planner's own idea of likely rain is a wider one: by it the zone need only come below its trigger.
    """
    if not (week.rain_eff * week.rain_chance).any():
        return week
    valves = Valves(week)
    waits = may_wait(valves, terms_of(valves), 0, week.deficit, week.deficit)
    must = need.due & ~need.waits & waits & (need.minutes > 0)
    if not must.any():
        return week
    settle = week.settle.copy()
    settle[0] = np.where(must, np.maximum(settle[0], np.maximum(np.ceil(week.shortest), 1)), settle[0])
    return replace(week, settle=settle)


# --- the live morning ----------------------------------------------------------------------------


def look_ahead(
    garden: Garden, facts: Facts, live: Live, need: Need, kept: Sequence[Run], *, now: datetime
) -> tuple[Outlook, Schedule]:
    """The week planned, and today's part of it as runs; `kept`: today's runs already answered for."""
    windows = rules_from(garden.supply, facts.day)[0].windows(garden.location.timezone)
    begin, count = windows[0][0], min(DAYS, len(live.rain_mm) - live.today)
    etc_sd, rain_sd = forecast_doubt(live, count)
    strip_mm = strip_caps(facts.zones, live.terms, slice(live.today, live.today + 1))
    given = given_today(facts, live, as_planned=True)
    week = week_ahead(
        garden, facts.zones, live.terms, live.today, need, facts.day,
        used_l=liters_by_day(facts, live),
        soil=_soil_ahead(facts, live, count, etc_sd),
        earliest=max(minutes_between(begin, now), 0.0),
        busy=_busy(facts, kept, begin, now),
        ready=_rested(facts, kept, begin, need, strip_mm[0], given),
        had=given.minutes if given.minutes.any() else None,
    )  # fmt: skip
    spread = np.sqrt(live.deficit_sd**2 + np.cumsum(etc_sd**2 + rain_sd**2, axis=0))
    outlook = _outlook(facts, live, *planned(week, facts.zones, seconds=SOLVER_SECONDS), spread)
    runs = _runs(facts, outlook, kept, begin)
    outlook = replace(
        outlook, uncovered=_uncovered(garden, facts, need, runs), long_pulses=_long_pulses(outlook)
    )
    return outlook, Schedule(facts.day, windows, (*kept, *runs), _unmet(garden, outlook))


def _outlook(facts: Facts, live: Live, week: Week, plan: WeekPlan, spread: Mm) -> Outlook:
    i, today = live.et_offset + live.today, live.today
    rain = np.where(live.rain_missing, np.nan, live.rain_mm)
    return Outlook(
        first=facts.day,
        week=week,
        plan=plan,
        sd=np.minimum(spread, week.taw / 2),
        rain_mm=rain[today : today + len(spread)],
        rain_chance=_chance(facts, live, len(spread)),
        et0_mm=live.et.et0_mm[i : i + len(spread)],
        ample=ample_minutes(week),
    )


def _chance(facts: Facts, live: Live, count: int) -> Share:
    i = live.et_offset + live.today
    return np.asarray(facts.weather.rain_chance_pct[i : i + count] / 100)


def _soil_ahead(facts: Facts, live: Live, count: int, etc_sd: Mm) -> SoilAhead:
    return SoilAhead(
        rain_chance=_chance(facts, live, count),
        rain_so_far_mm=facts.rain_so_far_mm or 0.0,
        rain_mm=live.rain_mm[live.today : live.today + count],
        held=_held(facts, live, count),
        deficit_sd=live.deficit_sd,
        etc_sd=etc_sd,
        suffered_days=suffered_days(1 - live.balance.ks[: live.today]),
    )


def _busy(facts: Facts, kept: Sequence[Run], begin: datetime, now: datetime) -> list[Busy]:
    """Today's runs that are facts and not over yet, and what runs because a person asked."""
    runs = [(run.start, run.stop, run.flow_lpm) for run in kept]
    runs += [
        (
            one.recorded_at,
            one.recorded_at + timedelta(seconds=one.seconds),
            sum(s.flow_lpm for s in one.shares),
        )
        for one in facts.under_way
    ]
    return [
        Busy(minutes_between(begin, start), minutes_between(begin, stop), flow_lpm)
        for start, stop, flow_lpm in runs
        if stop.timestamp() > now.timestamp()
    ]


def forecast_doubt(live: Live, count: int) -> tuple[Mm, Mm]:
    """(day, zone) standard uncertainty of the crop's use and of the rain that counts, `count` days on."""
    terms, ahead = live.terms, slice(live.today, live.today + count)
    et, rain = live.sure.et0.sd[ahead], live.sure.rain.sd[ahead]
    of_et0 = terms.etc[ahead] / np.maximum(live.et0_mm[ahead], 1e-9)[:, None]
    share = terms.spread(terms.flat.rain_share)[ahead]
    return of_et0 * et[:, None], share * rain[:, None]


def _held(facts: Facts, live: Live, count: int) -> np.ndarray[Any, np.dtype[np.bool_]]:
    """(day, zone) The grower keeps it dry, or its crop dries off."""
    until = [facts.held(zone.name) for zone in facts.zones]
    days = [facts.day + timedelta(days=k) for k in range(count)]
    on_hold = np.array([[u is not None and u > day for u in until] for day in days], dtype=bool)
    dry = live.terms.sowing.dry
    if dry is None:
        return on_hold
    dries = live.terms.spread(dry.astype(np.float64))[live.today : live.today + count] > 0
    return np.asarray(on_hold | dries)


def _rested(
    facts: Facts, kept: Sequence[Run], begin: datetime, need: Need, strip_mm: Mm, given: GivenToday
) -> Minutes:
    """(valve,) Minute of the hours from which a valve that ran this morning has had its rest.

    None is due where the strip holds what ran and what is still wanted.  strip_mm: (zone,) of one pulse.
    """
    keys = list(dict.fromkeys(zone.valve.key for zone in facts.zones))
    ready = np.zeros(len(keys))
    for z, zone in enumerate(facts.zones):
        ended = _ended(facts, kept, zone.name)
        one_event = given.net_mm[z] + need.net[z] <= strip_mm[z]
        if ended is None or (zone.longest_pulse_minutes is None and one_event):
            continue
        v = keys.index(zone.valve.key)
        ready[v] = max(ready[v], minutes_between(begin, ended) + pulse_rest(zone))
    return ready


def _ended(facts: Facts, kept: Sequence[Run], zone: str) -> datetime | None:
    """When today's last water of a zone ended; by a plan's run, or by what a person asked the service for."""
    ends = [run.stop for run in kept if run.zone == zone][-1:]
    ends += [a.closed_at for a in facts.applied_on(zone, facts.day) if a.closed_at and a.minutes > 0]
    for one in facts.under_way:
        if zone in {share.zone for share in one.shares}:
            ends.append(one.recorded_at + timedelta(seconds=one.seconds))
    return max(ends, key=datetime.timestamp, default=None)


def _runs(facts: Facts, outlook: Outlook, kept: Sequence[Run], begin: datetime) -> list[Run]:
    week, plan = outlook.week, outlook.plan
    times: dict[int, list[tuple[float, float]]] = {}
    for pulse in plan.of_day(0):
        times.setdefault(pulse.valve, []).append((pulse.start, pulse.stop))
    runs: list[Run] = []
    for valve, pulses in times.items():
        members = np.flatnonzero((week.valve == valve) & (plan.minutes[0] > 0)).tolist()
        asks = tuple(
            Ask(
                zone=facts.zones[z].name,
                minutes=float(plan.minutes[0, z]),
                flow_lpm=float(week.flow_lpm[0, z]),
                net_per_minute=float(week.net_per_minute[0, z]),
                fill_minutes=float(week.fill[z]),
                first_pulse=facts.first_pulse(facts.zones[z].name, kept),
            )
            for z in members
        )
        runs += timed_runs(ValveAsk(asks, 0.0, 0.0, 0.0), pulses, begin)
    return sorted(runs, key=lambda r: (r.start.timestamp(), r.zone, r.pulse))


def _long_pulses(outlook: Outlook) -> dict[str, tuple[int, int]]:
    week, plan = outlook.week, outlook.plan
    if week.loose is None:
        return {}
    valves, found = Valves(week), {}
    for z in np.flatnonzero(plan.minutes[0] > 0).tolist():
        v = int(week.valve[z])
        asked = valves.pulsing[0][v].by_strip(float(plan.minutes[0, z]))
        given = sum(pulse.valve == v for pulse in plan.of_day(0))
        if given < asked:
            found[week.zones[z]] = given, asked
    return found


def _uncovered(garden: Garden, facts: Facts, need: Need, runs: Sequence[Run]) -> dict[str, tuple[int, int]]:
    """Seedbeds with fewer of their waterings ahead in the daylight than the seed wants."""
    beds = np.flatnonzero(need.waterings >= 2).tolist()
    if not beds:
        return {}
    where = garden.location
    sun = daylight(facts.day, where.latitude_deg, where.longitude_deg)
    found = {}
    for z in beds:
        mine = [run for run in runs if run.zone == facts.zones[z].name]
        lit = [run for run in mine if sun and sun[0] <= run.start + MINUTE and run.stop <= sun[1] + MINUTE]
        if len(lit) < need.waterings[z]:
            found[facts.zones[z].name] = len(lit), int(need.waterings[z])
    return found


def _unmet(garden: Garden, outlook: Outlook) -> tuple[Unmet, ...]:
    """Zones that the supply keeps from what they would get today; less for the sake of rain is not unmet."""
    week, plan = outlook.week, outlook.plan
    found = []
    for z in np.flatnonzero(outlook.ample > plan.minutes[0] + 0.5).tolist():
        why = why_not_today(garden, week, plan.minutes, z, outlook.first, wanted=float(outlook.ample[z]))
        if why is None:
            continue
        rate, fill = float(week.net_per_minute[0, z]), float(week.fill[z])
        wanted, given = (max(float(m[z]) - fill, 0.0) * rate for m in (outlook.ample, plan.minutes[0]))
        found.append(Unmet(week.zones[z], wanted - given, why, _flows(week, z) if why == OVER_FLOW else ()))
    return tuple(found)


def _flows(week: Week, z: int) -> tuple[float, float]:
    """L/min: what the zones on a zone's valve draw together today, and what the supply can feed."""
    return float(Valves(week).flow[0, week.valve[z]]), week.usable_lpm
