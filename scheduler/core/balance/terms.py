"""Everything the daily balance needs of each zone and day, laid out once as (day, zone) arrays.

The work is done on flat arrays of standing zone-days (one planting after another), then scattered: one
live day and thirty years of many zones are the same lines.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np

from scheduler.core.arrays import BoolArray, FloatArray, IntArray, Mm, Share
from scheduler.core.balance.curves import Flat, rain_capture
from scheduler.core.balance.ground import Ground, ground
from scheduler.core.balance.salts import Salts, salts
from scheduler.core.balance.sowing import Sowing, sowing
from scheduler.core.balance.stands import Stand, stands
from scheduler.core.balance.stored import Stored
from scheduler.model import CropCoefficient, Location, Supply, Zone

SMALL_RAIN_SHARE_OF_ET0 = 0.2
BARE_TAW_MM = 1e6
"""Stands for "no limit" where no crop draws (half of it for RAW, so that Ks is 1); never shown."""


@dataclass(frozen=True, slots=True)
class Terms:
    """What the balance reads, (day, zone).  Where no planting stands: ETc 0, TAW without limit, never due.

    `use` is what the crop itself would use, Kcb ET0; where one coefficient serves (`ground` None) that is all
    of ETc.  Where evaporation is apart, it follows from the surface day by day.
    """

    first: date
    stands: tuple[Stand, ...]
    stand: IntArray  # index into `stands`, -1 where nothing stands
    etc: Mm  # without stress; where evaporation is apart, as if each morning wet the strip
    use: Mm  # of it what stress lowers: all of Kc ET0, or Kcb ET0
    taw: Mm
    raw: Mm
    trigger: Mm
    rain_eff: Mm
    minutes_per_mm: FloatArray  # leaching left aside
    settle: FloatArray | None  # minutes a settling run asks for, 0 = none
    sowing: Sowing
    begins: tuple[tuple[int, int], ...]  # (day, zone) on which a planting's first day falls in the span
    flat: Flat
    p: Share  # flat: of standing zone-days
    ground: Ground | None = None
    salt: Salts | None = None

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
    coefficient: CropCoefficient = "single",
    record: Stored | None = None,
) -> Terms:
    """Use, TAW, RAW, trigger and effective rain of every zone and day, (day, zone) arrays.

    et0, rain: (day,) mm, finite.  coefficient: `dual` keeps the soil's evaporation apart from the crop's use,
    and needs the record.  record: the stored weather, for climate, warmth and beds that nobody knows of;
    without it stages go by days.
    Sources: FAO-56 eq 66 (Kc, Kcb), 60 (wetted strip), 82 (TAW), 83 (RAW), the note of Table 22 (p against
    use); the rest by model M3-M6.

    >>> from scheduler.model import Crop, Planting, Rows, Soil, Tape, Valve
    >>> onion = Crop("onion", 1, 1, 1, (30, 30, 30, 30), root_start_m=0.5, root_full_m=0.5, depletion=0.30)
    >>> bed = Zone("bed", Tape("thin", 0.05), Soil("loam", 0.25, 0.12), None,
    ...            (Planting(onion, date(2024, 6, 2), None, Rows(4, 20, 0.6)),), Valve("by_hand", "x"), 0.6)
    >>> days = terms((bed,), date(2024, 6, 1), np.full(2, 5.0), np.array([0.0, 0.9]),
    ...              location=Location(35.6, -82.4, 650.0, "UTC"), supply=Supply(30.0))
    >>> [round(float(x[1, 0]), 3) for x in (days.use, days.taw, days.raw, days.trigger, days.rain_eff)]
    [5.0, 65.0, 19.5, 9.75, 0.0]
    >>> days.standing[:, 0].tolist()         # planted on the second day; 0.9 mm of rain is under 0.2 ET0
    [False, True]
    """
    dual = coefficient == "dual"
    found = stands(zones, first, len(et0), location, supply, record)
    shape = (len(et0), len(zones))
    flat = Flat(found, zones, first, et0, rain)
    stand = np.full(shape, -1, dtype=np.int64)
    stand.ravel()[flat.place] = flat.stand
    surface = None
    if dual:
        if record is None:
            raise ValueError("evaporation apart needs the stored weather")
        surface = ground(
            zones, found, flat, first, et0=et0, rain=rain, record=record, location=location,
            counts_from=SMALL_RAIN_SHARE_OF_ET0,
        )  # fmt: skip
    use = (flat.kc if surface is None else surface.kcb) * flat.et0
    p = depletion_fraction(flat.p_table, use if surface is None else use / flat.spread)
    raw = p * flat.taw
    rain_eff = _rain_eff(zones, flat, stand, found, et0, rain, apart=dual)
    sow = sowing(zones, found, flat, first, rain=rain, record=record, seedbeds=dual)
    minutes_per_mm = flat.of_kinds(1 / f.net_per_minute for f in flat.fixed)
    return Terms(
        first=first,
        stands=found,
        stand=stand,
        etc=_spread(use if surface is None else use + surface.most_evaporation, flat.place, shape, 0.0),
        use=_spread(use, flat.place, shape, 0.0),
        taw=_spread(flat.taw, flat.place, shape, BARE_TAW_MM),
        raw=_spread(raw, flat.place, shape, BARE_TAW_MM / 2),
        trigger=_spread(_trigger(zones, flat, raw, sow), flat.place, shape, np.inf),
        rain_eff=rain_eff,
        minutes_per_mm=_spread(minutes_per_mm, flat.place, shape, 1.0),
        settle=None if sow.settle is None else _spread(sow.settle, flat.place, shape, 0.0),
        sowing=sow,
        begins=tuple(sorted((s.begin, s.zone) for s in found)),
        flat=flat,
        p=p,
        ground=surface,
        salt=salts(zones, found, supply.ec_ds_m),
    )


def _trigger(zones: Sequence[Zone], flat: Flat, raw: Mm, sow: Sowing) -> Mm:
    """mm from which on water is due, of standing zone-days; a crop that dries off has its own, or none."""
    trigger = raw * np.array([zone.refill_at for zone in zones])[flat.zone]
    if sow.refill_at is not None:
        trigger = np.where(np.isnan(sow.refill_at), trigger, sow.refill_at * raw)
    return trigger if sow.dry is None else np.where(sow.dry, np.inf, trigger)


def _rain_eff(
    zones: Sequence[Zone],
    flat: Flat,
    stand: IntArray,
    found: Sequence[Stand],
    et0: Mm,
    rain: Mm,
    *,
    apart: bool,
) -> Mm:
    """(day, zone) mm of rain that reaches the roots, or the bare ground; under 0.2 ET0 none (model M5).

    apart: of a gap between crops only what falls on the strip of the rows before it counts.
    """
    counts = np.where(rain >= SMALL_RAIN_SHARE_OF_ET0 * et0, rain, 0.0)
    eff = counts[:, None] * np.array([rain_capture(zone, "none") for zone in zones])
    if apart:
        eff *= strip_before(stand, found)
    here = np.where(flat.rain >= SMALL_RAIN_SHARE_OF_ET0 * flat.et0, flat.rain, 0.0)
    eff.ravel()[flat.place] = here * flat.rain_share
    return np.asarray(eff)


def strip_before(stand: IntArray, found: Sequence[Stand]) -> Share:
    """(day, zone) Pw of the rows that stand, or stood last; 1 before the first."""
    latest = np.maximum.accumulate(stand, axis=0)
    wetted = np.array([s.wetted for s in found] + [1.0])
    return np.asarray(wetted[latest])


def depletion_fraction(p_table: Share, etc: Mm) -> Share:
    """p = p_table + 0.04 (5 - ETc), held to 0.1 .. 0.8 (FAO-56, note of Table 22).

    >>> [round(float(depletion_fraction(np.float64(0.40), np.float64(etc))), 2) for etc in (5, 3, 14)]
    [0.4, 0.48, 0.1]
    """
    return np.clip(p_table + 0.04 * (5 - etc), 0.1, 0.8)
