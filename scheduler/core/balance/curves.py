"""Standing zone-days on one long axis, and what follows from a crop's age alone (model M3, M4)."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date

import numpy as np

from scheduler.core.arrays import BoolArray, FloatArray, IntArray, Mm, Share
from scheduler.core.balance import crop as crops
from scheduler.core.balance.stands import Fixed, Stand
from scheduler.model import Soil, Zone

FILM_RAIN_CAPTURE = 0.3


class Flat:
    """One long axis of standing zone-days: one stand after another, each over its own days."""

    def __init__(
        self, found: tuple[Stand, ...], zones: Sequence[Zone], first: date, et0: Mm, rain: Mm
    ) -> None:
        begin, end, zone, number = (
            np.array([getattr(s, name) for s in found], dtype=np.int64)
            for name in ("begin", "end", "zone", "day_no")
        )
        self.stand_zone, self.stand_begin, self.stand_end = zone, begin, end  # (stand,), zone after zone
        lengths = end - begin
        self.stand_at = np.cumsum(lengths) - lengths  # (stand,) where its days begin on this axis
        within = np.arange(int(lengths.sum())) - np.repeat(self.stand_at, lengths)
        self.stand = np.repeat(np.arange(len(found)), lengths)
        self.day = np.repeat(begin, lengths) + within
        self.zone = np.repeat(zone, lengths)
        self.place = self.day * len(zones) + self.zone
        self.day_no = np.repeat(number, lengths) + within
        self.fixed = fixed = list({id(s.fixed): s.fixed for s in found}.values())
        row = {id(f): k for k, f in enumerate(fixed)}
        self.kind = kind = np.array([row[id(s.fixed)] for s in found], dtype=np.int64)  # (stand,)
        curves = _Curves(fixed, kind, number + lengths - 1, zones)
        at = np.repeat(curves.begin[kind], lengths) + self.day_no - 1
        self.stage, self.kc, self.root_depth = curves.stage[at], curves.kc[at], curves.root_depth[at]
        self.taw, self.p_table = curves.taw[at], curves.p_table[at]
        self.rise, self.fall = curves.rise[at], curves.fall[at]
        self.response_stage = curves.response_stage[at]
        self.x = curves.x[at]
        self.spread = curves.spread[at]
        self.rain_share = curves.capture[at] * self.spread
        self.et0_share, self.rain, self.sheltered = _under_shelter(found, self, first, rain)
        self.et0 = et0[self.day] * self.et0_share

    def of_kinds(self, values: Iterable[float]) -> FloatArray:
        """One value for each of `fixed`, laid out over the days of all its stands."""
        return np.fromiter(values, dtype=np.float64)[self.kind][self.stand]

    def days_of(self, k: int) -> slice:
        """Where stand k's days lie on this axis."""
        begin = int(self.stand_at[k])
        return slice(begin, begin + int(self.stand_end[k] - self.stand_begin[k]))


def _under_shelter(found: Sequence[Stand], flat: Flat, first: date, rain: Mm) -> tuple[Share, Mm, BoolArray]:
    """Of each standing zone-day: share of ET0, the rain, and whether a roof keeps it out (model M13)."""
    share, rain_here = np.ones(len(flat.day)), rain[flat.day]
    dry = np.zeros(len(flat.day), dtype=bool)
    for k, stand in enumerate(found):
        shelter = stand.planting.shelter
        if shelter is None:
            continue
        days = flat.days_of(k)
        until = stand.end if shelter.until is None else min((shelter.until - first).days, stand.end)
        under = slice(days.start, days.start + max(until - stand.begin, 0))
        share[under] *= shelter.et0_factor
        if shelter.keeps_rain_out:
            rain_here[under], dry[under] = 0.0, True
    return share, rain_here, dry


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
        ends = np.array([f.pace.bounds for f in fixed]).reshape(-1, 4).T[:, of]
        self.x, before = number.astype(np.float64), (number - 1).astype(np.float64)
        by_heat = np.array([f.pace.sums is not None for f in fixed], dtype=bool)
        for k in np.flatnonzero(by_heat).tolist():
            here = slice(int(self.begin[k]), int(self.begin[k] + days[k]))
            self.x[here] = fixed[k].pace.x(np.arange(1, days[k] + 1))
            before[here] = fixed[k].pace.x(np.arange(days[k]))
        kc_ini = each(f.kc[0] * f.wetted for f in fixed)  # eq 60: only the strip is wetted
        kc = crops.kc_of_day(
            self.x, kc_ini=kc_ini, kc_mid=each(f.kc[1] for f in fixed), kc_end=each(f.kc[2] for f in fixed),
            ends=ends,
        )  # fmt: skip
        self.rise, self.fall = crops.passed(self.x, ends)
        self.stage = crops.stage_of_day(self.x, ends)
        self.response_stage = crops.response_stage(self.x, ends)
        self.kc = kc * each(crops.mulch_keeps(p.crop, p.mulch) for p in plantings)
        g = np.where(by_heat[of], crops.growth_by_heat(before, ends[1]), crops.growth(number, ends[1]))
        self.root_depth = crops.root_depth(
            g, each(p.crop.root_start_m for p in plantings), each(p.crop.root_full_m for p in plantings)
        )
        self.taw = self.root_depth * each(held_mm_per_m(zones[f.zone].soil) * f.wetted for f in fixed)
        self.p_table = each(p.crop.depletion for p in plantings)
        self.capture = each(rain_capture(zones[f.zone], f.planting.mulch) for f in fixed)
        self.spread = crops.root_spread(g, each(f.wetted for f in fixed))


def held_mm_per_m(soil: Soil) -> float:
    """Water between field capacity and wilting point, mm per metre of soil (eq 82)."""
    return 1000 * (soil.theta_fc - soil.theta_wp)


def rain_capture(zone: Zone, mulch: str) -> float:
    """Share of the rain that gets into the soil: runoff taken off, mulch sheds the rest (model M5)."""
    return (1 - zone.runoff) * shed(zone, mulch)


def shed(zone: Zone, mulch: str) -> float:
    """C of M5: share of the rain that a mulch lets through, or the zone's own."""
    if zone.rain_capture is not None:
        return zone.rain_capture
    return FILM_RAIN_CAPTURE if mulch == "film" else 1.0
