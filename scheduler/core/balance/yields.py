"""Yield response by stage of growth: the Ky of every day of a planting, and what a shortage costs.

Source: FAO Irrigation and Drainage Paper 33 (Doorenbos and Kassam 1979), 1 - Ya / Ym = Ky (1 - ETa / ETm),
for the season and for single stages.  Which days are "flowering" is our own reading: the first half of
mid-season.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from scheduler.core.arrays import FloatArray, IntArray
from scheduler.model import YieldResponse

STAGE_KY = ("vegetative", "flowering", "yield_formation", "ripening")
"""Development, mid-season up to its half, the rest of it, late season; of the initial stage no figure."""


def stage_ends(stage_days: Sequence[float]) -> FloatArray:
    """(5,) Last day number of the initial stage and of those of `STAGE_KY`.

    >>> stage_ends((30, 40, 45, 30)).tolist()
    [30.0, 70.0, 92.5, 115.0, 145.0]
    """
    initial, development, mid, late = stage_days
    return np.cumsum([initial, development, mid / 2, mid / 2, late], dtype=np.float64)


def ky_of_days(response: YieldResponse, day_no: IntArray, stage_days: Sequence[float]) -> FloatArray:
    """Ky of each day number 1, 2, ...: that of its stage, the season's where the stage has no figure.

    Past the last stage it stays that of ripening.

    >>> tomato = YieldResponse(1.05, vegetative=0.4, flowering=1.1, yield_formation=0.8, ripening=0.4)
    >>> ky_of_days(tomato, np.array([10, 31, 71, 93, 120, 200]), (30, 40, 45, 30)).tolist()
    [1.05, 0.4, 1.1, 0.8, 0.4, 0.4]
    """
    of_stage = [getattr(response, name) for name in STAGE_KY]
    ky = np.array([response.season, *(response.season if own is None else own for own in of_stage)])
    return ky[np.searchsorted(stage_ends(stage_days)[:-1], day_no, side="left")]


def share_lost(
    response: YieldResponse, stress: FloatArray, day_no: IntArray, stage_days: Sequence[float]
) -> float:
    """Share of the yield, 0..1, that stress on some days costs: the larger of the season's and the stages'.

    stress: (day,) 1 - Ks, which stands for 1 - ETa / ETm of the day; day_no: (day,) of the same days.  By the
    season: Ky x sum of it / days of all stages; by stage: 1 - the product over stages of 1 - Ky x sum / days
    of the stage, where a stage without a figure counts 1.

    >>> bean = YieldResponse(1.15, vegetative=0.2, flowering=1.1, yield_formation=0.75, ripening=0.2)
    >>> days, three_without = np.arange(50, 57), np.array([0, 0, 1, 1, 1, 0, 0.0])
    >>> round(share_lost(bean, three_without, days, (20, 30, 30, 10)), 3)    # 1.1 x 3 / 15
    0.22
    """
    of_season = response.season * float(stress.sum()) / max(sum(stage_days), 1)
    ends = stage_ends(stage_days)
    stage = np.searchsorted(ends[:-1], day_no, side="left")
    left = 1.0
    for number, name in enumerate(STAGE_KY, 1):
        ky, days = getattr(response, name), float(ends[number] - ends[number - 1])
        if ky is not None and days > 0:
            left *= max(1 - ky * float(stress[stage == number].sum()) / days, 0.0)
    return min(max(of_season, 1 - left), 1.0)
