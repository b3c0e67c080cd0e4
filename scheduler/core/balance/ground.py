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
from scheduler.model import Location, Planting, Zone

LEAST_COVER_FACTOR, MOST_COVER_FACTOR = 0.3, 3.0


@dataclass(frozen=True, slots=True)
class Ground:
    """Arrays of standing zone-days (day,) on the flat axis; a leading 2: over the tape, in the row middle."""

    kcb: FloatArray
    kc_max: FloatArray
    cover: Share  # fc
    few: FloatArray  # (2, day)
    et0: Mm
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
    def demand(self) -> FloatArray:
        """What evaporation can take at most, Kc_max - Kcb."""
        return self.kc_max - self.kcb

    @property
    def most(self) -> FloatArray:
        """(2, day) the most that each part's wet ground gives, few Kc_max."""
        return self.few * self.kc_max

    @property
    def et0_per_few(self) -> FloatArray:
        """(2, day) mm of its own ground for each unit of Ke; 0 where no ground is bare."""
        return np.divide(self.et0, self.few, out=np.zeros_like(self.few), where=self.few > 0)

    @property
    def most_ke(self) -> FloatArray:
        """Ke of each standing zone-day if the strip was wet that morning and the row middle dry."""
        return np.asarray(self.keeps * np.minimum(self.demand, self.few[0] * self.kc_max))

    @property
    def most_evaporation(self) -> Mm:
        """The same in mm."""
        return self.most_ke * self.et0


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
    kinds = flat.fixed
    kcb, kc_max, cover = _coefficients(found, flat, first, record, location)
    tew, rew = np.array([surface.evaporable(z.soil) for z in zones]).T
    band = flat.of_kinds(surface.wet_band(zones[f.zone], f.planting, f.wetted) for f in kinds)
    few = surface.bare_parts(
        cover, band,
        one_tape=flat.of_kinds(float(f.planting.rows.tapes == 1) for f in kinds),
        film=flat.of_kinds(_film(f.planting) for f in kinds),
    )  # fmt: skip
    counted = np.where(flat.rain >= counts_from * flat.et0, flat.rain, 0.0)
    on_bare = np.array([rain_capture(z, "none") for z in zones])
    strip = flat.of_kinds(rain_capture(zones[f.zone], f.planting.mulch) for f in kinds)
    bare_rain = np.where(rain >= counts_from * et0, rain, 0.0)[:, None] * on_bare
    return Ground(
        kcb=kcb, kc_max=kc_max, cover=cover, few=few, et0=flat.et0,
        keeps=flat.of_kinds(_straw_keeps(f.planting) for f in kinds),
        rain=counted * np.stack([strip, on_bare[flat.zone]]),
        wetted=flat.of_kinds(f.wetted for f in kinds),
        band=band, tew=tew, slope_mm=tew - rew, bare_rain=bare_rain, bare_et0=et0,
        bed=_beds(zones, found, first, record, counts_from),
        same_tape=_same_tape(found, flat),
    )  # fmt: skip


def no_layer(found: Sequence[Stand], flat: Flat, days: int, zones: int) -> Ground:
    """For one coefficient: nothing evaporates apart, beds carry their deficit in mm."""
    count = len(flat.day)
    none, both = np.zeros(count), np.zeros((2, count))
    return Ground(
        kcb=flat.kc, kc_max=flat.kc, cover=none, few=both, et0=flat.et0,
        keeps=np.ones(count), rain=both, wetted=flat.of_kinds(f.wetted for f in flat.fixed),
        band=np.ones(count), tew=np.ones(zones), slope_mm=np.ones(zones), bare_rain=np.zeros((days, zones)),
        bare_et0=np.zeros(days), bed=np.where(_firsts(found), 0.0, np.nan), same_tape=_same_tape(found, flat),
    )  # fmt: skip


def _firsts(found: Sequence[Stand]) -> BoolArray:
    """(stand,) whether its zone's balance begins with it."""
    return np.array([k == 0 or found[k - 1].zone != s.zone for k, s in enumerate(found)], dtype=bool)


def _coefficients(
    found: Sequence[Stand], flat: Flat, first: date, record: Stored, location: Location
) -> tuple[FloatArray, FloatArray, Share]:
    """(Kcb, Kc_max, fc) of every standing zone-day."""
    air = surface.of_air(*climate_before(record, location))[record.index(first) + flat.day]
    kinds = [f.planting for f in flat.fixed]
    heights = [surface.NO_HEIGHT_M if (h := p.crop.height_m) is None else h for p in kinds]
    table = np.array([surface.basal(p.crop) for p in kinds]).reshape(-1, 3).T
    grown = air * flat.of_kinds(surface.of_height(np.array(heights)))
    thin = [p.cover for p in kinds]
    closes = None
    if any(c is not None for c in thin):
        closes = flat.of_kinds(
            1.0 if c is None else surface.density(c, h) for c, h in zip(thin, heights, strict=True)
        )

    def of_site(values: FloatArray) -> FloatArray:
        kcb, least = flat.of_kinds(values), surface.LEAST_KCB
        kcb = kcb + grown * flat.of_kinds(values >= 0.45)
        if closes is not None:
            kcb = np.where((closes < 1) & (kcb > least), least + closes * (kcb - least), kcb)
        return np.asarray(kcb)

    ini, mid, end = flat.of_kinds(table[0]), of_site(table[1]), of_site(table[2])
    kcb = np.where(flat.fall > 0, mid + flat.fall * (end - mid), ini + flat.rise * (mid - ini))
    kcb *= flat.of_kinds(1 - p.crop.film_kcb if p.mulch == "film" else 1.0 for p in kinds)
    height = np.maximum(0.1, flat.rise * flat.of_kinds(heights))
    kc_max = np.maximum(1.1 + air * surface.of_height(height), kcb + 0.05)
    fc = surface.ground_cover(kcb, kc_max, height)
    if closes is not None:
        fc = np.minimum(fc, flat.of_kinds(1.0 if c is None else c for c in thin))
    return kcb, kc_max, _as_seen(found, flat, first, fc)


def _as_seen(found: Sequence[Stand], flat: Flat, first: date, fc: Share) -> Share:
    """fc moved to what the grower saw, from that day on."""
    for k, stand in enumerate(found):
        if not stand.planting.covers_seen:
            continue
        days = flat.days_of(k)
        worked_out = fc[days].copy()
        for day, seen in sorted(stand.planting.covers_seen):
            at = (day - first).days - stand.begin
            if at < len(worked_out):
                factor = float(np.clip(seen / worked_out[max(at, 0)], LEAST_COVER_FACTOR, MOST_COVER_FACTOR))
                fc[days][max(at, 0) :] = np.minimum(worked_out[max(at, 0) :] * factor, 0.99)
    return fc


def _film(planting: Planting) -> float:
    if planting.mulch != "film":
        return np.nan
    return surface.FILM_COVER if planting.mulch_cover is None else planting.mulch_cover


def _straw_keeps(planting: Planting) -> float:
    if planting.mulch != "straw":
        return 1.0
    return 1 - 0.5 * (surface.STRAW_COVER if planting.mulch_cover is None else planting.mulch_cover)


def _same_tape(found: Sequence[Stand], flat: Flat) -> BoolArray:
    """(stand,) whether spacing and tapes are those of the stand before it in its zone."""
    rows = np.array([(f.zone, f.planting.rows.spacing_m, f.planting.rows.tapes) for f in flat.fixed])
    of = rows[flat.kind] if len(found) else np.zeros((0, 3))
    return np.concatenate([np.zeros(min(len(of), 1), dtype=bool), (of[1:] == of[:-1]).all(axis=1)])


def _beds(
    zones: Sequence[Zone], found: Sequence[Stand], first: date, record: Stored, counts_from: float
) -> Mm:
    """(stand,) De on the first morning of each zone's balance: from dry, bare for the 30 days before."""
    beds = np.full(len(found), np.nan)
    which = np.flatnonzero(_firsts(found))
    of = [zones[found[k].zone] for k in which.tolist()]
    tew, rew = np.array([surface.evaporable(zone.soil) for zone in of]).reshape(-1, 2).T
    get_in = np.array([rain_capture(zone, "none") for zone in of])
    begin = np.array([record.index(first) + found[k].begin for k in which.tolist()], dtype=np.int64)
    et0 = np.where(np.isfinite(record.et0_mm), record.et0_mm, 0.0)
    counted = np.where(record.rain_mm >= counts_from * et0, record.rain_mm, 0.0)
    de = tew.copy()
    for before in range(surface.BARE_DAYS_BEFORE, 0, -1):
        day, known = np.maximum(begin - before, 0), begin >= before
        later = surface.bare_evening(
            de, rain=counted[day] * get_in, et0=et0[day], tew=tew, slope_mm=tew - rew
        )
        de = np.where(known, later, de)
    beds[which] = de
    return beds
