"""What a planting's age asks of the morning: settling in, a seedbed, drying off (models M10, M13)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np

from scheduler.core.arrays import BoolArray, FloatArray, Minutes, Mm
from scheduler.core.balance import surface
from scheduler.core.balance.curves import Flat, shed
from scheduler.core.balance.stands import Stand
from scheduler.core.balance.stored import Stored
from scheduler.model import Emergence, Planting, Soil, TextureGroup, Zone

SETTLE_SKIPPED_BY_RAIN_MM = 5.0
SETTLE_EVERY_DAYS: dict[TextureGroup, int] = {"coarse": 1, "medium": 2, "fine": 2}
SURFACE_RUN_MINUTES: dict[TextureGroup, float] = {"coarse": 30.0, "medium": 30.0, "fine": 45.0}
"""Own choices, where the grower gives none."""
SEEDBED_DAYS, MOST_SEEDBED_DAYS = 14, 30
EMERGENCE_MARGIN = 1.2
LATE_SEASON = 3


@dataclass(frozen=True, slots=True)
class Sowing:
    """Of standing zone-days, (day,) on the flat axis; None where no planting has it."""

    settle: Minutes | None  # least minutes, 0 = none
    refilled: BoolArray | None  # planting day of transplants: the whole deficit, whatever the trigger
    dryness: Mm | None  # c: most that a seedbed may lack, mm of the strip; nan elsewhere
    surface_run: Minutes | None  # least minutes of a seedbed's run
    dry: BoolArray | None  # drying off: no water
    refill_at: FloatArray | None  # drying off: this share of RAW instead of the zone's; nan elsewhere

    @property
    def drying(self) -> BoolArray | None:
        """Days of drying off, of either kind."""
        if self.dry is None:
            return None
        assert self.refill_at is not None
        return self.dry | ~np.isnan(self.refill_at)

    @property
    def seedbed(self) -> BoolArray | None:
        """Days on which a sown row is not up yet."""
        return None if self.dryness is None else ~np.isnan(self.dryness)


def sowing(
    zones: Sequence[Zone],
    found: Sequence[Stand],
    flat: Flat,
    first: date,
    *,
    rain: Mm,
    record: Stored | None,
    seedbeds: bool,
) -> Sowing:
    """Of all standing zone-days; rain: (day,) of the span from `first` on; seedbeds: are they kept."""
    dry, refill_at = _dry_off(found, flat, first)
    settle, refilled = _settling(zones, found, flat, first, rain, record)
    dryness, surface_run = _seedbeds(zones, found, flat, record) if seedbeds else (None, None)
    if dry is not None:
        if settle is not None:
            settle[dry] = 0.0
        if refilled is not None:
            refilled &= ~dry
    return Sowing(settle, refilled, dryness, surface_run, dry, refill_at)


def started_by(planting: Planting) -> str:
    """seed, transplants or sets."""
    return planting.crop.by if planting.by is None else planting.by


def _settling(
    zones: Sequence[Zone], found: Sequence[Stand], flat: Flat, first: date, rain: Mm, record: Stored | None
) -> tuple[Minutes | None, BoolArray | None]:
    """Least minutes of settling runs, and planting days that are refilled; none the day after a good rain."""
    minutes: Minutes | None = None
    refilled: BoolArray | None = None
    for k, stand in enumerate(found):
        settle, zone = stand.planting.settle, zones[stand.zone]
        if settle is None or started_by(stand.planting) == "sets":
            continue
        if minutes is None or refilled is None:
            minutes, refilled = np.zeros(len(flat.day)), np.zeros(len(flat.day), dtype=bool)
        days, number = flat.days_of(k), stand.day_no + np.arange(stand.end - stand.begin)
        every = settle.every_days or SETTLE_EVERY_DAYS[zone.soil.texture_group]
        due = (number <= settle.days) & ((number - 1) % every == 0)
        before = _rain_before(stand, first, rain, record, flat.sheltered[days]) * shed(
            zone, stand.planting.mulch
        )
        due &= (number == 1) | (before < SETTLE_SKIPPED_BY_RAIN_MM)
        minutes[days] = np.where(due, _settle_minutes(zone, stand), 0.0)
        if started_by(stand.planting) == "transplants":
            refilled[days] = number == 1
    return minutes, refilled


def _settle_minutes(zone: Zone, stand: Stand) -> float:
    settle = stand.planting.settle
    assert settle is not None
    if settle.run_minutes is not None:
        return settle.run_minutes
    rows = stand.planting.rows
    litre_a_metre = rows.count * rows.length_m / stand.delivery.flow_lpm
    return litre_a_metre + zone.fill_time_minutes


def _rain_before(stand: Stand, first: date, rain: Mm, record: Stored | None, roof: BoolArray) -> Mm:
    """Rain of the day before each of the stand's days, mm; 0 where that day was under a roof."""
    day = np.arange(stand.begin, stand.end) - 1
    out = np.where(day >= 0, rain[np.maximum(day, 0)], 0.0)
    if record is not None and stand.begin == 0 and 0 < record.index(first) <= len(record.rain_mm):
        out[0] = record.rain_mm[record.index(first) - 1]
    return np.where(np.concatenate([[False], roof[:-1]]), 0.0, out)


# --- seedbed -------------------------------------------------------------------------------------


def dryness_allowed(soil: Soil, seed_depth_m: float) -> float:
    """c: most that the layer over a seed may lack, mm (own choice).

    >>> loam = Soil("loam", 0.25, 0.12, rew_mm=9.0)
    >>> [round(dryness_allowed(loam, depth), 2) for depth in (0.012, 0.020, 0.038)]
    [4.5, 9.0, 11.5]
    """
    tew, rew = surface.evaporable(soil)
    if seed_depth_m <= 0.015:
        return 0.5 * rew
    return rew if seed_depth_m <= 0.030 else rew + 0.25 * (tew - rew)


def _seedbeds(
    zones: Sequence[Zone], found: Sequence[Stand], flat: Flat, record: Stored | None
) -> tuple[Mm | None, Minutes | None]:
    dryness: Mm | None = None
    least = np.zeros(len(flat.day))
    for k, stand in enumerate(found):
        planting, zone = stand.planting, zones[stand.zone]
        if started_by(planting) != "seed":
            continue
        if dryness is None:
            dryness = np.full(len(flat.day), np.nan)
        days, most = flat.days_of(k), dryness_allowed(zone.soil, seed_depth(planting))
        dryness[days] = np.where(_not_up(stand, record), most, np.nan)
        run = zone.surface_run_minutes
        least[days] = SURFACE_RUN_MINUTES[zone.soil.texture_group] if run is None else run
    return dryness, None if dryness is None else least


def seed_depth(planting: Planting) -> float:
    """m: the planting's own, else its crop's."""
    return planting.crop.seed_depth_m if planting.seed_depth_m is None else planting.seed_depth_m


def warmth_since(record: Stored, planting: Planting, need: Emergence) -> FloatArray:
    """Sum of the daily means over the base from the planting date on, before day 1, 2, ..., degC days."""
    mean = (record.tmin_c + record.tmax_c) / 2
    warm = record.filled(np.maximum(mean - need.base_c, 0.0))
    return np.concatenate([[0.0], np.cumsum(warm[record.index(planting.planted) :])])


def _not_up(stand: Stand, record: Stored | None) -> BoolArray:
    """(day,) of the stand: not noted as emerged, else not warm enough for it yet."""
    planting, number = stand.planting, stand.day_no + np.arange(stand.end - stand.begin)
    if planting.emerged is not None:
        return number < (planting.emerged - planting.planted).days + 1
    need = planting.crop.emergence
    if need is None or record is None or record.index(planting.planted) < 0:
        return number <= SEEDBED_DAYS
    through = warmth_since(record, planting, need)
    enough = through[np.minimum(number - 1, len(through) - 1)] >= EMERGENCE_MARGIN * need.sum_c
    return ~enough & (number <= MOST_SEEDBED_DAYS)


# --- drying off ----------------------------------------------------------------------------------


def _dry_off(found: Sequence[Stand], flat: Flat, first: date) -> tuple[BoolArray | None, FloatArray | None]:
    dry: BoolArray | None = None
    refill_at = np.full(len(flat.day), np.nan)
    for k, stand in enumerate(found):
        planting = stand.planting
        rule = planting.crop.dry_off if planting.dry_off is None else planting.dry_off
        if (rule is None or not rule.days) and planting.dry_from is None:
            continue
        if dry is None:
            dry = np.zeros(len(flat.day), dtype=bool)
        days = flat.days_of(k)
        drying = _drying(stand, first, flat, days, rule.days if rule else 0)
        if rule is None or rule.refill_at is None:
            dry[days] = drying
        else:
            refill_at[days] = np.where(drying, rule.refill_at, np.nan)
    return dry, None if dry is None else refill_at


def _drying(stand: Stand, first: date, flat: Flat, days: slice, count: int) -> BoolArray:
    planting = stand.planting
    day = np.arange(stand.begin, stand.end)
    noted = planting.dry_from
    begun = np.zeros(len(day), dtype=bool) if noted is None else day >= (noted - first).days
    if not count:
        return begun
    if planting.harvest is not None:
        return begun | (day >= (planting.harvest - first).days - count)
    late = planting.crop.stage_days[LATE_SEASON]
    late_enough = (flat.stage[days] == LATE_SEASON) & (flat.fall[days] * late > late - count)
    return np.asarray(begun | late_enough)
