"""The root-zone water balance, day after day, for any number of zones at once (model M5).

Deficit Dr is mm below field capacity, per planted area.  Equation numbers: FAO-56.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from scheduler.core.arrays import BoolArray, FloatArray, IntArray, Minutes, Mm, Share
from scheduler.core.balance.tape import RunLimits, net_of_minutes, run_minutes
from scheduler.core.balance.terms import Terms
from scheduler.model import Zone


class Day(NamedTuple):
    """Evening of a day, mm: the deficit, and what the crop really used (ETc adjusted)."""

    deficit: Mm
    eta: Mm


def step(
    deficit: Mm, *, irrigation: Mm | None, rain_eff: Mm, etc: Mm, taw: Mm, slope: Share, tight: bool = True
) -> Day:
    """Deficit one day on; irrigation (None: none) comes in the morning, before the crop's use.

    All arguments broadcast to (..., zone), mm.  etc: Kc ET0 without stress; slope: etc / (taw - raw), so
    that Ks ETc of eq 84 is the lesser of etc and slope x (taw - deficit).  The crop uses no water that is
    not there, and drinks before the soil drains (`percolation`).  tight: False where no slope is above 1;
    then the use cannot exceed the water there is, and need not be held to it.
    Sources: FAO-56 eq 84 (stress), 85 (balance), 88 (percolation); no capillary rise.

    >>> day = step(np.float64(30), irrigation=None, rain_eff=0, etc=np.float64(5), taw=80, slope=5 / 40)
    >>> float(day.deficit), float(day.eta)
    (35.0, 5.0)
    """
    watered = dry = deficit
    if irrigation is not None:
        watered = deficit - irrigation  # below 0 where a run was rounded up: that much drains
        dry = np.maximum(watered, 0)
    use = np.minimum((taw - dry) * slope, etc)
    return evening(watered, rain_eff=rain_eff, use=use, taw=taw if tight else None)


def evening(watered: Mm, *, rain_eff: Mm | float, use: Mm, taw: Mm | None) -> Day:
    """The day's end from its start: rain in, the crop's use out, the surplus drained (eq 85, 88).

    All arguments broadcast to (..., zone), mm.  watered: the deficit less the morning's irrigation, below 0
    where more was given than was missing.  use: Ks Kc ET0; it is held to the water there is, unless taw is
    None: then the caller knows that it cannot exceed it.  The result lies within 0 .. taw.

    >>> day = evening(np.array([20.0, 78.0]), rain_eff=2.0, use=np.array([5.0, 6.0]), taw=np.array(80.0))
    >>> day.deficit.tolist(), day.eta.tolist()      # the second zone holds 2 mm and 2 mm of rain
    ([23.0, 80.0], [5.0, 4.0])
    """
    eta = use if taw is None else np.minimum(use, taw + rain_eff - watered)
    return Day(np.maximum(watered - rain_eff + eta, 0), eta)


def percolation(deficit: Mm, *, irrigation: Mm, rain_eff: Mm, eta: Mm) -> Mm:
    """What drains below the roots on a day, mm, from the deficit at its start (eq 88).

    All arguments broadcast to (..., zone).

    >>> float(percolation(np.float64(3), irrigation=np.float64(10), rain_eff=2.0, eta=np.float64(5)))
    4.0
    """
    return np.maximum(rain_eff - deficit + irrigation - eta, 0)


def stress_coefficient(deficit: Mm, *, taw: Mm, span: Mm) -> Share:
    """Ks, 0..1: 1 down to RAW, then falling to 0 at TAW (eq 84).

    All arguments broadcast to (..., zone), mm.  deficit: once the morning's water is in; span: TAW - RAW.
    Where the deficit is at most RAW the quotient is 1 or more, also after rounding, so Ks is exactly 1.

    >>> [float(stress_coefficient(np.float64(dr), taw=80.0, span=40.0)) for dr in (40, 50, 80)]
    [1.0, 0.75, 0.0]
    """
    return np.clip((taw - deficit) / span, 0, 1)


@dataclass(frozen=True, slots=True)
class Rule:
    """How a morning's minutes follow from the deficit, (zone,) arrays (model M6, M7)."""

    leave_room: Mm
    limits: RunLimits
    shared_valves: tuple[tuple[int, ...], ...] = ()  # zones on one valve open together

    @classmethod
    def of(cls, zones: tuple[Zone, ...]) -> Rule:
        return cls(np.array([z.leave_room_mm for z in zones]), RunLimits.of(zones), shared_valves(zones))

    def first(self, n: int) -> Rule:
        """The same for the first n only."""
        return Rule(self.leave_room[:n], self.limits.of_zones(slice(n)), self.shared_valves)


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

    A zone's years often do not depend on each other: winter rain fills the soil whatever the fall left.  Such
    stretches (`_chains`) run side by side, so that thirty years cost little more steps than one.
    """
    count, width = terms.etc.shape
    end, minutes, eta = (np.zeros(count * width) for _ in range(3))
    irrigation = np.zeros(count * width) if given is None else _by_zone(given)
    decide_from = 0 if given is None else decide_from
    chains = _chains(terms, given, starting_deficit, together=bool(rule.shared_valves))
    columns = _Columns(terms, rule, chains.zone)
    held: list[tuple[IntArray, Mm]] = []  # place and Dr of every planting's first day
    dr = np.zeros(len(chains.zone))  # `take` is twice as quick as an index in brackets
    place = chains.zone * count + chains.begin
    for k in range(int(chains.length.max(initial=0))):
        n = int(np.count_nonzero(chains.length > k))  # chains come longest first
        here = place[:n] + k
        dr = dr[:n]
        if k in chains.begins:
            which, carried = chains.begins[k]
            dr[which] = np.minimum(np.where(np.isnan(carried), dr[which], carried), columns.taw[here[which]])
            held.append((here[which], dr[which]))
        water = irrigation.take(here)
        decided = columns.decide(
            dr, here, undecided=chains.begin[:n] + k < decide_from if decide_from else None
        )
        if decided is not None:
            minutes[here] = decided
            net = net_of_minutes(decided, columns.minutes_per_mm.take(here), columns.limits.fill[:n])
            irrigation[here] = water = np.where(decided > 0, net, water)
        dr, eta[here] = step(
            dr, irrigation=water, rain_eff=columns.rain_eff.take(here), etc=columns.etc.take(here),
            taw=columns.taw.take(here), slope=columns.slope.take(here), tight=columns.tight,
        )  # fmt: skip
        end[here] = dr
    shape = (width, count)
    end, irrigation, minutes, eta = (
        np.ascontiguousarray(a.reshape(shape).T) for a in (end, irrigation, minutes, eta)
    )
    return _balance(terms, end, irrigation, minutes, eta, held)


def _by_zone(by_day: FloatArray) -> FloatArray:
    """(day, zone) laid flat zone after zone: what a chain reads next then lies beside what it just read."""
    return by_day.T.ravel()


class _Chains(NamedTuple):
    """Stretches of a zone's days that do not depend on the days before, longest first; (chain,) arrays."""

    zone: IntArray
    begin: IntArray
    length: IntArray
    begins: dict[int, tuple[IntArray, Mm]]
    """Step -> chains in which a planting begins, and the Dr it begins with (nan: the chain's own)."""


def _chains(terms: Terms, given: Mm | None, starting_deficit: Mm, *, together: bool) -> _Chains:
    """Each zone from its first planting on, cut where the water of a bare gap fills the soil in any case.

    At its end a planting lacks at most its TAW, so a gap with more water than that ends at field capacity.
    together: no cuts, and all zones from day 0: zones on one valve have to meet on the same day.
    """
    count, width = terms.etc.shape
    wetting = terms.rain_eff if given is None else terms.rain_eff + given
    water = np.vstack([np.zeros((1, width)), np.cumsum(wetting, axis=0)])
    spans: list[tuple[int, int]] = [(z, 0) for z in range(width)] if together else []  # zone, begin
    firsts: list[tuple[int, int, float]] = []  # chain, day, Dr
    current: dict[int, int] = dict(enumerate(range(width))) if together else {}  # zone -> chain
    before: dict[int, int] = {}  # zone -> end of its last planting
    for s in sorted(terms.stands, key=lambda s: s.begin):
        z, deficit = s.zone, np.nan
        if z not in before:
            deficit = starting_deficit[z]
        elif not together and s.begin > before[z]:
            got = water[s.begin, z] - water[before[z], z]
            if got > terms.taw[before[z] - 1, z] * (1 + 1e-9):
                deficit = 0.0
        if not np.isnan(deficit) and not together:
            current[z] = len(spans)
            spans.append((z, s.begin))
        firsts.append((current[z], s.begin, deficit))
        before[z] = s.end
    return _arranged(spans, firsts, count)


def _arranged(spans: list[tuple[int, int]], firsts: list[tuple[int, int, float]], count: int) -> _Chains:
    zone = np.array([z for z, _ in spans], dtype=np.int64)
    begin = np.array([b for _, b in spans], dtype=np.int64)
    order = np.lexsort((begin, zone))  # a chain ends where the next of its zone begins
    follows = np.append(zone[order][1:] == zone[order][:-1], False)
    length = np.empty_like(begin)
    length[order] = np.where(follows, np.append(begin[order][1:], count), count) - begin[order]
    longest_first = np.argsort(-length, kind="stable")
    rank = np.empty_like(longest_first)
    rank[longest_first] = np.arange(len(spans))
    by_step: dict[int, list[tuple[int, float]]] = {}
    for chain, day, deficit in firsts:
        by_step.setdefault(day - spans[chain][1], []).append((int(rank[chain]), deficit))
    begins = {
        k: (
            np.array([c for c, _ in pairs], dtype=np.int64),
            np.array([dr for _, dr in pairs], dtype=np.float64),
        )
        for k, pairs in by_step.items()
    }
    return _Chains(zone[longest_first], begin[longest_first], length[longest_first], begins)


class _Columns:
    """The terms as flat arrays, and the rule's per-zone limits laid out by chain."""

    def __init__(self, terms: Terms, rule: Rule, zone: IntArray) -> None:
        slope = terms.etc / (terms.taw - terms.raw)
        self.tight = bool((slope > 1).any())
        self.slope, self.etc, self.taw = _by_zone(slope), _by_zone(terms.etc), _by_zone(terms.taw)
        self.raw, self.trigger = _by_zone(terms.raw), _by_zone(terms.trigger)
        self.rain_eff, self.minutes_per_mm = _by_zone(terms.rain_eff), _by_zone(terms.minutes_per_mm)
        self.settle = None if terms.settle is None else _by_zone(terms.settle)
        self.standing = terms.standing.T.ravel() if rule.shared_valves else None
        self.limits = rule.limits.of_zones(zone)
        self.rule = Rule(rule.leave_room[zone], self.limits, rule.shared_valves)

    def decide(self, dr: Mm, here: IntArray, undecided: BoolArray | None) -> Minutes | None:
        trigger = self.trigger.take(here)
        settle = None if self.settle is None else self.settle.take(here)
        if undecided is not None:
            if undecided.all():
                return None
            trigger = np.where(undecided, np.inf, trigger)
            settle = None if settle is None else np.where(undecided, 0.0, settle)
        n = len(dr)
        rule = self.rule if n == len(self.rule.leave_room) else self.rule.first(n)
        return morning_minutes(
            dr,
            rule,
            trigger=trigger,
            raw=self.raw.take(here),
            minutes_per_mm=self.minutes_per_mm.take(here),
            settle=settle,
            standing=None if self.standing is None else self.standing.take(here),
        )


def _balance(
    terms: Terms, end: Mm, irrigation: Mm, minutes: Minutes, eta: Mm, held: Sequence[tuple[IntArray, Mm]]
) -> Balance:
    count, width = terms.etc.shape
    start = np.vstack([np.zeros((1, width)), end[:-1]])
    for where, deficit in held:
        start[where % count, where // count] = deficit
    first_day = np.full(width, count, dtype=np.int64)
    for day, zone in terms.begins:
        first_day[zone] = min(first_day[zone], day)
    drained = percolation(start, irrigation=irrigation, rain_eff=terms.rain_eff, eta=eta)
    return Balance(
        deficit_start=start,
        deficit_end=end,
        irrigation=irrigation,
        minutes=minutes,
        eta=eta,
        ks=stress_coefficient(np.maximum(start - irrigation, 0), taw=terms.taw, span=terms.taw - terms.raw),
        percolation=np.where(terms.standing, drained, 0.0),
        known=np.arange(count)[:, None] >= first_day,
    )
