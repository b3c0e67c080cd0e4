"""The root-zone water balance, day after day, for any number of zones at once (model M5).

Deficit Dr is mm below field capacity, per planted area.  Equation numbers: FAO-56.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from scheduler.core.arrays import BoolArray, FloatArray, Minutes, Mm, Share
from scheduler.core.balance.apart import Apart, Decide, walk
from scheduler.core.balance.bare_beds import bare_deficits
from scheduler.core.balance.chains import Chains, chains_of
from scheduler.core.balance.rule import RefillRule, morning_minutes
from scheduler.core.balance.tape import net_of_minutes
from scheduler.core.balance.terms import Terms


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
    return np.minimum(np.maximum((taw - deficit) / span, 0), 1)  # quicker than clip


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
    apart: Apart | None = None  # evaporation and salt; None where one coefficient serves without salt


def run(
    terms: Terms,
    *,
    starting_deficit: Mm,
    rule: RefillRule,
    given: Mm | None = None,
    decide_from: int = 0,
    sprinkled: Mm | None = None,
    decide: Decide | None = None,
) -> Balance:
    """The balance of consecutive days from each zone's first standing day on.

    starting_deficit: (zone,) Dr before the first standing day, held to its TAW; nan where the bed's surface
    says it (or 0, where one coefficient serves).
    given: (day, zone) net mm that really reached the soil, leaching left aside; days from `decide_from` on,
    and every day where `given` is None, are decided by `rule`.  sprinkled: (day, zone) mm over seed rows:
    the surface only.
    decide: has the last word on the minutes of each morning, all zones' together.
    """
    if terms.ground is not None or terms.salt is not None or decide is not None:
        return _of_apart(
            terms,
            walk(
                terms, starting_deficit=starting_deficit, rule=rule, given=given, decide_from=decide_from,
                sprinkled=sprinkled, decide=decide,
            ),
        )  # fmt: skip
    starting_deficit = np.nan_to_num(starting_deficit, nan=0.0)
    wetting = terms.rain_eff if given is None else terms.rain_eff + given
    chains = chains_of(terms, wetting, starting_deficit, together=bool(rule.shared_valves))
    days = _Days(terms, rule, chains, given, decide_from)
    dr = np.zeros(len(chains.zone))
    for k in range(chains.steps):
        here, plantings = chains.of_step(k)
        dr = dr[: here.stop - here.start]
        days.start(dr, here, plantings)
        day = step(
            dr, irrigation=days.water(dr, here), rain_eff=days.rain_eff[here], etc=days.etc[here],
            taw=days.taw[here], slope=days.slope[here], tight=days.tight,
        )  # fmt: skip
        dr, days.eta[here] = day
        days.end[here] = dr
    return days.balance()


class _Days:
    """What the balance reads and makes of every day, in the order in which it is walked: (chain-day,)."""

    def __init__(
        self, terms: Terms, rule: RefillRule, chains: Chains, given: Mm | None, decide_from: int
    ) -> None:
        self.terms, self.chains, self.given = terms, chains, given
        place, width = chains.place, terms.etc.shape[1]
        self.etc, self.taw, self.raw, self.rain_eff, self.minutes_per_mm, self.trigger = (
            dense.ravel().take(place)
            for dense in (
                terms.etc, terms.taw, terms.raw, terms.rain_eff, terms.minutes_per_mm, terms.trigger,
            )
        )  # fmt: skip
        self.settle = None if terms.settle is None else terms.settle.ravel().take(place)
        refilled = terms.sowing.refilled
        self.refilled = (
            None if refilled is None else terms.spread(refilled.astype(np.float64)).ravel().take(place) > 0
        )
        self.slope = self.etc / (self.taw - self.raw)
        self.tight = bool((self.slope > 1).any())
        self.standing = terms.standing.ravel().take(place) if rule.shared_valves else None
        self.rule = rule.of_zones(chains.zone)
        self.irrigation = np.zeros(len(place)) if given is None else given.ravel().take(place)
        self.minutes, self.eta, self.end = (np.zeros(len(place)) for _ in range(3))
        self.held = np.zeros(len(chains.planted))  # Dr of every planting's first day
        if given is not None:
            known = place < decide_from * width
            self.trigger[known] = np.inf
            if self.settle is not None:
                self.settle[known] = 0.0
            if self.refilled is not None:
                self.refilled[known] = False

    def start(self, dr: Mm, here: slice, plantings: slice) -> None:
        """Hold the deficit of plantings that begin to their TAW, in place."""
        which, carried = self.chains.planted[plantings], self.chains.deficit[plantings]
        if len(which):
            carried = np.where(np.isnan(carried), dr[which], carried)
            dr[which] = self.held[plantings] = np.minimum(carried, self.taw[here][which])

    def water(self, dr: Mm, here: slice) -> Mm | None:
        """Net mm of the morning: what was given, else what the rule decides; None where there is none."""
        minutes = morning_minutes(
            dr, self.rule, trigger=self.trigger[here], raw=self.raw[here],
            minutes_per_mm=self.minutes_per_mm[here],
            settle=None if self.settle is None else self.settle[here],
            least_net=None if self.refilled is None else np.where(self.refilled[here], dr, 0.0),
            standing=None if self.standing is None else self.standing[here],
        )  # fmt: skip
        water = self.irrigation[here]
        if minutes is None:
            return None if self.given is None else water
        self.minutes[here] = minutes
        runs = np.flatnonzero(minutes)
        fill = self.rule.limits.fill.take(runs)
        water[runs] = net_of_minutes(minutes.take(runs), self.minutes_per_mm[here].take(runs), fill)
        return water

    def balance(self) -> Balance:
        """The walked days laid out as (day, zone), and the bare ones after them."""
        terms = self.terms
        end, eta, minutes = (self._dense(values) for values in (self.end, self.eta, self.minutes))
        irrigation = self._dense(self.irrigation, self.given)
        bare_deficits(irrigation + terms.rain_eff, *self.chains.gap, end=end)
        start = np.zeros_like(end)
        start[1:] = end[:-1]
        start.ravel()[self.chains.planted_place] = self.held
        return balance_of(terms, start=start, end=end, irrigation=irrigation, minutes=minutes, eta=eta)

    def _dense(self, values: FloatArray, elsewhere: Mm | None = None) -> FloatArray:
        dense = np.zeros(self.terms.etc.shape) if elsewhere is None else elsewhere.copy()
        dense.ravel()[self.chains.place] = values
        return dense


def balance_of(terms: Terms, *, start: Mm, end: Mm, irrigation: Mm, minutes: Minutes, eta: Mm) -> Balance:
    """The balance of the first days of `terms`, from what happened on each, (day, zone): stress and drainage.

    start: the deficit before the morning's water; end: in the evening; irrigation: net.
    """
    days = slice(len(start))
    taw, rain_eff = terms.taw[days], terms.rain_eff[days]
    drained = percolation(start, irrigation=irrigation, rain_eff=rain_eff, eta=eta)
    return Balance(
        deficit_start=start,
        deficit_end=end,
        irrigation=irrigation,
        minutes=minutes,
        eta=eta,
        ks=stress_coefficient(np.maximum(start - irrigation, 0), taw=taw, span=taw - terms.raw[days]),
        percolation=np.where(terms.standing[days], drained, 0.0),
        known=_begun(terms)[days],
    )


def _of_apart(terms: Terms, apart: Apart) -> Balance:
    balance = balance_of(
        terms, start=apart.deficit_start, end=apart.deficit_end, irrigation=apart.irrigation,
        minutes=apart.minutes, eta=apart.evaporation + apart.use,
    )  # fmt: skip
    return replace(balance, apart=apart)


def _begun(terms: Terms) -> BoolArray:
    """(day, zone) whether the zone's balance has begun: from its first planting on."""
    count, width = terms.etc.shape
    first_day = np.full(width, count, dtype=np.int64)
    for day, zone in reversed(terms.begins):
        first_day[zone] = day
    return np.asarray(np.arange(count)[:, None] >= first_day)
