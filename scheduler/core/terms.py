"""Everything the daily balance needs of each zone and day, laid out once as (day, zone) arrays.

The work is done on flat arrays of standing zone-days (one planting after another), then scattered: one
live day and thirty years of many zones are the same lines.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from scheduler.core import crop as crops
from scheduler.core.arrays import BoolArray, FloatArray, IntArray, Mm, Share
from scheduler.core.tape import Delivery, deliveries, leaching_requirement
from scheduler.model import Location, Planting, Soil, Supply, Zone

FILM_RAIN_CAPTURE = 0.3
SMALL_RAIN_SHARE_OF_ET0 = 0.2
SETTLE_SKIPPED_BY_RAIN_MM = 5.0
BARE_TAW_MM = 1e6  # stands for "no limit" where no crop draws; never shown


@dataclass(frozen=True, slots=True)
class Stand:
    """One planting of one zone over its days of the span, with its constants."""

    zone: int
    planting: Planting
    begin: int  # day index, first standing day in the span
    end: int  # day index, one past the last
    day_no: int  # true day number on `begin`
    wetted: float
    delivery: Delivery
    leaching: float
    kc: tuple[float, float, float]  # site values, Kc_ini not yet reduced to the wetted strip

    @property
    def net_per_minute(self) -> float:
        """mm net per minute of run on the planted area."""
        given = self.delivery
        return given.flow_lpm * given.uniformity * (1 - self.leaching) / self.planting.rows.area_m2


def stands(
    zones: Sequence[Zone], first: date, count: int, location: Location, supply: Supply
) -> tuple[Stand, ...]:
    """Which planting stands when, in first .. first + count days (model M3): the latest planted rules."""
    found: list[tuple[int, Planting, int, int]] = []
    for z, zone in enumerate(zones):
        for i, planting in enumerate(zone.plantings):
            last_day = sum(planting.crop.stage_days)
            over = None if planting.crop.hold_last_stage else planting.planted + timedelta(days=last_day)
            later = zone.plantings[i + 1].planted if i + 1 < len(zone.plantings) else None
            bounds = [(day - first).days for day in (planting.pulled, over, later) if day is not None]
            begin = max((planting.planted - first).days, 0)
            end = min([count, *bounds])
            if begin < end:
                found.append((z, planting, begin, end))
    given = deliveries([(planting, zones[z]) for z, planting, _, _ in found], supply)
    return tuple(
        Stand(
            zone=z,
            planting=planting,
            begin=begin,
            end=end,
            day_no=begin - (planting.planted - first).days + 1,
            wetted=crops.wetted_fraction(planting.rows, zones[z].soil, zones[z].wetted_width_m),
            delivery=delivery,
            leaching=leaching_requirement(supply.ec_ds_m, planting.crop),
            kc=crops.site_kc(planting.crop, location),
        )
        for (z, planting, begin, end), delivery in zip(found, given, strict=True)
    )


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
        return self.stand >= 0

    def spread(self, values: FloatArray, elsewhere: float = 0.0) -> FloatArray:
        """One of the flat arrays of standing zone-days laid out as (day, zone)."""
        dense = np.full(self.stand.shape, elsewhere)
        dense.ravel()[self.flat.place] = values
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
    """ETc, TAW, RAW, trigger and effective rain of every zone and day.

    et0, rain: (day,) mm, finite.  Sources: FAO-56 eq 66 (Kc), 60 (wetted strip), 82 (TAW), 83 (RAW), the
    note of Table 22 (p against ETc); the rest by model M3-M6.
    """
    found = stands(zones, first, len(et0), location, supply)
    shape = (len(et0), len(zones))
    flat = _Flat(found, zones, et0)
    stand = np.full(shape, -1, dtype=np.int64)
    stand.ravel()[flat.place] = flat.stand

    counts = np.where(rain >= SMALL_RAIN_SHARE_OF_ET0 * et0, rain, 0.0)
    rain_eff = counts[:, None] * np.array([_rain_capture(zone, "none") for zone in zones])
    rain_eff.ravel()[flat.place] = counts[flat.day] * flat.rain_share

    def spread(values: FloatArray, elsewhere: float) -> FloatArray:
        dense = np.full(shape, elsewhere)
        dense.ravel()[flat.place] = values
        return dense

    raw = spread(flat.raw, np.inf)
    return Terms(
        first=first,
        stands=found,
        stand=stand,
        etc=spread(flat.etc, 0.0),
        taw=spread(flat.taw, BARE_TAW_MM),
        raw=raw,
        trigger=raw * np.array([zone.refill_at for zone in zones]),
        rain_eff=rain_eff,
        minutes_per_mm=np.array([*(1 / s.net_per_minute for s in found), 1.0])[stand],
        settle=_settle_minutes(found, shape, rain_eff),
        begins=tuple(sorted((s.begin, s.zone) for s in found)),
        flat=flat,
    )


def depletion_fraction(p_table: Share, etc: Mm) -> Share:
    """p = p_table + 0.04 (5 - ETc), held to 0.1 .. 0.8 (FAO-56, note of Table 22)."""
    return np.clip(p_table + 0.04 * (5 - etc), 0.1, 0.8)


class _Flat:
    """One long axis of standing zone-days: one stand after another, each over its own days."""

    def __init__(self, found: tuple[Stand, ...], zones: Sequence[Zone], et0: Mm) -> None:
        self._lengths = lengths = np.array([s.end - s.begin for s in found], dtype=np.int64)
        within = np.arange(int(lengths.sum())) - np.repeat(np.cumsum(lengths) - lengths, lengths)
        self.stand = np.repeat(np.arange(len(found)), lengths)
        self.day = self._whole([s.begin for s in found]) + within
        self.place = self.day * len(zones) + self._whole([s.zone for s in found])
        self.day_no = self._whole([s.day_no for s in found]) + within
        plantings = [s.planting for s in found]
        stages = np.array([p.crop.stage_days for p in plantings], dtype=np.int64)
        days = np.cumsum(stages.reshape(-1, 4), axis=1)
        self.ends = np.stack([np.repeat(days[:, k], lengths) for k in range(4)])

        kc = crops.kc_of_day(
            self.day_no,
            kc_ini=self._each([s.kc[0] * s.wetted for s in found]),  # eq 60: only the strip is wetted
            kc_mid=self._each([s.kc[1] for s in found]),
            kc_end=self._each([s.kc[2] for s in found]),
            ends=self.ends,
        )
        self.kc = kc * self._each([crops.mulch_keeps(p.crop, p.mulch) for p in plantings])
        self.etc = self.kc * et0[self.day]
        g = crops.growth(self.day_no, self.ends[1])
        self.root_depth = crops.root_depth(
            g,
            self._each([p.crop.root_start_m for p in plantings]),
            self._each([p.crop.root_full_m for p in plantings]),
        )
        holds_mm_per_m = self._each([_held_mm_per_m(zones[s.zone].soil) * s.wetted for s in found])
        self.taw = self.root_depth * holds_mm_per_m
        self.p_table = self._each([p.crop.depletion for p in plantings])
        self.p = depletion_fraction(self.p_table, self.etc)
        self.raw = self.p * self.taw
        capture = self._each([_rain_capture(zones[s.zone], s.planting.mulch) for s in found])
        self.rain_share = capture * crops.root_spread(g, self._each([s.wetted for s in found]))

    def _each(self, of_stand: list[float]) -> FloatArray:
        return np.repeat(np.array(of_stand, dtype=np.float64), self._lengths)

    def _whole(self, of_stand: list[int]) -> IntArray:
        return np.repeat(np.array(of_stand, dtype=np.int64), self._lengths)


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
