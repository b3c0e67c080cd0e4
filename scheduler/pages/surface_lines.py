"""Evaporation from strip and row middle on a day, as lines of the working (models M3d.3 to M3d.7).

Equation numbers are those of FAO-56 unless another source is named.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from scheduler.core.arrays import FloatArray, Mm
from scheduler.core.balance import surface
from scheduler.core.balance.apart import Apart
from scheduler.core.balance.ground import Ground
from scheduler.pages.basal_lines import A_OF_H, Climate
from scheduler.pages.lines import FAO, line
from scheduler.pages.zone_day import ZoneDay
from scheduler.shapes.working import Line

# Tables of formulas: a line each reads best.
# fmt: off

TWO_PARTS = "two parts after Allen et al. 2005 (from memory)"
PARTS = (("over the tape", "i"), ("in the row middle", "p"))


@dataclass(frozen=True, slots=True)
class SurfaceDay:
    """One day of the layer, (2,) arrays: over the tape, in the row middle."""

    spot: ZoneDay
    ground: Ground
    apart: Apart
    before: Mm  # De last night
    water: Mm  # of its own ground: what the tape or a can gave, and the rain
    wet: Mm  # De once the water is in
    ke: FloatArray

    @classmethod
    def of(cls, spot: ZoneDay, sprinkled_mm: float) -> SurfaceDay | None:
        """None where one coefficient serves."""
        ground, apart = spot.ground, spot.live.balance.apart
        if ground is None or apart is None:
            return None
        before, at = layer_before(spot, ground, apart), slice(spot.at, spot.at + 1)
        water = ground.rain[:, spot.at].copy()
        water[0] += float(apart.irrigation[spot.d, spot.z]) / spot.stand.wetted + sprinkled_mm
        if not ground.band[spot.at]:  # both parts of the surface are one
            water[1] += sprinkled_mm
        wet = np.maximum(before - water, 0.0)
        if not ground.band[spot.at]:
            wet[0] = wet[1]
        day = surface.evaporate(
            wet[:, None], ground.few[:, at], tew=ground.tew[spot.z : spot.z + 1],
            slope_mm=ground.slope_mm[spot.z : spot.z + 1], demand=ground.demand[at], most=ground.most[:, at],
            et0_per_few=ground.et0_per_few[:, at], keeps=ground.keeps[at],
        )
        return cls(spot, ground, apart, before, water, wet, day.ke[:, 0])

    @property
    def weight(self) -> float:
        """W: share of the energy that goes to the strip."""
        few, tew = self.ground.few[:, self.spot.at], self.ground.tew[self.spot.z]
        strip, middle = (float(a) for a in few * np.maximum(tew - self.wet, 0.001))
        return strip / (strip + middle) if strip + middle > 0 else 0.0


def layer_before(spot: ZoneDay, ground: Ground, apart: Apart) -> Mm:
    """De of the evening before, (2,): of a new planting as its rows find it (model M3d.8, M5)."""
    if spot.d == spot.stand.begin:
        bed = ground.bed[spot.stand_no]
        if np.isfinite(bed):
            return np.array([bed, bed])
    strip, middle = (float(a[spot.d - 1, spot.z]) for a in (apart.surface, apart.middle))
    moved = spot.d == spot.stand.begin and not ground.same_tape[spot.stand_no]
    return np.array([middle if moved else strip, middle])


def surface_lines(day: SurfaceDay, climate: Climate) -> Iterator[Line]:
    """From the crop's height to the evaporation of the day and the layer in the evening."""
    yield from _cover_lines(day, climate)
    yield from _layer_lines(day)
    yield from _evaporation_lines(day)


def bare_lines(spot: ZoneDay, ground: Ground) -> Iterator[Line]:
    """What the tape wets on top, and what the top layer holds."""
    zone, planting, band = spot.zone, spot.planting, spot.flat(ground.band)
    group = zone.soil.texture_group
    if zone.wet_band_m is not None:
        yield line(
            "share of the ground wet on top", "b", band, "", "tapes x wet_band / row spacing, at most 1",
            f"min(1, {planting.rows.tapes} x {zone.wet_band_m:.3f} / {planting.rows.spacing_m:.3f})",
            "garden.yaml wet_band",
        )
    else:
        rise = surface.RISE_M[group]
        share = surface.wet_share(zone.tape_depth_m, rise)
        yield line(
            "share of the strip wet on top", "s", share, "", "sqrt(1 - (depth / rise)^2), 0 from rise on",
            f"sqrt(max(0, 1 - ({zone.tape_depth_m:.4f} / {rise:.2f})^2))", f"{group} soil: own choice",
        )
        yield line(
            "share of the ground wet on top", "b", band, "", "0.6 Pw s",
            f"0.6 x {spot.stand.wetted:.4f} x {share:.4f}", "own choice: dig and give wet_band",
        )
    tew, rew = surface.evaporable(zone.soil)
    soil = zone.soil
    yield line(
        "what the top 0.10 m can lose", "TEW", tew, "mm", "100 (FC - 0.5 WP)",
        f"100 x ({soil.theta_fc:.4f} - 0.5 x {soil.theta_wp:.4f})", f"{FAO} eq 73",
    )
    yield line(
        "of it without slowing down", "REW", rew, "mm", "of the texture, at most 0.8 TEW",
        f"min({soil.rew_mm:.2f}, 0.8 x {tew:.3f})", f"{FAO} Table 19",
    )


def _cover_lines(day: SurfaceDay, climate: Climate) -> Iterator[Line]:
    spot, ground = day.spot, day.ground
    full = surface.NO_HEIGHT_M if spot.crop.height_m is None else spot.crop.height_m
    height = max(0.1, spot.flat(spot.live.terms.flat.rise) * full)
    kcb, top, cover = spot.flat(ground.kcb), spot.flat(ground.kc_max), spot.flat(ground.cover)
    yield line("height of the crop", "h", height, "m", "v h_max, at least 0.1", f"h_max = {full:.2f} m", "model M3d.3")
    yield line(
        "most that crop and soil use together", "Kc_max", top, "", f"max(1.1 + {A_OF_H}, Kcb + 0.05)",
        f"max(1.1 + {climate.numbers(height)}, {kcb:.4f} + 0.05)", f"{FAO} eq 72, lower base: drip wets often",
    )
    formula = "(max(Kcb - 0.15, 0.01) / (Kc_max - 0.15))^(1 + 0.5 h), at most 0.99"
    numbers = f"min(0.99, (max({kcb:.4f} - 0.15, 0.01) / ({top:.4f} - 0.15))^(1 + 0.5 x {height:.3f}))"
    source = f"{FAO} eq 76"
    if spot.planting.cover is not None:
        formula, numbers = f"{formula}, at most the cover given", f"min({spot.planting.cover:.2f}, {numbers})"
    seen = [(when, share) for when, share in sorted(spot.planting.covers_seen) if when <= spot.day]
    if seen:
        when, share = seen[-1]
        formula, numbers = f"{formula}; moved to what was seen", f"{share:.0%} seen on {when}"
        source += ", rowwater note cover"
    yield line("ground that the crop shades", "fc", cover, "", formula, numbers, source)
    yield from bare_lines(spot, ground)
    yield from _bare_ground(day)


def _bare_ground(day: SurfaceDay) -> Iterator[Line]:
    spot, few = day.spot, day.ground.few[:, day.spot.at]
    cover, band = spot.flat(day.ground.cover), spot.flat(day.ground.band)
    shade = f"(1 - 2/3 x {cover:.4f})" if spot.planting.rows.tapes == 1 else "1"
    wet, whole = f"{band:.4f}", f"1 - {cover:.4f}"
    formula, of_middle = "min(1 - fc, b u), u = 1 - 2/3 fc with one tape a row", "1 - fc - few_i"
    middle = f"{whole} - {few[0]:.4f}"
    if spot.planting.mulch == "film":
        film = surface.FILM_COVER if spot.planting.mulch_cover is None else spot.planting.mulch_cover
        wet = f"(max(0, {band:.4f} - {film:.2f}) + 0.03)" if band else "0"
        formula = "min(1 - fc, (max(0, b - film) + 0.03) u), 0.03 for the holes"
        of_middle = "min(1 - fc, 1 - film) - few_i"
        middle = f"max(0, min({whole}, 1 - {film:.2f}) - {few[0]:.4f})"
    yield line(
        "bare ground over the tape", "few_i", float(few[0]), "", formula, f"min({whole}, {wet} x {shade})",
        f"{FAO} eq 75, ch. 10",
    )
    yield line("bare ground in the row middle", "few_p", float(few[1]), "", of_middle, middle, f"{FAO} eq 75")


def _layer_lines(day: SurfaceDay) -> Iterator[Line]:
    spot, tew = day.spot, float(day.ground.tew[day.spot.z])
    rew = tew - float(day.ground.slope_mm[spot.z])
    told = ("(I / Pw + sprinkled + rain that gets in)", "rain that gets in")
    if not spot.flat(day.ground.band):
        told = (told[0], "(sprinkled + rain that gets in)")
    for k, (where, sign) in enumerate(PARTS):
        before, water, wet = (float(a[k]) for a in (day.before, day.water, day.wet))
        formula, numbers = f"max(0, De_{sign} last night - {told[k]})", f"max(0, {before:.3f} - {water:.3f})"
        if k == 0 and not spot.flat(day.ground.band):
            formula, numbers = "De_p: the tape wets nothing on top", f"{float(day.wet[1]):.3f}"
        yield line(
            f"top layer {where}, water in", f"De_{sign}", wet, "mm", formula, numbers, "model M3d.6, of its own ground"
        )
    for k, (where, sign) in enumerate(PARTS):
        wet = float(day.wet[k])
        yield line(
            f"how freely it evaporates {where}", f"Kr_{sign}",
            float(surface.reduction(day.wet[k], day.ground.tew[spot.z], day.ground.slope_mm[spot.z])), "",
            "1 up to REW, then (TEW - De) / (TEW - REW)", f"min(1, ({tew:.3f} - {wet:.3f}) / ({tew:.3f} - {rew:.3f}))",
            f"{FAO} eq 74",
        )


def _evaporation_lines(day: SurfaceDay) -> Iterator[Line]:
    spot, ground, weight = day.spot, day.ground, day.weight
    few, tew = ground.few[:, spot.at], float(ground.tew[spot.z])
    a = [f"{float(few[k]):.4f} x max({tew:.3f} - {float(day.wet[k]):.3f}, 0.001)" for k in (0, 1)]
    yield line(
        "share of the energy that the strip gets", "W", weight, "", "a_i / (a_i + a_p), a = few (TEW - De)",
        f"({a[0]}) / ({a[0]} + {a[1]})" if few.any() else "0", TWO_PARTS,
    )
    kcb, top, keeps = spot.flat(ground.kcb), spot.flat(ground.kc_max), spot.flat(ground.keeps)
    for k, (where, sign) in enumerate(PARTS):
        kr = float(surface.reduction(day.wet[k], ground.tew[spot.z], ground.slope_mm[spot.z]))
        share, numbers = ("W", f"{weight:.4f}") if k == 0 else ("(1 - W)", f"(1 - {weight:.4f})")
        straw = (" (1 - 0.5 straw)", f" x {keeps:.3f}") if keeps < 1 else ("", "")
        yield line(
            f"evaporation coefficient {where}", f"Ke_{sign}", float(day.ke[k]), "",
            f"min(Kr {share} (Kc_max - Kcb), few Kc_max){straw[0]}",
            f"min({kr:.4f} x {numbers} x ({top:.4f} - {kcb:.4f}), {float(few[k]):.4f} x {top:.4f}){straw[1]}",
            f"{FAO} eq 71, {TWO_PARTS}",
        )
    for k, (where, sign) in enumerate(PARTS):
        evening = float((day.apart.surface, day.apart.middle)[k][spot.d, spot.z])
        lost = f" + {float(day.ke[k]):.4f} x {spot.et0:.3f} / {float(few[k]):.4f}" if few[k] > 0 else ""
        numbers = f"min({tew:.3f}, {float(day.wet[k]):.3f}{lost})"
        if k == 0 and not spot.flat(ground.band):
            numbers = f"{float(day.apart.middle[spot.d, spot.z]):.3f}"
        yield line(
            f"top layer {where}, in the evening", f"De_{sign}", evening, "mm", "min(TEW, De + Ke ET0 / few)", numbers,
            f"{FAO} eq 77",
        )
