"""Who is due this morning, and the runs that follow from it."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from datetime import date, datetime, timedelta

import numpy as np

from scheduler.core.arrays import BoolArray, FloatArray, Minutes, Mm
from scheduler.core.balance.need import Morning, Need, need_today
from scheduler.core.balance.pulses import pulsing, splits
from scheduler.core.balance.rule import RefillRule
from scheduler.core.balance.terms import Terms
from scheduler.core.hours.runs import Ask, ValveAsk, into_hours
from scheduler.core.hours.windows import watering_windows
from scheduler.core.pulsing import Pulsing
from scheduler.core.week.loss import suffered_days
from scheduler.model import Garden, Run, Schedule, Supply, Unmet, Windows, Zone
from scheduler.planning.day_rules import rules_from, supply_on
from scheduler.planning.facts import Facts
from scheduler.planning.feeding import feed_minutes
from scheduler.planning.given import given_today, liters_by_day, stand_flow
from scheduler.planning.live import Live
from scheduler.planning.on_record import answers
from scheduler.planning.shortage import LEAST_BY_HAND, urgency
from scheduler.planning.spans import DAYS_AHEAD


def decide(garden: Garden, facts: Facts, live: Live, *, as_planned: bool = False) -> Need:
    """Who is due this morning (model M6).

    as_planned: what runs by hand are to give whose start has passed counts as given, though nobody said so:
    for planning what is still ahead.
    """
    offset, today = live.et_offset, live.today
    i = offset + today
    yesterday = live.et.et0_mm[i - 1] if i > 0 else np.nan
    so_far = facts.rain_so_far_mm or 0.0
    rain_ahead = np.where(live.rain_missing, np.nan, live.rain_mm)[today:].copy()
    given = given_today(facts, live, as_planned=as_planned)
    rain_ahead[:1] = np.maximum(rain_ahead[:1] - so_far, 0)
    morning = Morning(
        et0_yesterday_mm=float(yesterday if np.isfinite(yesterday) else live.et.et0_mm[i]),
        rain_so_far_mm=so_far,
        applied_today_mm=given.net_mm,
        forecast_rain_mm=rain_ahead,
        rain_chance=facts.weather.rain_chance_pct[i : i + len(rain_ahead)] / 100,
        days_to_next_morning=days_to_next_morning(garden, facts.day),
        held=_held_valves(facts),
        surface_mm=live.surface,
        leaching=live.leaching,
        sprinkled_today_mm=_sprinkled_today(facts),
        owed_minutes=_owed_minutes(facts),
        fed_yesterday=_fed_yesterday(facts),
        feed_minutes=feed_minutes(garden, facts, live.terms, today),
    )
    rule = RefillRule.of(facts.zones).after(given.minutes, live.terms.standing[today] & ~morning.held)
    return need_today(live.terms, today, live.deficit, morning, rule)


def _owed_minutes(facts: Facts) -> Minutes:
    """(zone,) Minutes of pulses still ahead of today's runs that have begun."""
    done = done_runs(facts)
    begun = {run.zone for run in done}
    before = facts.plans.get(facts.day)
    ahead = [run for run in (before.runs if before else ()) if run.zone in begun and run not in done]
    return np.array(
        [sum(run.minutes for run in ahead if run.zone == zone.name) for zone in facts.zones],
        dtype=np.float64,
    )


def _sprinkled_today(facts: Facts) -> Mm:
    """(zone,) mm over the seed rows."""
    return np.array(
        [
            sum(mm for zone, day, mm in facts.sprinkled if (zone, day) == (one.name, facts.day))
            for one in facts.zones
        ],
        dtype=np.float64,
    )


def _fed_yesterday(facts: Facts) -> BoolArray:
    before = facts.day - timedelta(days=1)
    return np.array([(zone.name, before) in facts.feeds for zone in facts.zones], dtype=bool)


def days_to_next_morning(garden: Garden, day: date) -> int:
    """Days to the next allowed morning, at most as far as the forecast reaches."""
    rules = rules_from(garden.supply, day + timedelta(days=1), DAYS_AHEAD)
    return next((ahead for ahead, rule in enumerate(rules, 1) if rule.allowed), DAYS_AHEAD + 1)


def _held_valves(facts: Facts) -> BoolArray:
    """A zone on hold keeps its valve shut, and so every zone on that valve."""
    return np.array([facts.held(zone.name) is not None for zone in facts.zones], dtype=bool)


def schedule(garden: Garden, facts: Facts, live: Live, need: Need, *, now: datetime) -> Schedule:
    """Each zone's own minutes into runs inside today's hours, the thirstiest first, without a week's plan.

    Runs already answered for stay in the plan as they were.
    """
    used = liters_by_day(facts, live)
    supply = supply_on(garden.supply, facts.day, used)
    windows = watering_windows(facts.day, supply.hours, garden.location.timezone)
    kept = done_runs(facts)
    asks = _valve_asks(facts, live, need, kept)
    if not rules_from(garden.supply, facts.day)[0].allowed:
        following = facts.day + timedelta(days=days_to_next_morning(garden, facts.day))
        why = f"not a watering day: the next is {following:%a %Y-%m-%d}"
        unmet = tuple(
            Unmet(ask.zone, max(ask.minutes - ask.fill_minutes, 0) * ask.net_per_minute, why)
            for valve in asks
            for ask in valve.zones
        )
        return Schedule(facts.day, windows, kept, unmet)
    earliest = max(now, windows[0][0], key=datetime.timestamp)
    runs, unmet = planned_runs(
        asks, supply, windows, earliest=earliest, finish=garden.finish, liters_used=used.get(facts.day, 0.0)
    )
    return Schedule(facts.day, windows, (*kept, *runs), unmet)


def planned_runs(
    asks: Sequence[ValveAsk],
    supply: Supply,
    windows: Windows,
    *,
    earliest: datetime,
    finish: str = "late",
    liters_used: float = 0.0,
) -> tuple[tuple[Run, ...], tuple[Unmet, ...]]:
    """`into_hours`; one valve after another where some must not run together, safe whoever they are."""
    if not supply.not_together:
        return into_hours(asks, supply, windows, earliest=earliest, finish=finish, liters_used=liters_used)
    runs: list[Run] = []
    unmet: list[Unmet] = []
    for ask in sorted(asks, key=lambda a: -a.urgency):
        mine, short = into_hours(
            [ask], supply, windows, earliest=earliest, finish="early", liters_used=liters_used
        )
        runs += mine
        unmet += short
        liters_used += sum(run.liters for run in mine)
        earliest = max([earliest, *(run.stop for run in mine)], key=datetime.timestamp)
    return tuple(runs), tuple(unmet)


def done_runs(facts: Facts) -> tuple[Run, ...]:
    """Today's earlier runs that are facts, no longer a plan: opened by a valve, or by hand and begun, also
    of a zone that garden.yaml has no more.

    Runs still ahead of them are planned anew, for what is still missing: they must not stay beside it.
    """
    before = facts.plans.get(facts.day)
    if before is None:
        return ()
    by_valve = {zone.name for zone in facts.zones if zone.valve.driver != "by_hand"}
    return tuple(
        run
        for run in before.runs
        if (run.zone, run.pulse) in facts.tried | facts.begun
        or (run.zone not in by_valve and any(answers(a, run) for a in facts.applied_on(run.zone, facts.day)))
    )


def _valve_asks(facts: Facts, live: Live, need: Need, kept: Sequence[Run]) -> list[ValveAsk]:
    def ask(z: int) -> Ask:
        return Ask(
            zone=facts.zones[z].name,
            minutes=float(need.minutes[z]),
            flow_lpm=stand_flow(live, z),
            net_per_minute=float(1 / need.minutes_per_mm[z]),
            fill_minutes=facts.zones[z].fill_time_minutes,
            first_pulse=facts.first_pulse(facts.zones[z].name, kept),
        )

    past = suffered_days(1 - live.balance.ks[: live.today])
    urgent = urgency(facts.zones, need, live.terms.taw[live.today], past)
    return valve_asks(facts.zones, live.terms, live.today, need, urgent, ask)


def valve_asks(
    zones: Sequence[Zone], terms: Terms, day: int, need: Need, urgent: FloatArray, ask: Callable[[int], Ask]
) -> list[ValveAsk]:
    """What the valves of the zones that want water ask for on a day, an index of `terms`.

    urgent: (zone,) the highest goes first (`shortage.urgency`); ask: of one zone, by its place.
    """
    strip, least = splits(zones, terms, slice(day, day + 1), need.minutes_per_mm[None], need)
    lasts = need.deficit_now + need.outlook_etc <= need.raw  # else rather longer pulses than less water
    own = pulsing(zones, strip[0], least[0], lasts)
    by_valve: dict[str, list[int]] = {}
    for z in np.flatnonzero(need.minutes > 0).tolist():
        by_valve.setdefault(zones[z].valve.key, []).append(z)
    return [
        _valve_ask(
            [zones[z] for z in members],
            tuple(ask(z) for z in members),
            max(float(urgent[z]) for z in members),
            [own[z] for z in members],
        )
        for members in by_valve.values()
    ]


def _valve_ask(
    zones: Sequence[Zone], asks: tuple[Ask, ...], urgent: float, own: Sequence[Pulsing]
) -> ValveAsk:
    return ValveAsk(
        zones=asks,
        urgency=urgent,
        shortest_minutes=_shortest(zones, asks, suffers=urgent > 1),
        cap_minutes=min(zone.valve.cap_minutes for zone in zones),
        pulsing=Pulsing.together(own),
    )


def _shortest(zones: Sequence[Zone], asks: Sequence[Ask], *, suffers: bool) -> float:
    """Minutes below which the valve is not opened; by hand a third of a run, unless a crop suffers."""
    own = max(zone.shortest_run_minutes for zone in zones)
    if suffers or zones[0].valve.driver != "by_hand":
        return own
    return max(own, math.ceil(max(ask.minutes for ask in asks) / LEAST_BY_HAND))
