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
    """Who is due this morning, who can wait for rain, and the minutes each wants (model M6, live).

    day: index of today in `terms`; deficit: (zone,) Dr(i-1).  p uses yesterday's ET0, since today's is only
    a forecast.  A due zone waits only while it could do without any rain up to the next allowed morning, and
    forecast rain x probability fills the soil.
    """
    p, raw, trigger = _thresholds(terms, day, morning)
    rain_so_far = _rain_so_far(terms, day, morning)
    now = np.maximum(deficit - rain_so_far - morning.applied_today_mm, 0)
    until = morning.days_to_next_morning
    outlook_etc = terms.etc[day : day + until].sum(axis=0)
    outlook_rain = float(np.nansum((morning.forecast_rain_mm * morning.rain_chance)[:until]))
    due = terms.standing[day] & (now >= trigger) & ~morning.held
    waits = due & (now + outlook_etc <= raw) & (outlook_rain >= now) & (now > 0)
    minutes = morning_minutes(
        now,
        rule,
        trigger=np.where(due & ~waits, trigger, np.inf),
        raw=raw,
        minutes_per_mm=terms.minutes_per_mm[day],
        settle=_settle(terms, day, morning),
        standing=terms.standing[day] & ~morning.held,
    )
    minutes = np.zeros(len(deficit)) if minutes is None else minutes
    return Need(
        deficit=deficit, deficit_now=now, p=p, raw=raw, trigger=trigger, due=due, waits=waits,
        outlook_etc=outlook_etc, outlook_rain=outlook_rain, rain_so_far_eff=rain_so_far, minutes=minutes,
        net=net_of_minutes(minutes, terms.minutes_per_mm[day], rule.limits.fill),
    )  # fmt: skip


def _thresholds(terms: Terms, day: int, morning: Morning) -> tuple[Share, Mm, Mm]:
    """(p, RAW, trigger), (zone,), with yesterday's ET0; no limit where nothing stands."""
    standing = terms.standing[day]
    kc, p_table = today_of(terms, day, terms.flat.kc), today_of(terms, day, terms.flat.p_table)
    p = np.where(standing, depletion_fraction(p_table, kc * morning.et0_yesterday_mm), 0.0)
    raw = np.where(standing, p * terms.taw[day], np.inf)
    refill_at = np.divide(terms.trigger[day], terms.raw[day], where=standing, out=np.ones_like(raw))
    return p, raw, refill_at * raw


def _rain_so_far(terms: Terms, day: int, morning: Morning) -> Mm:
    """(zone,) mm of the rain since midnight that counts: none below 0.2 ET0 (model M5)."""
    counts = morning.rain_so_far_mm >= SMALL_RAIN_SHARE_OF_ET0 * morning.et0_yesterday_mm
    return today_of(terms, day, terms.flat.rain_share) * (morning.rain_so_far_mm if counts else 0.0)


def _settle(terms: Terms, day: int, morning: Morning) -> Minutes | None:
    """Minutes of a settling run, unless the valve is kept shut or the zone had water today."""
    if terms.settle is None:
        return None
    return np.where(morning.held | (morning.applied_today_mm > 0), 0.0, terms.settle[day])


def today_of(terms: Terms, day: int, flat_values: Mm) -> Mm:
    """One day's row, (zone,), of a flat array; 0 where nothing stands."""
    row = np.zeros(terms.stand.shape[1])
    width = terms.stand.shape[1]
    here = np.flatnonzero(terms.flat.day == day)
    row[terms.flat.place[here] - day * width] = flat_values[here]
    return row
