"""Everything the daily balance needs of each zone and day, laid out once as (day, zone) arrays.

The work is done on flat arrays of standing zone-days (one planting after another), then scattered: one
live day and thirty years of many zones are the same lines.
"""

from __future__ import annotations

import sys
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import repeat

import numpy as np

from scheduler.core.arrays import BoolArray, FloatArray, IntArray, Mm, Share
from scheduler.core.balance import crop as crops
from scheduler.core.balance.tape import Delivery, deliveries, leaching_requirement
from scheduler.model import Location, Planting, Soil, Supply, Zone

FILM_RAIN_CAPTURE = 0.3
SMALL_RAIN_SHARE_OF_ET0 = 0.2
SETTLE_SKIPPED_BY_RAIN_MM = 5.0
BARE_TAW_MM = 1e6
"""Stands for "no limit" where no crop draws (half of it for RAW, so that Ks is 1); never shown."""


@dataclass(frozen=True, slots=True)
class Fixed:
    """What does not change from day to day, nor from one year's planting of a crop to the next."""

    zone: int
    planting: Planting  # the first of its kind
    wetted: float
    delivery: Delivery
    leaching: float
    kc: tuple[float, float, float]  # site values, Kc_ini not yet reduced to the wetted strip

    @property
    def net_per_minute(self) -> float:
        """mm net per minute of run on the planted area."""
        given = self.delivery
        return given.flow_lpm * given.uniformity * (1 - self.leaching) / self.planting.rows.area_m2


@dataclass(frozen=True, slots=True)
class Stand:
    """One planting of one zone over its days of the span."""

    zone: int
    planting: Planting
    begin: int  # day index, first standing day in the span
    end: int  # day index, one past the last
    day_no: int  # true day number on `begin`
    fixed: Fixed

    @property
    def wetted(self) -> float:
        """Share of the ground that the tape wets, Pw (FAO-56 eq 60), 0..1."""
        return self.fixed.wetted

    @property
    def delivery(self) -> Delivery:
        """Flow, L/min, and uniformity of its rows, with how each was come by (model M7)."""
        return self.fixed.delivery

    @property
    def leaching(self) -> float:
        """Share of the water given that leaches salts: `tape.leaching_requirement`, 0..1."""
        return self.fixed.leaching

    @property
    def kc(self) -> tuple[float, float, float]:
        """Kc_ini, Kc_mid, Kc_end for the site; Kc_ini not yet reduced to the wetted strip."""
        return self.fixed.kc

    @property
    def net_per_minute(self) -> float:
        """mm net per minute of run on the planted area; see `Fixed`."""
        return self.fixed.net_per_minute


def stands(
    zones: Sequence[Zone], first: date, count: int, location: Location, supply: Supply
) -> tuple[Stand, ...]:
    """Which planting stands when, in first .. first + count days (model M3): the latest planted rules.

    In order of zones, and of days within a zone.  What plantings of a kind share is worked out once.
    """
    found: list[tuple[int, Planting, int, int, int]] = []
    kinds: dict[tuple[object, ...], int] = {}  # kind -> the first planting found of it
    kind_of: list[int] = []
    origin = first.toordinal()
    for z, zone in enumerate(zones):
        planted = [planting.planted.toordinal() - origin for planting in zone.plantings]
        for planting, begin, later in zip(zone.plantings, planted, [*planted[1:], count], strict=False):
            end = min(count, later, _last_day(planting, begin, origin))
            if max(begin, 0) < end:
                kind_of.append(kinds.setdefault(_kind(z, planting), len(found)))
                found.append((z, planting, max(begin, 0), end, max(begin, 0) - begin + 1))
    of_kind = [(zones[found[k][0]], found[k][0], found[k][1]) for k in kinds.values()]
    given = deliveries([(planting, zone) for zone, _, planting in of_kind], supply)
    fixed = dict(
        zip(kinds.values(), map(_fixed, of_kind, given, repeat(location), repeat(supply)), strict=True)
    )
    return tuple(Stand(*one, fixed[kind]) for one, kind in zip(found, kind_of, strict=True))


def _last_day(planting: Planting, planted: int, origin: int) -> int:
    """Day index from which the planting stands no more, whatever is planted next."""
    pulled = sys.maxsize if planting.pulled is None else planting.pulled.toordinal() - origin
    return pulled if planting.crop.hold_last_stage else min(pulled, planted + sum(planting.crop.stage_days))


def _fixed(of: tuple[Zone, int, Planting], delivery: Delivery, location: Location, supply: Supply) -> Fixed:
    zone, z, planting = of
    return Fixed(
        zone=z,
        planting=planting,
        wetted=crops.wetted_fraction(planting.rows, zone.wetted_width_m),
        delivery=delivery,
        leaching=leaching_requirement(supply.ec_ds_m, planting.crop),
        kc=crops.site_kc(planting.crop, location),
    )


def _kind(zone: int, planting: Planting) -> tuple[object, ...]:
    """Plantings of a zone that share all their constants. (A crop is one object for all its plantings.)"""
    return zone, id(planting.crop), planting.rows, planting.mulch, planting.measured_flow_lpm


@dataclass(frozen=True, slots=True)
class Terms:
    """What the balance reads, (day, zone).  Where no planting stands: ETc 0, TAW without limit, never due."""

    first: date
    stands: tuple[Stand, ...]
    stand: IntArray  # index into `stands`, -1 where nothing stands
    etc: Mm  # Kc ET0, without stress
    taw: Mm
    raw: Mm
    trigger: Mm
    rain_eff: Mm
    minutes_per_mm: FloatArray
    settle: FloatArray | None  # minutes a settling run asks for, 0 = none
    begins: tuple[tuple[int, int], ...]  # (day, zone) on which a planting's first day falls in the span
    flat: _Flat

    @property
    def standing(self) -> BoolArray:
        """(day, zone), True where a planting stands."""
        return self.stand >= 0

    def spread(self, values: FloatArray, elsewhere: float = 0.0) -> FloatArray:
        """One of the flat arrays of standing zone-days laid out as (day, zone)."""
        return _spread(values, self.flat.place, self.stand.shape, elsewhere)


def _spread(values: FloatArray, place: IntArray, shape: tuple[int, ...], elsewhere: float) -> FloatArray:
    dense = np.full(shape, elsewhere)
    dense.ravel()[place] = values
    return dense


def terms(
    zones: Sequence[Zone],
    first: date,
    et0: Mm,
    rain: Mm,
    *,
    location: Location,
    supply: Supply,
) -> Terms:
    """ETc, TAW, RAW, trigger and effective rain of every zone and day, (day, zone) arrays.

    et0, rain: (day,) mm, finite.  Sources: FAO-56 eq 66 (Kc), 60 (wetted strip), 82 (TAW), 83 (RAW), the
    note of Table 22 (p against ETc); the rest by model M3-M6.

    >>> from scheduler.model import Crop, Rows, Tape, Valve
    >>> onion = Crop("onion", 1, 1, 1, (30, 30, 30, 30), root_start_m=0.5, root_full_m=0.5, depletion=0.30)
    >>> bed = Zone("bed", Tape("thin", 0.05), Soil("loam", 0.25, 0.12), None,
    ...            (Planting(onion, date(2024, 6, 2), None, Rows(4, 20, 0.6)),), Valve("by_hand", "x"), 0.6)
    >>> days = terms((bed,), date(2024, 6, 1), np.full(2, 5.0), np.array([0.0, 0.9]),
    ...              location=Location(35.6, -82.4, 650.0, "UTC"), supply=Supply(30.0))
    >>> [round(float(x[1, 0]), 3) for x in (days.etc, days.taw, days.raw, days.trigger, days.rain_eff)]
    [5.0, 65.0, 19.5, 9.75, 0.0]
    >>> days.standing[:, 0].tolist()         # planted on the second day; 0.9 mm of rain is under 0.2 ET0
    [False, True]
    """
    found = stands(zones, first, len(et0), location, supply)
    shape = (len(et0), len(zones))
    flat = _Flat(found, zones, et0)
    stand = np.full(shape, -1, dtype=np.int64)
    stand.ravel()[flat.place] = flat.stand
    rain_eff = _rain_eff(zones, flat, et0, rain)
    refill_at = np.array([zone.refill_at for zone in zones])
    minutes_per_mm = np.array([1 / s.net_per_minute for s in found])
    return Terms(
        first=first,
        stands=found,
        stand=stand,
        etc=_spread(flat.etc, flat.place, shape, 0.0),
        taw=_spread(flat.taw, flat.place, shape, BARE_TAW_MM),
        raw=_spread(flat.raw, flat.place, shape, BARE_TAW_MM / 2),
        trigger=_spread(flat.raw * refill_at[flat.zone], flat.place, shape, np.inf),
        rain_eff=rain_eff,
        minutes_per_mm=_spread(minutes_per_mm[flat.stand], flat.place, shape, 1.0),
        settle=_settle_minutes(found, shape, rain_eff),
        begins=tuple(sorted((s.begin, s.zone) for s in found)),
        flat=flat,
    )


def _rain_eff(zones: Sequence[Zone], flat: _Flat, et0: Mm, rain: Mm) -> Mm:
    """(day, zone) mm of rain that reaches the roots, or the bare ground; under 0.2 ET0 none (model M5)."""
    counts = np.where(rain >= SMALL_RAIN_SHARE_OF_ET0 * et0, rain, 0.0)
    eff = counts[:, None] * np.array([_rain_capture(zone, "none") for zone in zones])
    eff.ravel()[flat.place] = counts[flat.day] * flat.rain_share
    return np.asarray(eff)


def depletion_fraction(p_table: Share, etc: Mm) -> Share:
    """p = p_table + 0.04 (5 - ETc), held to 0.1 .. 0.8 (FAO-56, note of Table 22).

    >>> [round(float(depletion_fraction(np.float64(0.40), np.float64(etc))), 2) for etc in (5, 3, 14)]
    [0.4, 0.48, 0.1]
    """
    return np.clip(p_table + 0.04 * (5 - etc), 0.1, 0.8)


class _Flat:
    """One long axis of standing zone-days: one stand after another, each over its own days."""

    def __init__(self, found: tuple[Stand, ...], zones: Sequence[Zone], et0: Mm) -> None:
        begin, end, zone, number = (
            np.array([getattr(s, name) for s in found], dtype=np.int64)
            for name in ("begin", "end", "zone", "day_no")
        )
        self.stand_zone, self.stand_begin, self.stand_end = zone, begin, end  # (stand,), zone after zone
        lengths = end - begin
        within = np.arange(int(lengths.sum())) - np.repeat(np.cumsum(lengths) - lengths, lengths)
        self.stand = np.repeat(np.arange(len(found)), lengths)
        self.day = np.repeat(begin, lengths) + within
        self.zone = np.repeat(zone, lengths)
        self.place = self.day * len(zones) + self.zone
        self.day_no = np.repeat(number, lengths) + within
        fixed = list({id(s.fixed): s.fixed for s in found}.values())
        row = {id(f): k for k, f in enumerate(fixed)}
        kind = np.array([row[id(s.fixed)] for s in found], dtype=np.int64)
        curves = _Curves(fixed, kind, number + lengths - 1, zones)
        at = np.repeat(curves.begin[kind], lengths) + self.day_no - 1
        self.stage, self.kc, self.root_depth = curves.stage[at], curves.kc[at], curves.root_depth[at]
        self.taw, self.p_table, self.rain_share = curves.taw[at], curves.p_table[at], curves.rain_share[at]
        self.etc = self.kc * et0[self.day]
        self.p = depletion_fraction(self.p_table, self.etc)
        self.raw = self.p * self.taw


class _Curves:
    """What follows from the crop's day number alone, worked out once for each kind of planting."""

    def __init__(
        self, fixed: Sequence[Fixed], kind: IntArray, last_day: IntArray, zones: Sequence[Zone]
    ) -> None:
        days = np.zeros(len(fixed), dtype=np.int64)
        np.maximum.at(days, kind, last_day)
        self.begin = np.cumsum(days) - days
        of = np.repeat(np.arange(len(fixed)), days)
        number = np.arange(int(days.sum())) - self.begin[of] + 1

        def each(values: Iterable[float]) -> FloatArray:
            return np.fromiter(values, dtype=np.float64, count=len(fixed))[of]

        plantings = [f.planting for f in fixed]
        stages = np.array([p.crop.stage_days for p in plantings], dtype=np.int64).reshape(-1, 4)
        ends = np.cumsum(stages, axis=1).T[:, of]
        kc = crops.kc_of_day(
            number,
            kc_ini=each(f.kc[0] * f.wetted for f in fixed),  # eq 60: only the strip is wetted
            kc_mid=each(f.kc[1] for f in fixed),
            kc_end=each(f.kc[2] for f in fixed),
            ends=ends,
        )
        self.stage = crops.stage_of_day(number, ends)
        self.kc = kc * each(crops.mulch_keeps(p.crop, p.mulch) for p in plantings)
        g = crops.growth(number, ends[1])
        self.root_depth = crops.root_depth(
            g, each(p.crop.root_start_m for p in plantings), each(p.crop.root_full_m for p in plantings)
        )
        self.taw = self.root_depth * each(_held_mm_per_m(zones[f.zone].soil) * f.wetted for f in fixed)
        self.p_table = each(p.crop.depletion for p in plantings)
        capture = each(_rain_capture(zones[f.zone], f.planting.mulch) for f in fixed)
        self.rain_share = capture * crops.root_spread(g, each(f.wetted for f in fixed))


def _held_mm_per_m(soil: Soil) -> float:
    """Water between field capacity and wilting point, mm per metre of soil (eq 82)."""
    return 1000 * (soil.theta_fc - soil.theta_wp)


def _rain_capture(zone: Zone, mulch: str) -> float:
    """Share of the rain that gets into the soil: runoff taken off, mulch sheds the rest (model M5)."""
    sheds = FILM_RAIN_CAPTURE if mulch == "film" else 1.0
    return (1 - zone.runoff) * (sheds if zone.rain_capture is None else zone.rain_capture)


def _settle_minutes(found: tuple[Stand, ...], shape: tuple[int, int], rain_eff: Mm) -> FloatArray | None:
    """Minutes that settling runs ask for; none the day after a good rain (model M6)."""
    asked: FloatArray | None = None
    for s in found:
        settle = s.planting.settle
        if settle is None:
            continue
        if asked is None:
            asked = np.zeros(shape)
        number = s.day_no + np.arange(s.end - s.begin)
        due = (number <= settle.days) & ((number - 1) % settle.every_days == 0)
        days = s.begin + np.flatnonzero(due)
        rained = np.where(days > 0, rain_eff[np.maximum(days - 1, 0), s.zone], 0) >= SETTLE_SKIPPED_BY_RAIN_MM
        asked[days[~rained], s.zone] = settle.run_minutes
    return asked
