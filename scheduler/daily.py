"""The daily way: from the season's facts to today's runs. Same facts, same plan."""

from __future__ import annotations

import logging
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING

import numpy as np

from scheduler.confidence import Confidence, confidence
from scheduler.core.arrays import BoolArray, Mm
from scheduler.core.et import ReferenceET, fill, reference_et
from scheduler.core.need import Morning, Need, need_today
from scheduler.core.pack import Ask, ValveAsk, into_hours, watering_window
from scheduler.core.soil import Balance, Rule, run
from scheduler.core.terms import Terms, terms
from scheduler.dayrules import rules_from, supply_on
from scheduler.facts import ASK_BACK_DAYS, DAYS_AHEAD, RECENT_DAYS, Facts, MakePlanting, gather, inputs_digest
from scheduler.model import Fetched, Garden, Run, Schedule, StoredPlan, Supply, Unmet
from scheduler.pages.day import day_page
from scheduler.pages.runs import run_of
from scheduler.pages.week import week_page
from scheduler.pages.working import day_working
from scheduler.soilsensor import add_from_sensors

if TYPE_CHECKING:
    from scheduler.outlook import Outlook
    from scheduler.store.store import Store

log = logging.getLogger(__name__)
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
    sure: Confidence

    @property
    def deficit_sd(self) -> Mm:
        """Standard uncertainty of `deficit`, (zone,) mm."""
        return np.asarray(self.sure.carried.sd_start[self.today])

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
    outlook: Outlook | None = None  # the week this day is part of
    unplanned: str | None = None  # why there is none: today then follows each zone's own rule

    @property
    def waits(self) -> BoolArray:
        """(zone,) Due, and left without water in the hope of rain."""
        if self.outlook is None:
            return self.need.waits
        return np.asarray(self.need.waits & (self.outlook.plan.minutes[0] == 0))


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
    failures = failures + add_from_sensors(garden, store, now=now, since=min(store.first_day or day, day))
    facts = gather(garden, day, store, make_planting)
    inputs = inputs_digest(garden, facts)
    kept = facts.plans.get(day)
    if kept is not None and kept.inputs == inputs:
        return kept
    plan = work_out(garden, facts, now=now)
    page = day_page(garden, facts, plan, made_at=now, fetched=fetched, failures=failures)
    working = day_working(garden, facts, plan) | {"week": week_page(garden, plan, made_at=now)}
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
    outlook, runs, unplanned = None, None, None
    try:
        from scheduler.outlook import look_ahead

        outlook, runs = look_ahead(garden, facts, live, need, _done_runs(facts), now=now)
    except Exception as error:  # whatever goes wrong with the week, today's water must not be lost
        unplanned = f"{type(error).__name__}: {error}"
        log.error("the week could not be planned: %s", unplanned, exc_info=log.isEnabledFor(logging.DEBUG))
    runs = runs or schedule(garden, facts, live, need, now=now)
    return Plan(live, need, runs, unanswered, as_planned, outlook, unplanned)


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
    sure = confidence(
        garden, facts, et=et, laid_out=laid_out, balance=balance, rain=rain, rain_missing=missing
    )
    return Live(facts.start, today, et, laid_out, rain, missing, sure.carried.balance, given, sure)


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
            [
                sum(a.net_mm for a in facts.applied_on(zone.name, facts.day))
                + sum(run["net_mm"] for run in facts.in_hand() if run["zone"] == zone.name)
                for zone in facts.zones
            ]
        ),
        forecast_rain_mm=rain_ahead,
        rain_chance=facts.weather.rain_chance_pct[i : i + len(rain_ahead)] / 100,
        days_to_next_morning=_days_to_next_morning(garden, facts.day),
        held=_held_valves(facts),
    )
    return need_today(live.terms, today, live.deficit, morning, Rule.of(facts.zones))


def _days_to_next_morning(garden: Garden, day: date) -> int:
    """Days to the next allowed morning, at most as far as the forecast reaches."""
    rules = rules_from(garden.supply, day + timedelta(days=1), DAYS_AHEAD)
    return next((ahead for ahead, rule in enumerate(rules, 1) if rule.allowed), DAYS_AHEAD + 1)


def _held_valves(facts: Facts) -> BoolArray:
    """A zone on hold keeps its valve shut, and so every zone on that valve."""
    keys = {zone.valve.key for zone in facts.zones if facts.held(zone.name)}
    return np.array([zone.valve.key in keys for zone in facts.zones], dtype=bool)


def schedule(garden: Garden, facts: Facts, live: Live, need: Need, *, now: datetime) -> Schedule:
    """Each zone's own minutes into runs inside today's hours, the thirstiest first, without a week's plan.

    Runs already answered for stay in the plan as they were.
    """
    used = facts.liters_by_day()
    supply = supply_on(garden.supply, facts.day, used)
    window = watering_window(facts.day, supply.hours_from, supply.hours_until, garden.location.timezone)
    kept = _done_runs(facts)
    asks = _valve_asks(facts, live, need, kept)
    if not rules_from(garden.supply, facts.day)[0].allowed:
        following = facts.day + timedelta(days=_days_to_next_morning(garden, facts.day))
        why = f"not a watering day: the next is {following:%a %Y-%m-%d}"
        unmet = tuple(
            Unmet(ask.zone, max(ask.minutes - ask.fill_minutes, 0) * ask.net_per_minute, why)
            for valve in asks
            for ask in valve.zones
        )
        return Schedule(facts.day, *window, kept, unmet)
    earliest = now if now.astimezone(window[0].tzinfo).date() == facts.day else window[0]
    if supply.not_together:
        runs, unmet = _in_turn(asks, supply, window, earliest, used.get(facts.day, 0.0))
    else:
        runs, unmet = into_hours(
            asks, supply, window, earliest=earliest, finish=garden.finish,
            liters_used=used.get(facts.day, 0.0),
        )  # fmt: skip
    return Schedule(facts.day, *window, (*kept, *runs), unmet)


def _in_turn(
    asks: Sequence[ValveAsk],
    supply: Supply,
    window: tuple[datetime, datetime],
    earliest: datetime,
    liters_used: float,
) -> tuple[tuple[Run, ...], tuple[Unmet, ...]]:
    """One valve after another: where some must not run together, that is safe whoever they are."""
    runs: list[Run] = []
    unmet: list[Unmet] = []
    for ask in sorted(asks, key=lambda a: -a.urgency):
        mine, short = into_hours(
            [ask], supply, window, earliest=earliest, finish="early", liters_used=liters_used
        )
        runs += mine
        unmet += short
        liters_used += sum(run.liters for run in mine)
        earliest = max([earliest, *(run.stop for run in mine)], key=datetime.timestamp)
    return tuple(runs), tuple(unmet)


def _done_runs(facts: Facts) -> tuple[Run, ...]:
    """Today's earlier runs that are facts, no longer a plan: opened by a valve, or by hand and told of.

    Runs still ahead of them are planned anew, for what is still missing: they must not stay beside it.
    """
    before = facts.plans.get(facts.day)
    if before is None:
        return ()
    by_hand = {zone.name for zone in facts.zones if zone.valve.driver == "by_hand"}
    return tuple(
        run_of(run)
        for run in before.page.get("runs", ())
        if (run["zone"], run["pulse"]) in facts.tried
        or (run["zone"] in by_hand and facts.applied_on(run["zone"], facts.day))
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
                first_pulse=facts.first_pulse(facts.zones[z].name, kept),
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
