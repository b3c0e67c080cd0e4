"""This morning's decision for every zone: due, waiting for rain, or neither (model M6, live)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from scheduler.core.arrays import BoolArray, Minutes, Mm, Share
from scheduler.core.balance.rule import RefillRule, morning_minutes
from scheduler.core.balance.tape import net_of_minutes
from scheduler.core.balance.terms import SMALL_RAIN_SHARE_OF_ET0, Terms, depletion_fraction


@dataclass(frozen=True, slots=True)
class Morning:
    """What is known this morning beside the balance; (day,) arrays run from today on."""

    et0_yesterday_mm: float
    rain_so_far_mm: float
    applied_today_mm: Mm  # (zone,) net, already given this morning
    forecast_rain_mm: Mm  # (day,), today's less what has fallen; nan where no source says
    rain_chance: Share  # (day,), nan where no source says: such rain is not counted on
    days_to_next_morning: int  # days from today to the next allowed one
    held: BoolArray  # (zone,), the grower keeps its valve shut


@dataclass(frozen=True, slots=True)
class Need:
    """(zone,) arrays; `minutes` before anything is packed into the hours."""

    deficit: Mm  # Dr(i-1), held to a new planting's TAW
    deficit_now: Mm  # less the rain since midnight and what was given this morning
    p: Share
    raw: Mm
    trigger: Mm
    due: BoolArray
    waits: BoolArray
    outlook_etc: Mm  # forecast ETc up to the next allowed morning
    outlook_rain: float  # forecast rain x probability over the same days
    rain_so_far_eff: Mm
    minutes: Minutes
    net: Mm


def need_today(terms: Terms, day: int, deficit: Mm, morning: Morning, rule: RefillRule) -> Need:
    """Who is due this morning, who can wait for rain, and the minutes each wants.

    day: index of today in `terms`; deficit: (zone,) Dr(i-1).  p uses yesterday's ET0, since today's is only
    a forecast.  A due zone waits only while it could do without any rain up to the next allowed morning.
    """
    stand = terms.stand[day]
    standing = stand >= 0
    kc, p_table = today_of(terms, day, terms.flat.kc), today_of(terms, day, terms.flat.p_table)
    taw = terms.taw[day]
    p = np.where(standing, depletion_fraction(p_table, kc * morning.et0_yesterday_mm), 0.0)
    raw = np.where(standing, p * taw, np.inf)
    refill_at = np.divide(terms.trigger[day], terms.raw[day], where=standing, out=np.ones_like(raw))
    trigger = refill_at * raw
    counts = morning.rain_so_far_mm >= SMALL_RAIN_SHARE_OF_ET0 * morning.et0_yesterday_mm
    share = today_of(terms, day, terms.flat.rain_share)
    rain_so_far = share * (morning.rain_so_far_mm if counts else 0.0)
    now = np.maximum(deficit - rain_so_far - morning.applied_today_mm, 0)

    ahead = slice(day, day + morning.days_to_next_morning)
    outlook_etc = terms.etc[ahead].sum(axis=0)
    expected = morning.forecast_rain_mm * morning.rain_chance
    outlook_rain = float(np.nansum(expected[: morning.days_to_next_morning]))
    due = standing & (now >= trigger) & ~morning.held
    waits = due & (now + outlook_etc <= raw) & (outlook_rain >= now) & (now > 0)
    settle = None
    if terms.settle is not None:
        settle = np.where(morning.held | (morning.applied_today_mm > 0), 0.0, terms.settle[day])
    minutes = morning_minutes(
        now,
        rule,
        trigger=np.where(due & ~waits, trigger, np.inf),
        raw=raw,
        minutes_per_mm=terms.minutes_per_mm[day],
        settle=settle,
        standing=standing & ~morning.held,
    )
    minutes = np.zeros(len(deficit)) if minutes is None else minutes
    return Need(
        deficit=deficit,
        deficit_now=now,
        p=p,
        raw=raw,
        trigger=trigger,
        due=due,
        waits=waits,
        outlook_etc=outlook_etc,
        outlook_rain=outlook_rain,
        rain_so_far_eff=rain_so_far,
        minutes=minutes,
        net=net_of_minutes(minutes, terms.minutes_per_mm[day], rule.limits.fill),
    )


def today_of(terms: Terms, day: int, flat_values: Mm) -> Mm:
    """One day's row, (zone,), of a flat array; 0 where nothing stands."""
    row = np.zeros(terms.stand.shape[1])
    width = terms.stand.shape[1]
    here = np.flatnonzero(terms.flat.day == day)
    row[terms.flat.place[here] - day * width] = flat_values[here]
    return row
