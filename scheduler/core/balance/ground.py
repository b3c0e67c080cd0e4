"""What evaporation needs of each standing zone-day, and of the bare ones between (model M3d)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np

from scheduler.core.arrays import BoolArray, FloatArray, Mm, Share
from scheduler.core.balance import surface
from scheduler.core.balance.curves import Flat, rain_capture
from scheduler.core.balance.stands import Stand
from scheduler.core.balance.stored import Stored, climate_before
from scheduler.model import Location, Zone

LEAST_COVER_FACTOR, MOST_COVER_FACTOR = 0.3, 3.0


@dataclass(frozen=True, slots=True)
class Ground:
    """Arrays of standing zone-days (day,) on the flat axis; a leading 2: over the tape, in the row middle."""

    kcb: FloatArray
    kc_max: FloatArray
    cover: Share  # fc
    few: FloatArray  # (2, day)
    demand: FloatArray  # Kc_max - Kcb
    most: FloatArray  # (2, day) few Kc_max
    et0_per_few: FloatArray  # (2, day) mm of its own ground for each unit of Ke
    keeps: FloatArray  # what straw leaves
    rain: Mm  # (2, day) that gets in
    wetted: Share  # Pw
    band: Share
    tew: Mm  # (zone,)
    slope_mm: Mm  # (zone,) TEW - REW
    bare_rain: Mm  # (day, zone) that gets into bare ground
    bare_et0: Mm  # (day,)
    bed: Mm  # (stand,) De of a bed bare for 30 days before; nan but for the first of each zone
    same_tape: BoolArray  # (stand,) its rows stand where the last one's stood

    @property
    def most_ke(self) -> FloatArray:
        """Ke of each standing zone-day if the strip was wet that morning and the row middle dry."""
        return np.asarray(self.keeps * np.minimum(self.demand, self.most[0]))

    def most_evaporation(self, flat: Flat) -> Mm:
        """The same in mm."""
        return np.asarray(self.most_ke * flat.et0)


def ground(
    zones: Sequence[Zone],
    found: Sequence[Stand],
    flat: Flat,
    first: date,
    *,
    et0: Mm,
    rain: Mm,
    record: Stored,
    location: Location,
    counts_from: float,
) -> Ground:
    """Of all standing zone-days; et0, rain: (day,) of the span from `first` on, mm.

    counts_from: share of ET0 below which a day's rain does not count (model M5).
    Sources: FAO-56 eq 66, 70, 72, 75-77, Tables 17, 19; see `surface` for what is the project's own.
    """
    kcb, kc_max, cover = _coefficients(found, flat, first, record, location)
    tew, rew = np.array([surface.evaporable(z.soil) for z in zones]).T
    band = flat.of_stands(surface.wet_band(zones[s.zone], s.planting, s.wetted) for s in found)
    few = surface.bare_parts(
        cover, band,
        one_tape=flat.of_stands(float(s.planting.rows.tapes == 1) for s in found),
        film=flat.of_stands(_film(s) for s in found),
    )  # fmt: skip
    counted = np.where(flat.rain >= counts_from * flat.et0, flat.rain, 0.0)
    on_bare = np.array([rain_capture(z, "none") for z in zones])
    strip = flat.of_stands(rain_capture(zones[s.zone], s.planting.mulch) for s in found)
    bare_rain = np.where(rain >= counts_from * et0, rain, 0.0)[:, None] * on_bare
    return Ground(
        kcb=kcb, kc_max=kc_max, cover=cover, few=few, demand=kc_max - kcb, most=few * kc_max,
        et0_per_few=np.divide(flat.et0, few, out=np.zeros_like(few), where=few > 0),
        keeps=flat.of_stands(_straw_keeps(s) for s in found),
        rain=counted * np.stack([strip, on_bare[flat.zone]]),
        wetted=flat.of_stands(s.wetted for s in found),
        band=band, tew=tew, slope_mm=tew - rew, bare_rain=bare_rain, bare_et0=et0,
        bed=_beds(zones, found, first, record, counts_from),
        same_tape=_same_tape(found),
    )  # fmt: skip


def no_layer(found: Sequence[Stand], flat: Flat, days: int, zones: int) -> Ground:
    """For one coefficient: nothing evaporates apart, beds carry their deficit in mm."""
    count = len(flat.day)
    none, both = np.zeros(count), np.zeros((2, count))
    return Ground(
        kcb=flat.kc, kc_max=none, cover=none, few=both, demand=none, most=both, et0_per_few=both,
        keeps=np.ones(count), rain=both, wetted=flat.of_stands(s.wetted for s in found),
        band=np.ones(count), tew=np.ones(zones), slope_mm=np.ones(zones), bare_rain=np.zeros((days, zones)),
        bare_et0=np.zeros(days), bed=np.where(_firsts(found), 0.0, np.nan), same_tape=_same_tape(found),
    )  # fmt: skip


def _firsts(found: Sequence[Stand]) -> BoolArray:
    """(stand,) whether its zone's balance begins with it."""
    return np.array([k == 0 or found[k - 1].zone != s.zone for k, s in enumerate(found)], dtype=bool)


def _coefficients(
    found: Sequence[Stand], flat: Flat, first: date, record: Stored, location: Location
) -> tuple[FloatArray, FloatArray, Share]:
    """(Kcb, Kc_max, fc) of every standing zone-day."""
    u2, rh = (values[record.index(first) + flat.day] for values in climate_before(record, location))
    heights = [surface.NO_HEIGHT_M if (h := s.planting.crop.height_m) is None else h for s in found]
    table = np.array([surface.basal(s.planting.crop) for s in found]).reshape(-1, 3).T
    tall = flat.of_stands(heights)
    grown = surface.climate_term(u2, rh, tall)
    thin = [s.planting.cover for s in found]
    closes = flat.of_stands(
        1.0 if c is None else surface.density(c, h) for c, h in zip(thin, heights, strict=True)
    )

    def of_site(values: FloatArray) -> FloatArray:
        kcb = values[flat.stand]
        kcb = np.where(kcb >= 0.45, kcb + grown, kcb)
        least = surface.LEAST_KCB
        return np.where((closes < 1) & (kcb > least), least + closes * (kcb - least), kcb)

    ini, mid, end = table[0][flat.stand], of_site(table[1]), of_site(table[2])
    kcb = np.where(flat.fall > 0, mid + flat.fall * (end - mid), ini + flat.rise * (mid - ini))
    kcb = kcb * flat.of_stands(
        1 - s.planting.crop.film_kcb if s.planting.mulch == "film" else 1.0 for s in found
    )
    height = np.maximum(0.1, flat.rise * tall)
    kc_max = np.maximum(1.1 + surface.climate_term(u2, rh, height), kcb + 0.05)
    fc = surface.ground_cover(kcb, kc_max, height)
    fc = np.minimum(fc, flat.of_stands(1.0 if c is None else c for c in thin))
    return kcb, kc_max, _as_seen(found, flat, first, fc)


def _as_seen(found: Sequence[Stand], flat: Flat, first: date, fc: Share) -> Share:
    """fc moved to what the grower saw, from that day on."""
    for k, stand in enumerate(found):
        days = flat.days_of(k)
        worked_out = fc[days].copy()
        for day, seen in sorted(stand.planting.covers_seen):
            at = (day - first).days - stand.begin
            if at < len(worked_out):
                factor = float(np.clip(seen / worked_out[max(at, 0)], LEAST_COVER_FACTOR, MOST_COVER_FACTOR))
                fc[days][max(at, 0) :] = np.minimum(worked_out[max(at, 0) :] * factor, 0.99)
    return fc


def _film(stand: Stand) -> float:
    planting = stand.planting
    if planting.mulch != "film":
        return np.nan
    return surface.FILM_COVER if planting.mulch_cover is None else planting.mulch_cover


def _straw_keeps(stand: Stand) -> float:
    planting = stand.planting
    if planting.mulch != "straw":
        return 1.0
    return 1 - 0.5 * (surface.STRAW_COVER if planting.mulch_cover is None else planting.mulch_cover)


def _same_tape(found: Sequence[Stand]) -> BoolArray:
    def rows(stand: Stand) -> tuple[int, float, int]:
        return stand.zone, stand.planting.rows.spacing_m, stand.planting.rows.tapes

    pairs = zip(found[:-1], found[1:], strict=True)
    return np.array([False, *(rows(a) == rows(b) for a, b in pairs)][: len(found)], dtype=bool)


def _beds(
    zones: Sequence[Zone], found: Sequence[Stand], first: date, record: Stored, counts_from: float
) -> Mm:
    """(stand,) De on the first morning of each zone's balance: from dry, bare for the 30 days before."""
    beds = np.full(len(found), np.nan)
    et0 = np.where(np.isfinite(record.et0_mm), record.et0_mm, 0.0)
    counted = np.where(record.rain_mm >= counts_from * et0, record.rain_mm, 0.0)
    for k in np.flatnonzero(_firsts(found)).tolist():
        stand = found[k]
        zone, at = zones[stand.zone], record.index(first) + stand.begin
        tew, rew = surface.evaporable(zone.soil)
        de = np.array(tew)
        for i in range(max(at - surface.BARE_DAYS_BEFORE, 0), at):
            de = surface.bare_evening(
                de, rain=counted[i] * rain_capture(zone, "none"), et0=et0[i], tew=np.array(tew),
                slope_mm=np.array(tew - rew),
            )  # fmt: skip
        beds[k] = float(de)
    return beds
