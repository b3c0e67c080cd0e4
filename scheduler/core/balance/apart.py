"""Evaporation apart from the crop's use, and salt, day after day: the balance (models M3d, M5, M10, M12)."""

from __future__ import annotations

from collections.abc import Callable
from copy import copy
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from scheduler.core.arrays import FloatArray, IntArray, Minutes, Mm, Share
from scheduler.core.balance.bare_beds import Beds, bare_deficits, bare_layers, beds, unknown
from scheduler.core.balance.chains import Chains, chains_from
from scheduler.core.balance.ground import Ground, no_layer
from scheduler.core.balance.least import planting_net, seedbed
from scheduler.core.balance.rule import RefillRule, morning_minutes
from scheduler.core.balance.salts import SaltDays
from scheduler.core.balance.surface import bare_evening, evaporate
from scheduler.core.balance.tape import net_of_minutes
from scheduler.core.balance.terms import Terms


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


class Apart:
    """What was walked, as (day, zone) arrays, laid out when asked for; nan or 0 where nothing stands."""

    def __init__(self, days: _Days | None, shape: tuple[int, ...], *, wetting: Mm, given: Mm | None) -> None:
        """wetting: (day, zone) mm of rain and given water; days: None where nothing was ever planted."""
        self._days, self._shape, self._wetting, self._given = days, shape, wetting, given

    def _lay(self, name: str, elsewhere: float = 0.0) -> FloatArray:
        values = None if self._days is None else getattr(self._days, name)
        if values is None:  # costs nothing
            return np.zeros(self._shape) if elsewhere == 0 else np.broadcast_to(np.nan, self._shape)
        return self._laid(values, np.full(self._shape, elsewhere))

    def _laid(self, values: FloatArray, out: FloatArray) -> FloatArray:
        assert self._days is not None
        out.ravel()[self._days.chains.place] = values
        return out

    @cached_property
    def deficit_start(self) -> Mm:
        """Dr(i-1), before the morning's water."""
        return self._mornings(self.deficit_end, "held", 0.0)

    @cached_property
    def deficit_end(self) -> Mm:
        end = self._lay("end")
        if self._days is not None:
            bare_deficits(self._wetting, *self._days.chains.gap, end=end)
        return end

    @cached_property
    def irrigation(self) -> Mm:
        """Net mm; on days that are not walked what was given."""
        out = np.zeros(self._shape) if self._given is None else self._given.copy()
        return out if self._days is None else self._laid(self._days.water, out)

    @cached_property
    def minutes(self) -> Minutes:
        return self._lay("minutes")

    @cached_property
    def evaporation(self) -> Mm:
        return self._lay("evaporation")

    @cached_property
    def use(self) -> Mm:
        return self._lay("used")

    @cached_property
    def kc(self) -> FloatArray:
        """Kcb + Ke_i + S Ke_p."""
        return self._lay("kc")

    @cached_property
    def _layers(self) -> FloatArray:
        layers = np.full((2, *self._shape), np.nan)
        if (days := self._days) is not None:
            for part, evening in zip(layers, days.evening, strict=True):
                self._laid(evening, part)
            bare_layers(days.ground, *days.chains.gap, layers=layers)
        return layers

    @property
    def surface(self) -> Mm:
        """De over the tape, in the evening."""
        return np.asarray(self._layers[0])

    @property
    def middle(self) -> Mm:
        """De of the row middle, in the evening."""
        return np.asarray(self._layers[1])

    @cached_property
    def surface_start(self) -> Mm:
        """De over the tape before the morning's water."""
        return self._mornings(self.surface, "bed_found", np.nan)

    @cached_property
    def sprinkle(self) -> Mm:
        """mm that a seedbed wants and the tape cannot give."""
        return self._lay("sprinkle")

    @cached_property
    def waterings(self) -> FloatArray:
        """Waterings that a seedbed's water is best given in."""
        return self._lay("waterings")

    @cached_property
    def leaching(self) -> Share:
        """LR in force."""
        return self._lay("leaching")

    @cached_property
    def ece(self) -> FloatArray:
        """dS/m, in the evening; nan without salt."""
        return self._lay("ece", np.nan)

    @cached_property
    def ece_start(self) -> FloatArray:
        """dS/m, on which the morning's leaching goes."""
        return self._lay("ece_start", np.nan)

    def corrected(self, **laid_out: Mm) -> Apart:
        """The same with some of its (day, zone) arrays as soil readings have them."""
        other = copy(self)
        other.__dict__.update(laid_out)
        return other

    def _mornings(self, evenings: FloatArray, held: str, elsewhere: float) -> FloatArray:
        """The evenings before, and on a planting's first day what it begins with."""
        start = np.full(self._shape, elsewhere)
        start[1:] = evenings[:-1]
        if self._days is not None:
            start.ravel()[self._days.chains.planted_place] = getattr(self._days, held)
        return start


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
    ground = terms.ground or no_layer(terms.stands, terms.flat, *terms.stand.shape)
    together = bool(rule.shared_valves) or decide is not None
    wetting = terms.rain_eff if given is None else terms.rain_eff + given
    found = unknown(terms) if terms.ground is None or together else beds(terms, ground, wetting)
    chains = chains_from(terms, found.known, np.full(len(terms.stands), np.nan), together=together)
    days = None
    if terms.stands:
        days = _Days(
            terms, ground, rule, chains, found, starting_deficit, given, decide_from, sprinkled, decide
        )
        for k in range(chains.steps):
            days.one(*chains.of_step(k))
    return Apart(days, terms.stand.shape, wetting=wetting, given=given)


class _Days:
    """What is read and made of every day, in the order in which it is walked: (chain-day,) arrays."""

    def __init__(
        self,
        terms: Terms,
        ground: Ground,
        rule: RefillRule,
        chains: Chains,
        found: Beds,
        starting: Mm,
        given: Mm | None,
        decide_from: int,
        sprinkled: Mm | None,
        decide: Decide | None,
    ) -> None:
        self.terms, self.chains, self.ground, self.layered = terms, chains, ground, terms.ground is not None
        self.decide = decide
        self.bed = np.where(found.known, found.layer, ground.bed)
        place, (_, width), flat = chains.place, terms.stand.shape, terms.flat
        self.stand = terms.stand.ravel()[place]
        self.bare = self.stand < 0
        self.any_bare = bool(self.bare.any())
        day = place // width
        at = flat.stand_at[self.stand] + day - flat.stand_begin[self.stand]
        if self.any_bare:
            at[self.bare] = 0
        self.at = at
        self.few, self.kcb, self.kc_max, self.spread, self.et0, self.rain = (
            values.take(at, axis=-1)
            for values in (ground.few, ground.kcb, ground.kc_max, flat.spread, flat.et0, ground.rain)
        )
        self.taw, self.raw, self.rain_eff, self.use_mm, self.trigger = (
            dense.ravel().take(place)
            for dense in (terms.taw, terms.raw, terms.rain_eff, terms.use, terms.trigger)
        )
        if self.any_bare:
            self._bare_ground(place, day)
        self._of_zones(rule, starting)
        self._asked_by_age()
        self.given = None if given is None else given.ravel()[place]
        self.known = None if given is None else day < decide_from
        self.sprinkled = None if sprinkled is None else sprinkled.ravel()[place]
        self.eve = _watered_on_the_eve(terms, ground, given, sprinkled)
        self._results(len(place))

    def _bare_ground(self, place: IntArray, day: IntArray) -> None:
        """Weather of the bare days between; the rest stands for nothing there."""
        bare, ground = self.bare, self.ground
        self.rain[:, bare] = ground.bare_rain.ravel()[place[bare]]
        self.et0[bare] = ground.bare_et0[day[bare]]
        self.few[:, bare] = 0.0

    def _of_zones(self, rule: RefillRule, starting: Mm) -> None:
        """(chain,) arrays: what does not change while a planting stands, set anew by each."""
        zone = self.chains.zone
        self.rule = rule.of_zones(zone)
        self.tew, self.slope_mm = self.ground.tew[zone], self.ground.slope_mm[zone]
        self.starting = starting
        count = len(zone)
        self.dr, self.de = np.zeros(count), np.zeros((2, count))
        self.now = np.zeros(count, dtype=np.int64)  # the stand
        self.wetted, self.keeps, self.band, self.per_mm = (np.ones(count) for _ in range(4))
        self.dry_band = False  # whether some tape does not wet the surface
        self.minutes_per_mm = np.array([1 / s.net_per_minute for s in self.terms.stands])
        self.salt: SaltDays | None = None
        if self.terms.salt is not None:
            uniformity = np.array([s.delivery.uniformity for s in self.terms.stands])
            self.salt = SaltDays(self.terms.salt, uniformity, count, len(self.chains.place))

    def _asked_by_age(self) -> None:
        sow, at = self.terms.sowing, self.at
        self.settle = self._of_flat(sow.settle, at, 0.0)
        self.refilled = None if sow.refilled is None else sow.refilled[at] & ~self.bare
        self.dryness = self._of_flat(sow.dryness, at, np.nan)
        self.surface_run = self._of_flat(sow.surface_run, at, 0.0)
        if sow.dry is not None and self.dryness is not None:
            self.dryness = np.where(sow.dry[at], np.nan, self.dryness)

    def _of_flat(self, values: FloatArray | None, at: IntArray, elsewhere: float) -> FloatArray | None:
        return None if values is None else np.where(self.bare, elsewhere, values[at])

    def _results(self, count: int) -> None:
        self.end, self.evaporation, self.used, self.ke = (np.empty(count) for _ in range(4))
        planted = len(self.chains.planted)
        self.held, self.bed_found = np.empty(planted), np.empty(planted)  # on each planting's first morning
        self.minutes = np.zeros(count)
        self.water = np.zeros(count) if self.given is None else self.given
        self.evening = np.empty((2, count))
        sown = self.dryness is not None
        self.sprinkle, self.waterings = (np.zeros(count) if sown else None for _ in range(2))

    def one(self, here: slice, plantings: slice) -> None:
        """One day of all chains that still go on."""
        n = here.stop - here.start
        if n < len(self.dr):
            self._end_of_some(n)
        self._begin(here, plantings)
        self._morning(here, n)
        self._surface(here)
        self._balance(here)
        if self.salt is not None:
            self._salt(here, self.salt)

    def _end_of_some(self, n: int) -> None:
        self.dr, self.de, self.tew, self.slope_mm = (
            self.dr[:n],
            self.de[:, :n],
            self.tew[:n],
            self.slope_mm[:n],
        )
        self.now, self.wetted, self.keeps = self.now[:n], self.wetted[:n], self.keeps[:n]
        self.band, self.per_mm = self.band[:n], self.per_mm[:n]
        if self.salt is not None:
            self.salt.only(n)

    def _begin(self, here: slice, plantings: slice) -> None:
        """Deficit and layer of plantings that begin (model M5)."""
        which = self.chains.planted[plantings]
        if not len(which):
            return
        stand = self.stand[here][which]
        bed, same = self.bed[stand], self.ground.same_tape[stand]
        known, first = ~np.isnan(bed), ~np.isnan(self.ground.bed[stand])
        layer = np.where(known, bed, np.where(same, self.de[0, which], self.de[1, which]))
        layer = np.maximum(layer - self.eve[stand], 0)
        strip = np.where(same & ~known, np.maximum(self.dr[which] / self.wetted[which], layer), layer)
        self.de[0, which] = layer
        self.de[1, which] = np.where(known, bed, self.de[1, which])
        carried = np.where(first, 0.0, self.dr[which])
        self._stand_now(which, stand)
        taw = self.taw[here][which]
        start = np.minimum(self.wetted[which] * strip if self.layered else carried, taw)
        given = self.starting[self.chains.zone[which]]
        self.dr[which] = np.where(first & ~np.isnan(given), np.minimum(given, taw), start)
        self.held[plantings], self.bed_found[plantings] = self.dr[which], layer
        if self.salt is not None:
            self.salt.begin(which, stand, first | ~same)

    def _stand_now(self, which: IntArray, stand: IntArray) -> None:
        ground, at = self.ground, self.terms.flat.stand_at[stand]
        self.now[which], self.wetted[which] = stand, ground.wetted[at]
        self.keeps[which], self.band[which] = ground.keeps[at], ground.band[at]
        self.per_mm[which] = self.minutes_per_mm[stand]
        self.dry_band = bool((self.band == 0).any())

    def _morning(self, here: slice, n: int) -> None:
        """Net mm of the morning into `water`; what was given, else what the rule decides."""
        dr, per_mm = self.dr, self.per_mm
        if self.salt is not None:
            kept = 1 - self.salt.morning(here, self.now, self.bare[here])
            per_mm = per_mm / kept
            self.water[here] *= kept
        known = None if self.known is None else self.known[here]
        if known is not None and known.all():
            return
        least = None if self.settle is None else self.settle[here]
        wanted: Mm | None = None
        if self.refilled is not None and (planted := self.refilled[here]).any():
            wanted = np.where(planted, planting_net(dr, self.de[0], self.wetted), 0.0)
        if self.dryness is not None:
            wanted, least = self._seedbed(here, wanted, least)
        trigger, bare = self.trigger[here], self.bare[here]  # no limit on bare ground
        if known is not None:
            trigger = np.where(known, np.inf, trigger)
            wanted, least = (None if a is None else np.where(known, 0.0, a) for a in (wanted, least))
        minutes = morning_minutes(
            dr, self.rule, trigger=trigger, raw=self.raw[here], minutes_per_mm=per_mm, settle=least,
            least_net=wanted, standing=~bare if self.rule.shared_valves else None,
        )  # fmt: skip
        if self.decide is not None and not bare.all():
            minutes = np.zeros(n) if minutes is None else minutes
            lr = np.zeros(n) if self.salt is None else self.salt.leaching[here]
            width = len(self.chains.zone)
            minutes = self.decide(ByRule(int(here.start) // width, dr, self.de, lr, per_mm, minutes))
        if minutes is None:
            return
        self.minutes[here] = minutes
        net = net_of_minutes(minutes, per_mm, self.rule.limits.fill[:n])
        self.water[here] = net if known is None else np.where(known, self.water[here], net)

    def _seedbed(
        self, here: slice, wanted: Mm | None, least: Minutes | None
    ) -> tuple[Mm | None, Minutes | None]:
        assert self.dryness is not None
        assert self.surface_run is not None
        if np.isnan(self.dryness[here]).all():
            return wanted, least
        bed = seedbed(
            self.de[0], dryness=self.dryness[here], et0=self.et0[here], tew=self.tew, slope_mm=self.slope_mm,
            wetted=self.wetted, band=self.band, surface_run=self.surface_run[here],
        )  # fmt: skip
        assert self.sprinkle is not None
        assert self.waterings is not None
        self.sprinkle[here], self.waterings[here] = bed.sprinkle, bed.waterings
        return (
            bed.net if wanted is None else np.maximum(wanted, bed.net),
            bed.minutes if least is None else np.maximum(least, bed.minutes),
        )

    def _surface(self, here: slice) -> None:
        """The layer from last night to this evening, and Ke (M3d.6)."""
        few, et0 = self.few[:, here], self.et0[here]
        de = self.de - self.rain[:, here]
        de[0] -= self.water[here] / self.wetted
        if self.sprinkled is not None:
            de -= self._over_the_rows(here)
        np.maximum(de, 0, out=de)
        if self.dry_band:
            de[0] = np.where(self.band == 0, de[1], de[0])
        per_few = np.divide(et0, few, out=np.zeros_like(few), where=few > 0)
        kc_max = self.kc_max[here]
        day = evaporate(
            de, few, tew=self.tew, slope_mm=self.slope_mm, demand=kc_max - self.kcb[here], most=few * kc_max,
            et0_per_few=per_few, keeps=self.keeps,
        )  # fmt: skip
        evening = day.de
        if self.dry_band:
            evening[0] = np.where(self.band == 0, evening[1], evening[0])
        if self.any_bare and (bare := self.bare[here]).any():
            gap = bare_evening(
                self.de, rain=self.rain[:, here], et0=et0, tew=self.tew, slope_mm=self.slope_mm
            )
            evening = np.where(bare, gap, evening)
        self.de = self.evening[:, here] = evening
        self.ke[here] = day.ke[0] + self.spread[here] * day.ke[1]

    def _over_the_rows(self, here: slice) -> Mm:
        """(2, chain) mm sprinkled: where the tape does not wet the surface both parts of it are one."""
        assert self.sprinkled is not None
        mm = np.where(self.bare[here], 0.0, self.sprinkled[here])
        return np.stack([mm, np.where(self.band == 0, mm, 0.0)])

    def _balance(self, here: slice) -> None:
        """M5 steps 1 to 6."""
        dr, water, rain, taw = self.dr, self.water[here], self.rain_eff[here], self.taw[here]
        left = taw - np.maximum(dr - water, 0)
        ks = np.minimum(np.maximum(left / (taw - self.raw[here]), 0), 1)
        room = taw - dr + rain + water
        evaporation = np.minimum(self.ke[here] * self.et0[here], room)
        use = np.minimum(ks * self.use_mm[here], room - evaporation)
        self.evaporation[here], self.used[here] = evaporation, use
        self.dr = np.maximum(dr - rain - water + evaporation + use, 0)
        self.end[here] = self.dr

    def _salt(self, here: slice, salt: SaltDays) -> None:
        rain, bare = self.rain_eff[here], self.bare[here]
        if not self.layered:  # on bare ground the rain of all of it
            rain = np.where(bare, rain * self.wetted, rain)
        eta = self.evaporation[here] + self.used[here]
        salt.day(here, self.now, bare, water=self.water[here], rain=rain, eta=eta)

    @property
    def kc(self) -> FloatArray:
        return np.where(self.bare, 0.0, self.kcb + self.ke)

    @property
    def leaching(self) -> Share | None:
        return None if self.salt is None else self.salt.leaching

    @property
    def ece(self) -> FloatArray | None:
        return None if self.salt is None else self.salt.ece

    @property
    def ece_start(self) -> FloatArray | None:
        return None if self.salt is None else self.salt.ece_start


def _watered_on_the_eve(terms: Terms, ground: Ground, given: Mm | None, sprinkled: Mm | None) -> Mm:
    """(planting,) mm of its strip that a bare bed got on the day before: the bed made ready."""
    flat = terms.flat
    eve, zone = flat.stand_begin - 1, flat.stand_zone
    water = np.zeros(len(eve))
    if given is not None:
        water += given[eve, zone] / ground.wetted[flat.stand_at]
    if sprinkled is not None:
        water += sprinkled[eve, zone]
    return np.where((eve >= 0) & (terms.stand[eve, zone] < 0), water, 0.0)
