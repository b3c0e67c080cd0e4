"""The root-zone water balance, day after day, for any number of zones at once (model M5).

Deficit Dr is mm below field capacity, per planted area.  Equation numbers: FAO-56.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from scheduler.core.arrays import BoolArray, FloatArray, IntArray, Minutes, Mm, Share
from scheduler.core.tape import RunLimits, net_of_minutes, run_minutes
from scheduler.core.terms import Terms
from scheduler.model import Zone


class Day(NamedTuple):
    deficit: Mm
    eta: Mm


def step(deficit: Mm, *, irrigation: Mm, rain_eff: Mm, etc: Mm, taw: Mm, slope: Share) -> Day:
    """Deficit one day on; irrigation comes in the morning, before the crop's use.

    All arguments broadcast to (..., zone), mm.  etc: Kc ET0 without stress; slope: etc / (taw - raw), so
    that Ks ETc of eq 84 is the lesser of etc and slope x (taw - deficit).  The crop uses no water that is
    not there, and drinks before the soil drains (`percolation`).
    Sources: FAO-56 eq 84 (stress), 85 (balance), 88 (percolation); no capillary rise.

    >>> day = step(np.float64(30), irrigation=0, rain_eff=0, etc=np.float64(5), taw=80, slope=5 / 40)
    >>> float(day.deficit), float(day.eta)
    (35.0, 5.0)
    """
    gain = rain_eff - deficit + irrigation
    use = np.minimum((taw - np.maximum(deficit - irrigation, 0)) * slope, etc)
    eta = np.minimum(use, taw + gain)
    return Day(np.maximum(eta - gain, 0), eta)


def percolation(deficit: Mm, *, irrigation: Mm, rain_eff: Mm, eta: Mm) -> Mm:
    """What drains below the roots on a day (eq 88), from the deficit at its start."""
    return np.maximum(rain_eff - deficit + irrigation - eta, 0)


def stress(deficit_start: Mm, *, taw: Mm, raw: Mm) -> Share:
    """Ks (eq 84): 1 down to RAW, then falling to 0 at TAW."""
    dry = deficit_start > raw
    room = np.where(dry, taw - raw, 1.0)
    return np.where(dry, np.clip((taw - deficit_start) / room, 0, 1), 1.0)


@dataclass(frozen=True, slots=True)
class Rule:
    """How a morning's minutes follow from the deficit, (zone,) arrays (model M6, M7)."""

    leave_room: Mm
    limits: RunLimits
    shared_valves: tuple[tuple[int, ...], ...] = ()  # zones on one valve open together

    @classmethod
    def of(cls, zones: tuple[Zone, ...]) -> Rule:
        return cls(np.array([z.leave_room_mm for z in zones]), RunLimits.of(zones), shared_valves(zones))


def shared_valves(zones: Sequence[Zone]) -> tuple[tuple[int, ...], ...]:
    """Groups of two or more zones that hang on one valve."""
    by_key: dict[str, list[int]] = {}
    for i, zone in enumerate(zones):
        by_key.setdefault(zone.valve.key, []).append(i)
    return tuple(tuple(group) for group in by_key.values() if len(group) > 1)


def morning_minutes(
    deficit: Mm,
    rule: Rule,
    *,
    trigger: Mm,
    raw: Mm,
    minutes_per_mm: FloatArray,
    settle: Minutes | None,
    standing: BoolArray | None = None,
) -> Minutes | None:
    """Minutes of each zone by the plain rule of M6; None where no zone is due (most mornings: be quick)."""
    due = deficit >= trigger
    if not np.count_nonzero(due) and (settle is None or not np.count_nonzero(settle)):
        return None
    minutes = run_minutes(deficit - rule.leave_room, minutes_per_mm, rule.limits, stressed=deficit >= raw)
    minutes *= due
    if settle is not None:
        minutes = np.minimum(np.maximum(minutes, np.ceil(settle)), rule.limits.longest)
    for group in rule.shared_valves:
        members = [i for i in group if standing is None or standing[i]]
        if members:
            minutes[members] = minutes[members].max()
    return minutes


@dataclass(frozen=True, slots=True)
class Balance:
    """(day, zone) arrays, mm and minutes; before a zone's balance begins everything is 0."""

    deficit_start: Mm  # Dr(i-1), held to the TAW of a planting's first day
    deficit_end: Mm
    irrigation: Mm  # net
    minutes: Minutes
    eta: Mm
    ks: Share
    percolation: Mm
    known: BoolArray  # the zone's balance has begun


def run(
    terms: Terms,
    *,
    starting_deficit: Mm,
    rule: Rule,
    given: Mm | None = None,
    decide_from: int = 0,
) -> Balance:
    """The balance of consecutive days from each zone's first standing day on.

    starting_deficit: (zone,) Dr before the first standing day, held to its TAW.
    given: (day, zone) net mm that really reached the soil; days from `decide_from` on, and every day where
    `given` is None, are decided by `rule`.
    """
    count, width = terms.etc.shape
    start, end, minutes, eta = (np.zeros((count, width)) for _ in range(4))
    irrigation = np.zeros((count, width)) if given is None else given.copy()
    decide_from = 0 if given is None else decide_from
    slope = terms.etc / (terms.taw - terms.raw)
    first_day = _first_standing(terms.begins, count, width)
    begins = _by_day(terms.begins)
    busy = np.flatnonzero(terms.standing.any(axis=1))
    dr = np.zeros(width)
    d = 0
    while d < count:
        wait = _days_until(busy, d, count)
        if wait:  # nothing stands anywhere: water only comes in, so the whole gap is one sum
            got = np.cumsum((terms.rain_eff + irrigation)[d : d + wait], axis=0)
            end[d : d + wait] = np.maximum(dr - got, 0)
            start[d : d + wait] = np.vstack([dr, end[d : d + wait - 1]])
            dr = end[d + wait - 1]
            d += wait
            continue
        if d in begins:
            dr = dr.copy()
            for zone in begins[d]:
                carried = starting_deficit[zone] if first_day[zone] == d else dr[zone]
                dr[zone] = min(carried, terms.taw[d, zone])
        start[d] = dr
        if d >= decide_from:
            decided = morning_minutes(
                dr,
                rule,
                trigger=terms.trigger[d],
                raw=terms.raw[d],
                minutes_per_mm=terms.minutes_per_mm[d],
                settle=None if terms.settle is None else terms.settle[d],
                standing=terms.stand[d] >= 0 if rule.shared_valves else None,
            )
            if decided is not None:
                minutes[d] = decided
                irrigation[d] = net_of_minutes(decided, terms.minutes_per_mm[d], rule.limits.fill)
        dr, eta[d] = step(
            dr, irrigation=irrigation[d], rain_eff=terms.rain_eff[d], etc=terms.etc[d], taw=terms.taw[d],
            slope=slope[d],
        )  # fmt: skip
        end[d] = dr
        d += 1
    known = np.arange(count)[:, None] >= first_day
    drained = percolation(start, irrigation=irrigation, rain_eff=terms.rain_eff, eta=eta)
    return Balance(
        deficit_start=start,
        deficit_end=end,
        irrigation=irrigation,
        minutes=minutes,
        eta=eta,
        ks=stress(np.maximum(start - irrigation, 0), taw=terms.taw, raw=terms.raw),
        percolation=np.where(terms.standing, drained, 0.0),
        known=known,
    )


def _first_standing(begins: tuple[tuple[int, int], ...], count: int, width: int) -> IntArray:
    first = np.full(width, count, dtype=np.int64)
    for day, zone in begins:
        first[zone] = min(first[zone], day)
    return first


def _by_day(begins: tuple[tuple[int, int], ...]) -> dict[int, list[int]]:
    days: dict[int, list[int]] = {}
    for day, zone in begins:
        days.setdefault(day, []).append(zone)
    return days


def _days_until(busy: IntArray, day: int, count: int) -> int:
    """Days from `day` to the next one on which any zone has a planting (0: today)."""
    at = int(np.searchsorted(busy, day))
    return (int(busy[at]) if at < len(busy) else count) - day
