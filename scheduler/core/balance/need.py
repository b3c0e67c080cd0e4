"""This morning's decision for every zone: due, waiting for rain, or neither (models M6, M10, M12, live)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from scheduler.core.arrays import BoolArray, FloatArray, Minutes, Mm, Share
from scheduler.core.balance.least import Seedbed, planting_net, seedbed
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
    surface_mm: Mm | None = None  # (zone,) De over the tape, as the night left it; None: not kept apart
    leaching: Share | None = None  # (zone,) LR in force by last night's salt; None: not known of
    sprinkled_today_mm: Mm | None = None  # (zone,) over the seed rows
    owed_minutes: Minutes | None = None  # (zone,) planned for today behind a pulse that ran already
    fed_yesterday: BoolArray | None = None  # (zone,) what was fed is not to be washed out, nor to wait
    feed_minutes: Minutes | None = (
        None  # (zone,) of the shortest run in which a zone can be fed, 0: not asked
    )


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
    minutes_per_mm: FloatArray  # of net, leaching counted
    leaching: Share  # LR in force
    surface: Mm  # De over the tape, less the rain since midnight; nan where it is not kept apart
    planting_day: BoolArray  # transplants are set today: the whole deficit, whatever the trigger
    seedbed: BoolArray  # a sown row is not up yet
    waterings: FloatArray  # in how many the seedbed's water is best given, what ran counted; 0 = none
    sprinkle_mm: Mm  # to be sprinkled over the seed rows, where the tape cannot wet them
    least_net: Mm  # that planting day and seedbed want, whatever the deficit; of it still to be given
    least_minutes: Minutes  # of settling in, feeding, a seedbed; the day after a feed all that is due
    feed_minutes: Minutes  # of the shortest run in which it can be fed, where that is still to come; 0 else
    drying_off: BoolArray  # the crop dries off: no water, or only from its own trigger on


class _Least(NamedTuple):
    """(zone,) What a young planting wants at least, of it still to be given."""

    net: Mm
    minutes: Minutes
    waterings: FloatArray
    sprinkle: Mm
    feed: Minutes


def need_today(terms: Terms, day: int, deficit: Mm, morning: Morning, rule: RefillRule) -> Need:
    """Who is due this morning, who can wait for rain, and the minutes each wants (models M6, M10, M12, live).

    day: index of today in `terms`; deficit: (zone,) Dr(i-1).  p uses yesterday's ET0, since today's is only
    a forecast (a seedbed's loss takes that forecast).  A due zone waits only while it could do without any
    rain up to the next allowed morning, and forecast rain x probability fills the soil.  Young plantings get
    what they want at least, whatever the deficit.
    """
    today = _Today(terms, day, morning)
    p, raw, trigger = _thresholds(terms, day, today)
    now = np.maximum(deficit - today.rain_so_far - morning.applied_today_mm, 0)
    until = morning.days_to_next_morning
    outlook_etc = terms.etc[day : day + until].sum(axis=0)
    outlook_rain = float(np.nansum((morning.forecast_rain_mm * morning.rain_chance)[:until]))
    open_to_water = terms.standing[day] & ~morning.held
    due = open_to_water & (now >= trigger)
    least = _least(today, now, rule, open_to_water)
    waits = due & (now + outlook_etc <= raw) & (outlook_rain >= now) & (now > 0)
    waits &= ~today.under_roof & ~today.fed & ~(least.net > 0)
    minutes = morning_minutes(
        now,
        rule,
        trigger=np.where(due & ~waits, trigger, np.inf),
        raw=raw,
        minutes_per_mm=today.minutes_per_mm,
        settle=least.minutes,
        least_net=least.net,
        standing=open_to_water,
    )
    minutes = np.zeros(len(deficit)) if minutes is None else minutes
    return Need(
        deficit=deficit, deficit_now=now, p=p, raw=raw, trigger=trigger, due=due, waits=waits,
        outlook_etc=outlook_etc, outlook_rain=outlook_rain, rain_so_far_eff=today.rain_so_far,
        minutes=minutes, net=net_of_minutes(minutes, today.minutes_per_mm, rule.limits.fill),
        minutes_per_mm=today.minutes_per_mm, leaching=today.leaching, surface=today.surface,
        planting_day=today.planting_day, seedbed=~np.isnan(today.dryness), waterings=least.waterings,
        sprinkle_mm=least.sprinkle, least_net=least.net,
        least_minutes=np.where(today.fed & due, np.maximum(least.minutes, minutes), least.minutes),
        feed_minutes=least.feed,
        drying_off=today.drying_off,
    )  # fmt: skip


class _Today:
    """Today's row of the terms, (zone,) arrays, with what the morning knows worked in."""

    def __init__(self, terms: Terms, day: int, morning: Morning) -> None:
        self.terms, self.morning = terms, morning
        width = terms.stand.shape[1]
        self._here = np.flatnonzero(terms.flat.day == day)
        self._zone = terms.flat.zone[self._here]
        self._width = width
        flat, sow = terms.flat, terms.sowing
        none = np.zeros(width)
        self.et0_yesterday = self.of(flat.et0_share) * morning.et0_yesterday_mm
        self.spread = self.of(flat.spread, 1.0)
        self.under_roof = self.of(flat.sheltered) > 0
        rain = np.where(self.under_roof, 0.0, morning.rain_so_far_mm)
        counts = rain >= SMALL_RAIN_SHARE_OF_ET0 * self.et0_yesterday  # below, none (model M5)
        self.rain_so_far = self.of(flat.rain_share) * np.where(counts, rain, 0.0)
        self.fed = none > 0 if morning.fed_yesterday is None else morning.fed_yesterday
        leaching = none if morning.leaching is None else morning.leaching
        self.leaching = np.where(self.fed, 0.0, leaching)
        self.minutes_per_mm = terms.minutes_per_mm[day] / (1 - self.leaching)
        self.settle = none if terms.settle is None else terms.settle[day]
        self.feed_minutes = none if morning.feed_minutes is None else morning.feed_minutes
        self.kept_dry = np.isinf(terms.trigger[day])
        self.planting_day = none > 0 if sow.refilled is None else self.of(sow.refilled) > 0
        self.drying_off = none > 0 if sow.drying is None else self.of(sow.drying) > 0
        dryness = sow.dryness
        if dryness is not None and sow.dry is not None:
            dryness = np.where(sow.dry, np.nan, dryness)
        self.dryness = np.full(width, np.nan) if dryness is None else self.of(dryness, np.nan)
        self.surface_run = none if sow.surface_run is None else self.of(sow.surface_run)
        self.surface = self._surface()

    def of(self, flat_values: FloatArray | BoolArray, elsewhere: float = 0.0) -> FloatArray:
        """Today's row, (zone,), of a flat array."""
        row = np.full(self._width, elsewhere)
        row[self._zone] = flat_values[self._here]
        return row

    def _surface(self) -> Mm:
        """De over the tape, less the rain since midnight and what was sprinkled."""
        if self.morning.surface_mm is None:
            return np.full(self._width, np.nan)
        sprinkled = self.morning.sprinkled_today_mm
        wet = self.rain_so_far / self.spread + (0.0 if sprinkled is None else sprinkled)
        return np.maximum(self.morning.surface_mm - wet, 0)

    def bed(self) -> Seedbed | None:
        """What sown rows want, from the layer as rain and sprinkling left it."""
        ground = self.terms.ground
        if ground is None or np.isnan(self.dryness).all():
            return None
        return seedbed(
            np.nan_to_num(self.surface), dryness=self.dryness, et0=self.of(self.terms.flat.et0),
            tew=ground.tew, slope_mm=ground.slope_mm, wetted=self.wetted(), band=self.of(ground.band),
            surface_run=self.surface_run,
        )  # fmt: skip

    def wetted(self) -> Share:
        """Pw of the rows that stand, 1 where none do."""
        ground = self.terms.ground
        return np.ones(self._width) if ground is None else self.of(ground.wetted, 1.0)


def _thresholds(terms: Terms, day: int, today: _Today) -> tuple[Share, Mm, Mm]:
    """(p, RAW, trigger), (zone,), with yesterday's ET0; no limit where nothing stands."""
    standing = terms.standing[day]
    if terms.ground is None:
        use = today.of(terms.flat.kc) * today.et0_yesterday
    else:
        use = today.of(terms.ground.kcb) * today.et0_yesterday / today.spread
    p = np.where(standing, depletion_fraction(today.of(terms.flat.p_table), use), 0.0)
    raw = np.where(standing, p * terms.taw[day], np.inf)
    refill_at = np.divide(terms.trigger[day], terms.raw[day], where=standing, out=np.ones_like(raw))
    return p, raw, refill_at * raw


def _least(today: _Today, now: Mm, rule: RefillRule, open_to_water: BoolArray) -> _Least:
    """What planting day, settling in, feeding and a seedbed want, less what ran this morning."""
    applied, wetted = today.morning.applied_today_mm, today.wetted()
    ran = applied > 0
    layer = np.maximum(np.nan_to_num(today.surface) - applied / wetted, 0)
    net = np.where(today.planting_day, planting_net(now, layer, wetted), 0.0)
    feed = np.where(ran | today.kept_dry | ~open_to_water, 0.0, today.feed_minutes)
    minutes = np.maximum(np.where(ran, 0.0, today.settle), np.maximum(feed, _owed(today, now, rule)))
    waterings = sprinkle = np.zeros(len(now))
    bed = today.bed()
    if bed is not None:
        rest = _bed_left(bed, today, rule)
        net, minutes = np.maximum(net, rest.net), np.maximum(minutes, rest.minutes)
        waterings, sprinkle = rest.waterings, rest.sprinkle
    return _Least(
        np.where(open_to_water, net, 0.0),
        np.where(open_to_water, minutes, 0.0),
        np.where(open_to_water, waterings, 0.0),
        sprinkle,
        feed,
    )


def _owed(today: _Today, now: Mm, rule: RefillRule) -> Minutes:
    """What is left of a run of several pulses, though what ran of it took the deficit below its trigger."""
    owed = today.morning.owed_minutes
    if owed is None:
        return np.zeros(len(now))
    left = np.minimum(owed, np.floor(now * today.minutes_per_mm + rule.limits.fill + 0.5))
    return np.where((left < rule.limits.shortest) | today.kept_dry, 0.0, left)


def _bed_left(bed: Seedbed, today: _Today, rule: RefillRule) -> Seedbed:
    """Of what sown rows want, what did not run this morning; a rest too short to run is none."""
    applied, fill = today.morning.applied_today_mm, rule.limits.fill
    ran = np.where(applied > 0, applied * today.minutes_per_mm + fill, 0.0)
    whole = np.maximum(bed.minutes, np.where(bed.net > 0, bed.net * today.minutes_per_mm + fill, 0.0))
    left = np.maximum(whole - ran, 0)
    left = np.where((applied > 0) & (left < rule.limits.shortest), 0.0, left)
    going = left > 0
    return Seedbed(
        net=np.where(going, np.maximum(bed.net - applied, 0), 0.0),
        minutes=np.where(going, np.maximum(bed.minutes - ran, 0), 0.0),
        waterings=np.ceil(bed.waterings * left / np.where(whole > 0, whole, 1.0)),
        sprinkle=bed.sprinkle,
    )
