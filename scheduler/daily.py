"""The daily way: from the season's facts to today's runs. Same facts, same plan."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING

import numpy as np

from scheduler.core.arrays import BoolArray, Mm
from scheduler.core.et import ReferenceET, fill, reference_et
from scheduler.core.need import Morning, Need, need_today
from scheduler.core.pack import Ask, ValveAsk, into_hours, watering_window
from scheduler.core.soil import Balance, Rule, run
from scheduler.core.terms import Terms, terms
from scheduler.facts import ASK_BACK_DAYS, DAYS_AHEAD, RECENT_DAYS, Facts, MakePlanting, gather, inputs_digest
from scheduler.model import Fetched, Garden, Run, Schedule, StoredPlan, Unmet
from scheduler.pages.day import day_page
from scheduler.pages.runs import run_of
from scheduler.pages.working import day_working

if TYPE_CHECKING:
    from scheduler.store.store import Store

Collect = Callable[[date], tuple[list[Fetched], list[str]]]
"""Ask the weather sources for the days from a date on; failures come back as lines of text."""


@dataclass(frozen=True, slots=True)
class Live:
    """The balance up to last night, and the terms up to a week ahead."""

    start: date
    today: int  # index of the day in every (day, zone) array
    et: ReferenceET  # of all stored weather
    terms: Terms
    rain_mm: Mm  # (day,), missing counted as 0
    rain_missing: BoolArray
    balance: Balance
    given: Mm  # (day, zone) net mm that reached the soil

    @property
    def et_offset(self) -> int:
        """Index of `start` in the stored weather."""
        return (self.start - self.et.first).days

    @property
    def deficit(self) -> Mm:
        """Dr(i-1) this morning, held to the TAW of a planting that begins today."""
        return np.asarray(self.balance.deficit_start[self.today])


@dataclass(frozen=True, slots=True)
class Unanswered:
    """A planned run that nobody has said anything about."""

    zone: str
    day: date
    minutes: float
    liters: float
    net_mm: float


@dataclass(frozen=True, slots=True)
class Plan:
    """One day, worked out."""

    live: Live
    need: Need
    schedule: Schedule
    unanswered: tuple[Unanswered, ...]
    minutes_if_given: Mm  # (zone,), wanted today if every unanswered run was given as planned


def plan_day(
    garden: Garden,
    day: date,
    *,
    now: datetime,
    store: Store,
    collect: Collect,
    make_planting: MakePlanting | None = None,
) -> StoredPlan:
    """Weather in, balance, need, runs, plan on record. Twice on the same facts, it keeps the first plan."""
    store.begin(day)
    fetched, failures = collect(min(store.first_day or day, day) - timedelta(days=RECENT_DAYS + 1))
    store.add_weather(value for answer in fetched for value in answer.values)
    facts = gather(garden, day, store, make_planting)
    inputs = inputs_digest(garden, facts)
    kept = facts.plans.get(day)
    if kept is not None and kept.inputs == inputs:
        return kept
    plan = work_out(garden, facts, now=now)
    page = day_page(garden, facts, plan, made_at=now, fetched=fetched, failures=failures)
    working = day_working(garden, facts, plan)
    return store.add_plan(day, now, inputs, page, working)


def work_out(garden: Garden, facts: Facts, *, now: datetime) -> Plan:
    """The pure middle of the day: facts in, plan out."""
    unanswered = unanswered_runs(facts)
    live = balance_to_last_night(garden, facts, ())
    need = decide(garden, facts, live)
    if unanswered:
        as_planned = decide(garden, facts, balance_to_last_night(garden, facts, unanswered)).minutes
    else:
        as_planned = need.minutes
    return Plan(live, need, schedule(garden, facts, live, need, now=now), unanswered, as_planned)


def balance_to_last_night(garden: Garden, facts: Facts, believed: Sequence[Unanswered]) -> Live:
    """Every day from the start to last night, with the water that was really given.

    believed: runs to count as given though nobody said so (for the second of the two figures a grower who
    has not answered is shown).
    """
    today = (facts.day - facts.start).days
    count = today + DAYS_AHEAD + 1
    last = facts.start + timedelta(days=count - 1)
    et = fill(reference_et(facts.weather, garden.location), facts.start, last)
    offset = (facts.start - et.first).days
    rain = facts.weather.rain_mm[offset : offset + count]
    missing = ~(rain >= 0)
    rain = np.where(missing, 0.0, rain)
    laid_out = terms(
        facts.zones, facts.start, et.et0_mm[offset : offset + count], rain,
        location=garden.location, supply=garden.supply,
    )  # fmt: skip
    index = {zone.name: z for z, zone in enumerate(facts.zones)}
    given = np.zeros((count, len(facts.zones)))
    for zone, day, net in [(a.zone, a.day, a.net_mm) for a in facts.applied] + [
        (b.zone, b.day, b.net_mm) for b in believed
    ]:
        if zone in index and facts.start <= day < facts.day:
            given[(day - facts.start).days, index[zone]] += net
    balance = run(
        laid_out,
        starting_deficit=np.array([zone.starting_deficit_mm for zone in facts.zones]),
        rule=Rule.of(facts.zones),
        given=given,
        decide_from=count,
    )
    return Live(facts.start, today, et, laid_out, rain, missing, balance, given)


def decide(garden: Garden, facts: Facts, live: Live) -> Need:
    """Who is due this morning (model M6)."""
    offset, today = live.et_offset, live.today
    i = offset + today
    yesterday = live.et.et0_mm[i - 1] if i > 0 else np.nan
    so_far = facts.rain_so_far_mm or 0.0
    rain_ahead = np.where(live.rain_missing, np.nan, live.rain_mm)[today:].copy()
    rain_ahead[:1] = np.maximum(rain_ahead[:1] - so_far, 0)
    morning = Morning(
        et0_yesterday_mm=float(yesterday if np.isfinite(yesterday) else live.et.et0_mm[i]),
        rain_so_far_mm=so_far,
        applied_today_mm=np.array(
            [sum(a.net_mm for a in facts.applied_on(zone.name, facts.day)) for zone in facts.zones]
        ),
        forecast_rain_mm=rain_ahead,
        rain_chance=facts.weather.rain_chance_pct[i : i + len(rain_ahead)] / 100,
        days_to_next_morning=_days_to_next_morning(garden, facts.day),
        held=_held_valves(facts),
    )
    return need_today(live.terms, today, live.deficit, morning, Rule.of(facts.zones))


def _days_to_next_morning(garden: Garden, day: date) -> int:
    """Days to the next allowed morning, at most as far as the forecast reaches."""
    for ahead in range(1, DAYS_AHEAD + 1):
        if garden.supply.days.allows(day + timedelta(days=ahead)):
            return ahead
    return DAYS_AHEAD + 1


def _held_valves(facts: Facts) -> BoolArray:
    """A zone on hold keeps its valve shut, and so every zone on that valve."""
    keys = {zone.valve.key for zone in facts.zones if facts.held(zone.name)}
    return np.array([zone.valve.key in keys for zone in facts.zones], dtype=bool)


def schedule(garden: Garden, facts: Facts, live: Live, need: Need, *, now: datetime) -> Schedule:
    """Minutes into runs inside today's hours; runs already answered for stay in the plan as they were."""
    supply = garden.supply
    window = watering_window(facts.day, supply.hours_from, supply.hours_until, garden.location.timezone)
    kept = _answered_runs(facts)
    asks = _valve_asks(facts, live, need, kept)
    if not supply.days.allows(facts.day):
        following = facts.day + timedelta(days=_days_to_next_morning(garden, facts.day))
        why = f"not a watering day: the next is {following:%a %Y-%m-%d}"
        unmet = tuple(
            Unmet(ask.zone, max(ask.minutes - ask.fill_minutes, 0) * ask.net_per_minute, why)
            for valve in asks
            for ask in valve.zones
        )
        return Schedule(facts.day, *window, kept, unmet)
    runs, unmet = into_hours(
        asks,
        supply,
        window,
        earliest=now if now.astimezone(window[0].tzinfo).date() == facts.day else window[0],
        finish=garden.finish,
        liters_used=sum(a.liters for a in facts.applied if a.day == facts.day),
    )
    return Schedule(facts.day, *window, (*kept, *runs), unmet)


def _answered_runs(facts: Facts) -> tuple[Run, ...]:
    """Today's earlier runs of zones that have been given water since: facts, no longer a plan."""
    before = facts.plans.get(facts.day)
    if before is None:
        return ()
    return tuple(
        run_of(run) for run in before.page.get("runs", ()) if facts.applied_on(run["zone"], facts.day)
    )


def _valve_asks(facts: Facts, live: Live, need: Need, kept: Sequence[Run]) -> list[ValveAsk]:
    by_valve: dict[str, list[int]] = {}
    for z, zone in enumerate(facts.zones):
        if need.minutes[z] > 0:
            by_valve.setdefault(zone.valve.key, []).append(z)
    return [_valve_ask(facts, live, need, members, kept) for members in by_valve.values()]


def _valve_ask(facts: Facts, live: Live, need: Need, members: list[int], kept: Sequence[Run]) -> ValveAsk:
    zones = [facts.zones[z] for z in members]
    pulses = [zone.longest_pulse_minutes for zone in zones if zone.longest_pulse_minutes is not None]
    return ValveAsk(
        zones=tuple(
            Ask(
                zone=facts.zones[z].name,
                minutes=float(need.minutes[z]),
                flow_lpm=_stand_flow(live, z),
                net_per_minute=float(1 / live.terms.minutes_per_mm[live.today, z]),
                fill_minutes=facts.zones[z].fill_time_minutes,
                first_pulse=1 + max((r.pulse for r in kept if r.zone == facts.zones[z].name), default=0),
            )
            for z in members
        ),
        urgency=max(float(need.deficit_now[z] / need.raw[z]) for z in members),
        shortest_minutes=max(zone.shortest_run_minutes for zone in zones),
        cap_minutes=min(zone.valve.cap_minutes for zone in zones),
        longest_pulse_minutes=min(pulses, default=None),
        pulse_rest_minutes=max(zone.pulse_rest_minutes for zone in zones),
    )


def _stand_flow(live: Live, z: int) -> float:
    return float(live.terms.stands[live.terms.stand[live.today, z]].delivery.flow_lpm)


def unanswered_runs(facts: Facts) -> tuple[Unanswered, ...]:
    """Planned runs of the last days that no record of water answers, oldest first."""
    found = []
    for day, plan in sorted(facts.plans.items()):
        if not max(facts.day - timedelta(days=ASK_BACK_DAYS), facts.start) <= day < facts.day:
            continue
        for zone in facts.zones:
            runs = [run for run in plan.page.get("runs", ()) if run["zone"] == zone.name]
            if runs and not facts.applied_on(zone.name, day):
                totals = (sum(run[key] for run in runs) for key in ("minutes", "liters", "net_mm"))
                found.append(Unanswered(zone.name, day, *totals))
    return tuple(found)
