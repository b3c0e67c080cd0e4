"""Crop stages, crop coefficient and roots of a planting, day by day (model M3, M4).

Arrays of any shape that broadcast together.  Equation numbers: FAO-56.
"""

from __future__ import annotations

import numpy as np

from scheduler.core.arrays import FloatArray, IntArray, Metres, Share
from scheduler.model import Crop, Location, Rows

STAGES = ("initial", "development", "mid-season", "late season")
STRAW_FACTOR = 0.10
FILM_FACTOR = 0.20
ADJUST_FROM_KC = 0.45


def adjust_for_climate(kc: float, *, wind_2m_m_s: float, rh_min_pct: float, height_m: float) -> float:
    """Kc_mid (eq 62) or Kc_end (eq 65) for a site's mean wind and minimum humidity.

    A table value below 0.45 stays as it is; wind, humidity and height are held to the limits of the text.

    >>> round(adjust_for_climate(1.2, wind_2m_m_s=1.3, rh_min_pct=75, height_m=2.0), 2)  # Example 27, Taipei
    1.07
    """
    if kc < ADJUST_FROM_KC:
        return kc
    wind = min(max(wind_2m_m_s, 1), 6)
    humidity = min(max(rh_min_pct, 20), 80)
    height = min(max(height_m, 0.1), 10)
    return kc + float((0.04 * (wind - 2) - 0.004 * (humidity - 45)) * (height / 3) ** 0.3)


def site_kc(crop: Crop, location: Location) -> tuple[float, float, float]:
    """(Kc_ini, Kc_mid, Kc_end) of a planting at this site, before mulch and before the wetted strip.

    Adjusted by eq 62 and 65 where the site's wind and least humidity and the crop's height are all known,
    else the table's own.

    >>> corn = Crop("corn", 0.3, 1.2, 0.35, (20, 35, 40, 30), 0.2, 1.0, 0.55, height_m=2.0)
    >>> taipei = Location(25.0, 121.5, 6.0, "Asia/Taipei", wind_2m_m_s=1.3, rh_min_pct=75)
    >>> [round(kc, 2) for kc in site_kc(corn, taipei)]        # FAO-56 Example 27; below 0.45 as it is
    [0.3, 1.07, 0.35]
    """
    if location.wind_2m_m_s is None or location.rh_min_pct is None or crop.height_m is None:
        return crop.kc_ini, crop.kc_mid, crop.kc_end
    mid, end = (
        adjust_for_climate(
            kc, wind_2m_m_s=location.wind_2m_m_s, rh_min_pct=location.rh_min_pct, height_m=crop.height_m
        )
        for kc in (crop.kc_mid, crop.kc_end)
    )
    return crop.kc_ini, mid, end


def kc_of_day(
    day_no: FloatArray | IntArray,
    *,
    kc_ini: FloatArray,
    kc_mid: FloatArray,
    kc_end: FloatArray,
    ends: FloatArray | IntArray,
) -> FloatArray:
    """Kc of crop day 1, 2, ... (eq 66); past the last day it stays at Kc_end.

    ends: (4, ...), the last day number of each stage.

    >>> ends = np.cumsum([25, 25, 30, 20]).astype(float)               # FAO-56 Example 28
    >>> days = np.array([20, 40, 70, 95])
    >>> [round(float(k), 2) for k in kc_of_day(days, kc_ini=np.float64(0.15), kc_mid=np.float64(1.19),
    ...                                        kc_end=np.float64(0.35), ends=ends)]
    [0.15, 0.77, 1.19, 0.56]
    """
    rise, fall = passed(day_no, ends)
    rising = kc_ini + rise * (kc_mid - kc_ini)
    return np.asarray(np.where(day_no <= ends[1], rising, kc_mid + fall * (kc_end - kc_mid)))


def passed(day_no: FloatArray | IntArray, ends: FloatArray | IntArray) -> tuple[Share, Share]:
    """Share passed of the development and of the late season, 0..1 (v of model M3).

    day_no: the day number, or the degree-days reached; ends: (4, ...), that of each stage's last day.

    >>> rise, fall = passed(np.array([20, 40, 95]), np.cumsum([25, 25, 30, 20]).astype(float))
    >>> rise.tolist(), fall.tolist()
    ([0.0, 0.6, 1.0], [0.0, 0.0, 0.75])
    """
    ini, dev, mid, late = ends
    rise = np.where(day_no > dev, 1.0, np.clip((day_no - ini) / np.maximum(dev - ini, 1e-9), 0, 1))
    fall = np.where(day_no > late, 1.0, np.clip((day_no - mid) / np.maximum(late - mid, 1e-9), 0, 1))
    return rise, fall


def response_stage(day_no: FloatArray | IntArray, ends: FloatArray | IntArray) -> IntArray:
    """0 initial, 1 vegetative, 2 flowering (the first half of mid-season), 3 yield formation, 4 ripening.

    The stages of FAO-33; arguments as of `passed`.

    >>> response_stage(np.array([5, 50, 92, 93, 130]), np.cumsum([30, 40, 45, 30]).astype(float)).tolist()
    [0, 1, 2, 3, 4]
    """
    ini, dev, mid, _ = ends
    edges = (ini, dev, dev + (mid - dev) / 2, mid)
    return np.asarray(np.sum([day_no > edge for edge in edges], axis=0))


def stage_of_day(day_no: FloatArray | IntArray, ends: FloatArray | IntArray) -> IntArray:
    """Index into STAGES of each day number; after the last day it stays "late season".

    ends: (4, ...), the last day number of each stage (model M3).

    >>> ends = np.cumsum([25, 25, 30, 20])                     # FAO-56 Example 28
    >>> [STAGES[int(stage_of_day(np.int64(day), ends))] for day in (25, 26, 80, 140)]
    ['initial', 'development', 'mid-season', 'late season']
    """
    return np.asarray((day_no > ends[0]).astype(np.int64) + (day_no > ends[1]) + (day_no > ends[2]))


def growth(day_no: IntArray, days_to_full: FloatArray | IntArray) -> Share:
    """g of M4, 0..1: 0 on day 1, 1 from the last day of development on (own reading of common practice).

    >>> growth(np.array([1, 26, 51, 90]), np.int64(51)).tolist()
    [0.0, 0.5, 1.0, 1.0]
    """
    return np.where(days_to_full > 1, np.minimum(1, (day_no - 1) / np.maximum(days_to_full - 1, 1)), 1.0)


def growth_by_heat(before: FloatArray, to_full: FloatArray) -> Share:
    """g of M4 under heat units, 0..1: from the degree-days through the day before.

    >>> growth_by_heat(np.array([0.0, 200.0, 500.0]), np.full(3, 400.0)).tolist()
    [0.0, 0.5, 1.0]
    """
    return np.where(to_full > 0, np.minimum(1, before / np.maximum(to_full, 1e-9)), 1.0)


def root_depth(g: Share, start_m: Metres, full_m: Metres) -> Metres:
    """Zr, m: from the depth at planting to the full one as the crop grows (model M4).

    >>> round(float(root_depth(np.float64(0.5), np.float64(0.2), np.float64(1.0))), 3)
    0.6
    """
    return start_m + (full_m - start_m) * g


def root_spread(g: Share, wetted: Share) -> Share:
    """S, 0..1: share of the planted area that roots draw from (model M4; own reading).

    The wetted strip at first, all of it when grown.

    >>> root_spread(np.array([0.0, 0.5, 1.0]), np.float64(0.4)).round(2).tolist()
    [0.4, 0.7, 1.0]
    """
    return wetted + (1 - wetted) * g


def wetted_fraction(rows: Rows, wetted_width_m: float) -> float:
    """Pw: share of the planted area that the tapes wet, at most 1 (model M4; microirrigation practice).

    wetted_width_m: of one tape.

    >>> round(wetted_fraction(Rows(count=4, length_m=20.0, spacing_m=1.5, tapes=1), 0.60), 3)
    0.4
    """
    return min(1.0, rows.tapes * wetted_width_m / rows.spacing_m)


def mulch_keeps(crop: Crop, mulch: str) -> float:
    """What a mulch leaves of the day's Kc: 1 - factor (model M3, single coefficient).

    >>> from scheduler.model import Crop
    >>> melon = Crop("melon", 0.5, 1.05, 0.75, (25, 35, 40, 20), 0.2, 0.8, 0.4, film_factor=0.25)
    >>> [mulch_keeps(melon, mulch) for mulch in ("none", "film", "straw")]
    [1.0, 0.75, 0.9]
    """
    if mulch == "film":
        return 1 - (FILM_FACTOR if crop.film_factor is None else crop.film_factor)
    return 1 - STRAW_FACTOR if mulch == "straw" else 1.0
