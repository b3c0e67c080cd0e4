"""Evaporation from the soil's surface, apart from the crop's use: the strip and the row middle (model M3d).

FAO-56 chapter 7, with two parts of the surface after Allen et al. 2005 (J. Irrig. Drain. Eng. 131(1):2-13,
from memory).  De is mm missing from the top 0.10 m, of its own ground: over the tape (first) and in the row
middle (second).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from scheduler.core.arrays import FloatArray, Mm, Share
from scheduler.model import Crop, Planting, Soil, TextureGroup, Zone

RISE_M: dict[TextureGroup, float] = {"coarse": 0.10, "medium": 0.17, "fine": 0.20}
"""How far water rises over a buried tape (own choice)."""
SEEN_NARROWER = 0.6
"""The strip seen wet on top against the wetted width below ground (own choice)."""
LEAST_KCB = 0.15
BARE_KC = 1.15
"""Kc_max of bare ground (own choice, between the 1.1 and 1.2 of eq 72)."""
FILM_COVER, STRAW_COVER = 0.7, 1.0
HOLES = 0.03
"""Three times 1 % of holes in the film (FAO-56 ch. 10: 2 to 4 times)."""
NO_HEIGHT_M = 0.4
BARE_DAYS_BEFORE = 30


def evaporable(soil: Soil) -> tuple[float, float]:
    """(TEW, REW): mm that the top 0.10 m can lose at all, and without slowing down (eq 73, Table 19).

    >>> loam = Soil("loam", 0.25, 0.12, rew_mm=9.0)
    >>> [round(mm, 2) for mm in evaporable(loam)]
    [19.0, 9.0]
    """
    tew = 100 * (soil.theta_fc - 0.5 * soil.theta_wp)
    return tew, min(soil.rew_mm, 0.8 * tew)


def wet_share(tape_depth_m: float, rise_m: float) -> float:
    """Share of the strip that a tape at a depth wets on top, 0..1 (own choice).

    >>> [round(wet_share(depth, 0.17), 4) for depth in (0.0, 0.10, 0.20)]
    [1.0, 0.8087, 0.0]
    """
    return float(np.sqrt(1 - (tape_depth_m / rise_m) ** 2)) if tape_depth_m < rise_m else 0.0


def wet_band(zone: Zone, planting: Planting, wetted: float) -> float:
    """Share of the ground wet on top, 0..1: as seen, else from the tape's depth (model M3d.4)."""
    rows = planting.rows
    if zone.wet_band_m is not None:
        return min(1.0, rows.tapes * zone.wet_band_m / rows.spacing_m)
    return SEEN_NARROWER * wetted * wet_share(zone.tape_depth_m, RISE_M[zone.soil.texture_group])


def basal(crop: Crop) -> tuple[float, float, float]:
    """Kcb of the initial and mid-season stages and of the end (Table 17; without: own choice after Table 12).

    >>> leaf = Crop("leaf", 0.7, 1.0, 0.95, (20, 30, 15, 10), 0.1, 0.3, 0.3)
    >>> [round(kcb, 2) for kcb in basal(leaf)]
    [0.15, 0.95, 0.85]
    """
    if crop.kcb is not None:
        return crop.kcb
    return LEAST_KCB, max(crop.kc_mid - 0.05, LEAST_KCB), max(crop.kc_end - 0.10, LEAST_KCB)


def climate_term(u2: FloatArray, rh_min_pct: FloatArray, height_m: FloatArray | float) -> FloatArray:
    """What wind, dryness and height add to a coefficient (eq 70, 72), with the text's limits.

    >>> float(climate_term(np.array([2.0]), np.array([45.0]), 1.0)[0])
    0.0
    """
    return np.asarray(of_air(u2, rh_min_pct) * of_height(height_m))


def of_air(u2: FloatArray, rh_min_pct: FloatArray) -> FloatArray:
    """The part of `climate_term` that wind and dryness make.

    >>> of_air(np.array([3.0]), np.array([35.0])).round(3).tolist()
    [0.08]
    """
    return np.asarray(0.04 * (np.clip(u2, 1, 6) - 2) - 0.004 * (np.clip(rh_min_pct, 20, 80) - 45))


def of_height(height_m: FloatArray | float) -> FloatArray:
    """The part of `climate_term` that the crop's height makes.

    >>> float(of_height(3.0))
    1.0
    """
    return np.asarray((np.clip(height_m, 0.1, 10) / 3) ** 0.3)


def density(cover: float, height_m: float) -> float:
    """K_d, 0..1: rows that do not close (Allen and Pereira 2009, Irrig. Sci. 28:17-34, from memory).

    >>> round(density(0.5, 1.75), 4), round(density(0.4, 0.3), 4)
    (0.75, 0.4942)
    """
    return float(min(1.0, 1.5 * cover, cover ** (1 / (1 + height_m))))


def ground_cover(kcb: FloatArray, kc_max: FloatArray, height_m: FloatArray) -> Share:
    """fc, share of the ground that the crop shades (eq 76), at most 0.99.

    >>> round(float(ground_cover(np.array([1.1]), np.array([1.15]), np.array([0.6]))[0]), 4)
    0.9355
    """
    share = (np.maximum(kcb - LEAST_KCB, 0.01) / (kc_max - LEAST_KCB)) ** (1 + 0.5 * height_m)
    return np.minimum(share, 0.99)


def bare_parts(fc: Share, band: Share, one_tape: FloatArray, film: FloatArray) -> FloatArray:
    """few: bare ground over the tape and in the row middle, shares of the ground, (2, ...) (eq 75, 77).

    one_tape: 1 where a row has a single tape (its strip lies in the crop's shade), else 0.  film: share of
    the ground under film, nan without.

    >>> fc, band = np.array([0.0084]), np.array([0.191])
    >>> bare_parts(fc, band, np.ones(1), np.array([np.nan])).round(4)[:, 0].tolist()
    [0.1899, 0.8017]
    >>> bare_parts(fc, band, np.ones(1), np.array([0.6])).round(4)[:, 0].tolist()
    [0.0298, 0.3702]
    """
    u = 1 - one_tape * (2 / 3) * fc
    open_ground = 1 - fc
    covered = ~np.isnan(film)
    under = np.where(covered, film, 0.0)
    wet = np.where(covered, (np.maximum(0, band - under) + HOLES) * (band > 0), band)
    strip = np.minimum(open_ground, wet * u)
    middle = np.where(covered, np.maximum(0, np.minimum(open_ground, 1 - under) - strip), open_ground - strip)
    return np.stack([strip, middle])


def reduction(de: Mm, tew: Mm, slope_mm: Mm) -> Share:
    """Kr, 0..1 (eq 74); slope_mm: TEW - REW."""
    return np.minimum((tew - de) / slope_mm, 1.0)


class Evaporation(NamedTuple):
    """Of one day; (2, ...) arrays: over the tape, in the row middle."""

    ke: FloatArray
    de: Mm  # in the evening


def evaporate(
    de: Mm,
    few: Share,
    *,
    tew: Mm,
    slope_mm: Mm,
    demand: FloatArray,
    most: FloatArray,
    et0_per_few: FloatArray,
    keeps: Share,
) -> Evaporation:
    """Ke and the layer's evening, from De once the day's water is in (eq 71, 77, two parts of the surface).

    de, few, most, et0_per_few: (2, ...).  demand: Kc_max - Kcb; most: few Kc_max; et0_per_few: ET0 / few, 0
    where no ground is bare; keeps: what straw leaves of it, 0..1.

    >>> few = np.array([[0.19], [0.8017]])
    >>> day = evaporate(np.array([[0.0], [2.0]]), few, tew=np.array([19.0]), slope_mm=np.array([10.0]),
    ...                 demand=np.array([0.95]), most=few * 1.1, et0_per_few=6 / few, keeps=np.ones(1))
    >>> day.ke.round(3)[:, 0].tolist(), day.de.round(2)[:, 0].tolist()
    ([0.199, 0.751], [6.28, 7.62])
    """
    left = tew - de
    weight = few * np.maximum(left, 0.001)
    total = weight[0] + weight[1]
    share = np.empty_like(weight)
    np.divide(weight[0], total, out=share[0], where=total > 0)
    share[0] = np.where(total > 0, share[0], 0.0)
    share[1] = 1 - share[0]
    ke = keeps * np.minimum(np.minimum(left / slope_mm, 1.0) * share * demand, most)
    return Evaporation(ke, np.minimum(tew, de + ke * et0_per_few))


def bare_evening(de: Mm, *, rain: Mm, et0: Mm, tew: Mm, slope_mm: Mm) -> Mm:
    """De of bare ground one day on: the rain that gets in, then evaporation at 1.15 ET0 (model M5, gap).

    >>> de = np.zeros(1)
    >>> for _ in range(3):
    ...     de = bare_evening(de, rain=np.zeros(1), et0=np.array([6.0]),
    ...                       tew=np.array([19.0]), slope_mm=np.array([10.0]))
    >>> round(float(de[0]), 3)
    17.388
    """
    dry = np.maximum(de - rain, 0)
    return np.minimum(tew, dry + np.minimum((tew - dry) / slope_mm, 1.0) * (BARE_KC * et0))
