"""Which planting stands on which days, and what does not change while it does (models M3, M4, M7)."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np

from scheduler.core.arrays import FloatArray
from scheduler.core.balance import crop as crops
from scheduler.core.balance.heat import after_observed, calibrated, sums_of
from scheduler.core.balance.salt import leaching_requirement
from scheduler.core.balance.stored import Stored, warmth
from scheduler.core.balance.tape import Delivery, deliveries
from scheduler.model import HeatUnits, Location, Planting, Supply, Zone


@dataclass(frozen=True, slots=True)
class Pace:
    """By what a planting goes through its stages: days, or degree-days from the planting date on."""

    bounds: FloatArray  # (4,) x on each stage's last day
    sums: FloatArray | None = None  # through day 0, 1, 2, ...; None: x is the day number

    def x(self, numbers: FloatArray) -> FloatArray:
        """x of day 0, 1, 2, ... of the planting."""
        return (
            numbers
            if self.sums is None
            else self.sums[np.minimum(numbers, len(self.sums) - 1).astype(np.int64)]
        )


@dataclass(frozen=True, slots=True)
class Fixed:
    """What does not change from day to day, nor from one year's planting of a crop to the next."""

    zone: int
    planting: Planting  # the first of its kind
    wetted: float
    delivery: Delivery
    leaching: float
    kc: tuple[float, float, float]  # site values, Kc_ini not yet reduced to the wetted strip
    pace: Pace

    @property
    def net_per_minute(self) -> float:
        """mm net per minute of run on the planted area, leaching left aside."""
        given = self.delivery
        return given.flow_lpm * given.uniformity / self.planting.rows.area_m2


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
    zones: Sequence[Zone],
    first: date,
    count: int,
    location: Location,
    supply: Supply,
    record: Stored | None = None,
) -> tuple[Stand, ...]:
    """Which planting stands when, in first .. first + count days (model M3): the latest planted rules.

    In order of zones, and of days within a zone.  What plantings of a kind share is worked out once.
    record: the stored weather; without it stages go by days.
    """
    paces = _Paces(location, record)
    found: list[tuple[int, Planting, int, int, int]] = []
    kinds: dict[tuple[object, ...], int] = {}  # kind -> the first planting found of it
    kind_of: list[int] = []
    origin = first.toordinal()
    for z, zone in enumerate(zones):
        planted = [planting.planted.toordinal() - origin for planting in zone.plantings]
        for planting, begin, later in zip(zone.plantings, planted, [*planted[1:], count], strict=False):
            end = min(count, later, _last_day(planting, begin, origin, paces))
            if max(begin, 0) < end:
                kind_of.append(kinds.setdefault(_kind(z, planting, paces), len(found)))
                found.append((z, planting, max(begin, 0), end, max(begin, 0) - begin + 1))
    of_kind = [(zones[found[k][0]], found[k][0], found[k][1]) for k in kinds.values()]
    given = deliveries([(planting, zone) for zone, _, planting in of_kind], supply)
    fixed = dict(
        zip(
            kinds.values(),
            (_fixed(*one, location, supply, paces) for one in zip(of_kind, given, strict=True)),
            strict=True,
        )
    )
    return tuple(Stand(*one, fixed[kind]) for one, kind in zip(found, kind_of, strict=True))


def _last_day(planting: Planting, planted: int, origin: int, paces: _Paces) -> int:
    """Day index from which the planting stands no more, whatever is planted next."""
    pulled = sys.maxsize if planting.pulled is None else planting.pulled.toordinal() - origin
    if planting.crop.hold_last_stage:
        return pulled
    pace = paces.of(planting)
    if pace.sums is None:
        return min(pulled, planted + int(pace.bounds[3]))
    return min(pulled, planted + int(np.searchsorted(pace.sums, pace.bounds[3], side="right")) - 1)


def _fixed(
    of: tuple[Zone, int, Planting], delivery: Delivery, location: Location, supply: Supply, paces: _Paces
) -> Fixed:
    zone, z, planting = of
    return Fixed(
        zone=z,
        planting=planting,
        wetted=crops.wetted_fraction(planting.rows, zone.wetted_width_m),
        delivery=delivery,
        leaching=leaching_requirement(supply.ec_ds_m, planting.crop),
        kc=crops.site_kc(planting.crop, location),
        pace=paces.of(planting),
    )


def _kind(zone: int, planting: Planting, paces: _Paces) -> tuple[object, ...]:
    """Plantings of a zone that share all their constants. (A crop is one object for all its plantings.)"""
    own = planting.planted if paces.own(planting) else None
    return (
        zone,
        id(planting.crop),
        planting.rows,
        planting.mulch,
        planting.measured_flow_lpm,
        own,
        planting.cover,
        planting.mulch_cover,
    )


class _Paces:
    """The pace of every planting; what several share is worked out once."""

    def __init__(self, location: Location, record: Stored | None) -> None:
        self._location, self._record = location, record
        self._warmth: dict[HeatUnits, FloatArray] = {}
        self._of: dict[int, Pace] = {}

    def own(self, planting: Planting) -> bool:
        """Whether this planting goes by its own dates, not by the day number alone."""
        return bool(planting.observed) or self._by_heat(planting)

    def _by_heat(self, planting: Planting) -> bool:
        heat, record = planting.crop.heat, self._record
        return (
            planting.heat and heat is not None and record is not None and record.index(planting.planted) >= 0
        )

    def of(self, planting: Planting) -> Pace:
        key = id(planting if self.own(planting) else planting.crop)
        if key not in self._of:
            self._of[key] = self._made(planting)
        return self._of[key]

    def _made(self, planting: Planting) -> Pace:
        pace = self._heat(planting) if self._by_heat(planting) else None
        if pace is None:
            pace = Pace(np.cumsum(planting.crop.stage_days, dtype=np.float64))
        bounds = pace.bounds
        for stage, day in sorted(planting.observed, key=lambda seen: crops.STAGES.index(seen[0])):
            before = np.array((day - planting.planted).days, dtype=np.float64)
            bounds = after_observed(bounds, crops.STAGES.index(stage), float(pace.x(before)))
        return Pace(bounds, pace.sums)

    def _heat(self, planting: Planting) -> Pace | None:
        record, heat = self._record, planting.crop.heat
        assert record is not None
        assert heat is not None
        if heat not in self._warmth:
            self._warmth[heat] = warmth(record, heat)
        days = self._warmth[heat]
        bounds = None if heat.stages is None else np.array(heat.stages)
        if bounds is None:
            bounds = calibrated(
                planting.crop, days, record.warm, first=record.first, planted=planting.planted,
                location=self._location,
            )  # fmt: skip
        return None if bounds is None else Pace(bounds, sums_of(days[record.index(planting.planted) :]))
