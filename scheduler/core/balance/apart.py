"""Evaporation apart from the crop's use, and salt, day after day: the balance (models M3d, M5, M10, M12)."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from scheduler.core.arrays import BoolArray, FloatArray, IntArray, Minutes, Mm, Share
from scheduler.core.balance.chains import Chains, whole_chains
from scheduler.core.balance.ground import no_layer
from scheduler.core.balance.least import planting_net, seedbed
from scheduler.core.balance.rule import RefillRule, morning_minutes
from scheduler.core.balance.salt import Quarters
from scheduler.core.balance.surface import bare_evening, evaporate
from scheduler.core.balance.tape import net_of_minutes
from scheduler.core.balance.terms import Terms


@dataclass(frozen=True, slots=True)
class Apart:
    """(day, zone) arrays; nan or 0 where nothing stands."""

    deficit_start: Mm
    deficit_end: Mm
    irrigation: Mm
    minutes: Minutes
    evaporation: Mm
    use: Mm
    kc: FloatArray  # Kcb + Ke_i + S Ke_p
    surface: Mm  # De over the tape, in the evening
    middle: Mm  # De of the row middle
    sprinkle: Mm  # mm that a seedbed wants and the tape cannot give
    waterings: FloatArray  # of a seedbed
    leaching: Share  # LR in force
    ece: FloatArray  # dS/m, in the evening; nan without salt
    surface_start: Mm  # De over the tape before the morning's water
    ece_start: FloatArray  # dS/m, on which the morning's leaching goes


@dataclass(frozen=True, slots=True)
class ByRule:
    """A morning as the rule would have it, (zone,) arrays, before somebody else decides it."""

    day: int
    deficit: Mm  # Dr(i-1), held to a new planting's TAW
    layer: Mm  # (2, zone) De of last night: over the tape, in the row middle
    leaching: Share  # LR in force
    minutes_per_mm: FloatArray  # with it
    minutes: Minutes


Decide = Callable[[ByRule], Minutes]
"""(zone,) minutes of a morning."""


def walk(
    terms: Terms,
    *,
    starting_deficit: Mm,
    rule: RefillRule,
    given: Mm | None = None,
    decide_from: int = 0,
    sprinkled: Mm | None = None,
    decide: Decide | None = None,
) -> Apart:
    """The balance of consecutive days from each zone's first standing day on; arguments as of `soil.run`.

    starting_deficit: nan where the bed's surface says it.  sprinkled: (day, zone) mm over the seed rows.
    decide: has the last word on the minutes of every morning on which a crop stands.
    """
    together = bool(rule.shared_valves) or decide is not None
    chains = whole_chains(terms, together=together and bool(terms.stands))
    days = _Days(terms, rule, chains, starting_deficit, given, decide_from, sprinkled, decide)
    for k in range(chains.steps):
        here, plantings = chains.of_step(k)
        days.one(here, plantings)
    return days.dense()


class _Days:
    """What is read and made of every day, in the order in which it is walked: (chain-day,) arrays."""

    def __init__(
        self,
        terms: Terms,
        rule: RefillRule,
        chains: Chains,
        starting: Mm,
        given: Mm | None,
        decide_from: int,
        sprinkled: Mm | None,
        decide: Decide | None,
    ) -> None:
        self.decide = decide
        place, width = chains.place, terms.stand.shape[1]
        self.layered = terms.ground is not None
        ground = terms.ground or no_layer(terms.stands, terms.flat, *terms.stand.shape)
        self.terms, self.chains, self.ground = terms, chains, ground
        index = np.full(terms.stand.size, -1, dtype=np.int64)
        index[terms.flat.place] = np.arange(len(terms.flat.place))
        self.at = index[place]
        self.bare = self.at < 0
        at = np.maximum(self.at, 0)
        self.zone = place % width
        self.stand = np.maximum(terms.stand.ravel()[place], 0)
        day = place // width
        take = np.take
        flat = terms.flat
        self.few, self.most, self.per_few = (a[:, at] for a in (ground.few, ground.most, ground.et0_per_few))
        self.demand, self.keeps, self.kcb = (take(a, at) for a in (ground.demand, ground.keeps, ground.kcb))
        self.wetted, self.spread, self.et0 = (take(a, at) for a in (ground.wetted, flat.spread, flat.et0))
        self.band = take(ground.band, at)
        self.no_band = self.band == 0
        self.rain = np.where(self.bare, ground.bare_rain.ravel()[place], ground.rain[:, at])
        self.et0 = np.where(self.bare, ground.bare_et0[day], self.et0)
        self.tew, self.slope_mm = ground.tew[self.zone], ground.slope_mm[self.zone]
        dense = (terms.taw, terms.raw, terms.rain_eff, terms.minutes_per_mm, terms.trigger, terms.use)
        self.taw, self.raw, self.rain_eff, self.per_mm, self.trigger, self.use_mm = (
            a.ravel()[place] for a in dense
        )
        sow = terms.sowing
        self.settle = self._of_flat(sow.settle, at, 0.0)
        self.refilled = None if sow.refilled is None else sow.refilled[at] & ~self.bare
        self.dryness = self._of_flat(sow.dryness, at, np.nan)
        self.surface_run = self._of_flat(sow.surface_run, at, 0.0)
        if sow.dry is not None and self.dryness is not None:
            self.dryness = np.where(sow.dry[at], np.nan, self.dryness)
        self.rule = rule.of_zones(chains.zone)
        self.given = None if given is None else given.ravel()[place]
        self.known = np.zeros(len(place), dtype=bool) if given is None else day < decide_from
        self.sprinkled = None if sprinkled is None else sprinkled.ravel()[place]
        self.starting = starting
        self._results(len(place))
        count = len(chains.zone)
        self.dr, self.de = np.zeros(count), np.zeros((2, count))
        self.quarters: Quarters | None = None
        if terms.salt is not None:
            self.quarters = Quarters(np.ones((4, count)), np.zeros((4, count)))
            self.v = np.ones(count)

    def _of_flat(self, values: FloatArray | None, at: IntArray, elsewhere: float) -> FloatArray | None:
        return None if values is None else np.where(self.bare, elsewhere, values[at])

    def _results(self, count: int) -> None:
        (
            self.start, self.end, self.water, self.minutes, self.evaporation, self.used, self.kc,
            self.sprinkle, self.waterings, self.lr,
        ) = (np.zeros(count) for _ in range(10))  # fmt: skip
        self.evening = np.zeros((2, count))
        self.ece, self.ece_start = np.full(count, np.nan), np.full(count, np.nan)
        self.dawn = np.zeros(count)

    def one(self, here: slice, plantings: slice) -> None:
        """One day of all chains that still go on."""
        n = here.stop - here.start
        self.dr, self.de = self.dr[:n], self.de[:, :n]
        self._begin(here, plantings)
        self.start[here], self.dawn[here] = self.dr, self.de[0]
        self._morning(here, n)
        self._surface(here, n)
        self._balance(here)
        if self.quarters is not None:
            self._salt(here, n)

    def _begin(self, here: slice, plantings: slice) -> None:
        """Deficit and layer of plantings that begin (model M5)."""
        which = self.chains.planted[plantings]
        if not len(which):
            return
        ground, stand = self.ground, self.stand[here][which]
        bed = ground.bed[stand]
        first = ~np.isnan(bed)
        same = ground.same_tape[stand]
        old = self._wetted_before[which]
        strip = self.dr[which] / old
        layer = np.where(first, bed, np.where(same, self.de[0, which], self.de[1, which]))
        strip = np.where(first, bed, np.where(same, np.maximum(strip, layer), layer))
        self.de[0, which] = layer
        self.de[1, which] = np.where(first, bed, self.de[1, which])
        pw, taw = self.wetted[here][which], self.taw[here][which]
        start = np.minimum(pw * strip if self.layered else np.where(first, 0.0, self.dr[which]), taw)
        given = self.starting[self.chains.zone[which]]
        self.dr[which] = np.where(first & ~np.isnan(given), np.minimum(given, taw), start)
        if self.quarters is not None:
            self._new_salt(which, stand, first | ~same)

    @property
    def _wetted_before(self) -> Share:
        return self._pw if hasattr(self, "_pw") else np.ones(len(self.chains.zone))

    def _new_salt(self, which: IntArray, stand: IntArray, anew: BoolArray) -> None:
        salts, quarters = self.terms.salt, self.quarters
        assert salts is not None
        assert quarters is not None
        kept = quarters.salt[:, which] / self.v[which]
        v = salts.v_mm[stand]
        quarters.water[:, which] = v
        quarters.salt[:, which] = np.where(anew, salts.first[stand], kept) * v
        self.v[which] = v

    def _morning(self, here: slice, n: int) -> None:
        """Net mm of the morning into `water`; what was given, else what the rule decides."""
        dr, bare = self.dr, self.bare[here]
        per_mm = self.per_mm[here]
        if self.quarters is not None:
            lr = self._leaching(here, n)
            self.lr[here] = lr
            per_mm = per_mm / (1 - lr)
        if self.given is not None:
            self.water[here] = self.given[here] * (1 - self.lr[here])
        known = self.known[here]
        if known.all():
            return
        least, wanted = np.zeros(n), np.zeros(n)
        if self.settle is not None:
            least = self.settle[here].copy()
        pw = self.wetted[here]
        if self.refilled is not None:
            wanted = np.where(self.refilled[here], planting_net(dr, self.de[0], pw), wanted)
        if self.dryness is not None:
            wanted, least = self._seedbed(here, wanted, least)
        stop = known | bare
        least[stop], wanted[stop] = 0.0, 0.0
        trigger = np.where(stop, np.inf, self.trigger[here])
        minutes = morning_minutes(
            dr, self.rule, trigger=trigger, raw=self.raw[here], minutes_per_mm=per_mm,
            settle=least if least.any() else None, least_net=wanted if wanted.any() else None,
            standing=~bare if self.rule.shared_valves else None,
        )  # fmt: skip
        if self.decide is not None and not bare.all():
            minutes = np.zeros(n) if minutes is None else minutes
            lr, width = self.lr[here], len(self.chains.zone)
            minutes = self.decide(ByRule(int(here.start) // width, dr, self.de, lr, per_mm, minutes))
        if minutes is None:
            return
        self.minutes[here] = minutes
        net = net_of_minutes(minutes, per_mm, self.rule.limits.fill[:n])
        self.water[here] = np.where(known, self.water[here], net)

    def _seedbed(self, here: slice, wanted: Mm, least: Minutes) -> tuple[Mm, Minutes]:
        assert self.dryness is not None
        assert self.surface_run is not None
        if np.isnan(self.dryness[here]).all():
            return wanted, least
        bed = seedbed(
            self.de[0], dryness=self.dryness[here], et0=self.et0[here], tew=self.tew[here],
            slope_mm=self.slope_mm[here], wetted=self.wetted[here], band=self.band[here],
            surface_run=self.surface_run[here],
        )  # fmt: skip
        self.sprinkle[here], self.waterings[here] = bed.sprinkle, bed.waterings
        return np.maximum(wanted, bed.net), np.maximum(least, bed.minutes)

    def _leaching(self, here: slice, n: int) -> Share:
        salts, quarters = self.terms.salt, self.quarters
        assert salts is not None
        assert quarters is not None
        stand = self.stand[here]
        ece = (salts.water_ec + (quarters.salt[:, :n] / self.v[:n]).sum(axis=0)) / 10
        self.ece_start[here] = np.where(self.bare[here], np.nan, ece)
        return np.where(self.bare[here], 0.0, salts.in_force(ece, stand))

    def _surface(self, here: slice, n: int) -> None:
        """The layer from last night to this evening, and Ke (M3d.6)."""
        bare, pw = self.bare[here], self.wetted[here]
        strip = np.where(bare, 0.0, self.water[here] / pw)
        de = self.de - self.rain[:, here]
        de[0] -= strip if self.sprinkled is None else strip + self.sprinkled[here]
        np.maximum(de, 0, out=de)
        no_band = self.no_band[here] & ~bare
        if no_band.any():
            de[0] = np.where(no_band, de[1], de[0])
        tew, slope = self.tew[here], self.slope_mm[here]
        day = evaporate(
            de, self.few[:, here], tew=tew, slope_mm=slope, demand=self.demand[here], most=self.most[:, here],
            et0_per_few=self.per_few[:, here], keeps=self.keeps[here],
        )  # fmt: skip
        evening, ke = day.de, day.ke[0] + self.spread[here] * day.ke[1]
        if no_band.any():
            evening[0] = np.where(no_band, evening[1], evening[0])
        if bare.any():
            gap = bare_evening(self.de, rain=self.rain[:, here], et0=self.et0[here], tew=tew, slope_mm=slope)
            evening, ke = np.where(bare, gap, evening), np.where(bare, 0.0, ke)
        self.de = evening
        self.evening[:, here] = evening
        self.kc[here] = np.where(bare, 0.0, self.kcb[here] + ke)
        self.evaporation[here] = ke * self.et0[here]
        self._pw = (
            np.concatenate([pw, np.ones(0)])
            if not bare.any()
            else np.where(bare, self._wetted_before[:n], pw)
        )

    def _balance(self, here: slice) -> None:
        """M5 steps 1 to 6."""
        dr, water, rain, taw, raw = (
            self.dr,
            self.water[here],
            self.rain_eff[here],
            self.taw[here],
            self.raw[here],
        )
        dawn = np.maximum(dr - water, 0)
        ks = np.clip((taw - dawn) / (taw - raw), 0, 1)
        room = taw - dr + rain + water
        evaporation = np.minimum(self.evaporation[here], room)
        use = np.minimum(ks * self.use_mm[here], room - evaporation)
        self.evaporation[here], self.used[here] = evaporation, use
        self.dr = np.maximum(dr - rain - water + evaporation + use, 0)
        self.end[here] = self.dr

    def _salt(self, here: slice, n: int) -> None:
        salts, quarters = self.terms.salt, self.quarters
        assert salts is not None
        assert quarters is not None
        stand = self.stand[here]
        quarters.water, quarters.salt, self.v = quarters.water[:, :n], quarters.salt[:, :n], self.v[:n]
        uniformity = np.array([s.delivery.uniformity for s in self.terms.stands])[stand]
        gross = self.water[here] / (uniformity * (1 - self.lr[here]))
        passed = salts.passed_on[stand]
        quarters.enter(np.where(self.bare[here], 0.0, gross), salts.water_ec, v_mm=self.v, passed_on=passed)
        rain = self.rain_eff[here]
        if not self.layered:  # on bare ground the rain of all of it
            rain = np.where(self.bare[here], rain * self._pw[:n], rain)
        quarters.enter(rain, 0.0, v_mm=self.v, passed_on=passed)
        ratio = salts.least_mm[stand] / salts.v_mm[stand]
        quarters.draw(self.evaporation[here] + self.used[here], least_mm=self.v * ratio)
        self.ece[here] = quarters.ece(salts.water_ec, self.v)

    def dense(self) -> Apart:
        shape = self.terms.stand.shape

        def lay(values: FloatArray, elsewhere: float = 0.0) -> FloatArray:
            out = np.full(shape, elsewhere)
            out.ravel()[self.chains.place] = values
            return out

        return Apart(
            lay(self.start), lay(self.end), lay(self.water), lay(self.minutes), lay(self.evaporation),
            lay(self.used), lay(self.kc), lay(self.evening[0], np.nan), lay(self.evening[1], np.nan),
            lay(self.sprinkle), lay(self.waterings), lay(self.lr), lay(self.ece, np.nan),
            lay(self.dawn, np.nan), lay(self.ece_start, np.nan),
        )  # fmt: skip
