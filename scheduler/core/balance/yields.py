"""Yield response by stage of growth: the Ky of every day of a planting, and what a shortage costs.

Source: FAO Irrigation and Drainage Paper 33 (Doorenbos and Kassam 1979), 1 - Ya / Ym = Ky (1 - ETa / ETm),
for the season and for single stages.  Which days are "flowering" is our own reading: the first half of
mid-season.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from scheduler.core.arrays import FloatArray, IntArray, Mm
from scheduler.model import Crop, YieldResponse

STAGE_KY = ("vegetative", "flowering", "yield_formation", "ripening")
"""Development, mid-season up to its half, the rest of it, late season; of the initial stage no figure."""


def ky_of_stages(response: YieldResponse, stage: IntArray) -> FloatArray:
    """Ky of days in these stages (`crop.response_stage`): the season's where the stage has no figure.

    >>> tomato = YieldResponse(1.05, vegetative=0.4, flowering=1.1, yield_formation=0.8, ripening=0.4)
    >>> ky_of_stages(tomato, np.array([0, 1, 2, 3, 4])).tolist()
    [1.05, 0.4, 1.1, 0.8, 0.4]
    """
    of_stage = [getattr(response, name) for name in STAGE_KY]
    return np.array([response.season, *(response.season if own is None else own for own in of_stage)])[stage]


def share_lost(
    response: YieldResponse, stress: FloatArray, stage: IntArray, stage_days: Sequence[float]
) -> float:
    """Share of the yield, 0..1, that stress on some days costs: the larger of the season's and the stages'.

    stress: (day,) 1 - Ks, which stands for 1 - ETa / ETm of the day; stage: (day,) `crop.response_stage`;
    stage_days: of the crop table.  By the season: Ky x sum of it / days of all stages; by stage: 1 - the
    product over stages of 1 - Ky x sum / days of the stage, where a stage without a figure counts 1.

    >>> bean = YieldResponse(1.15, vegetative=0.2, flowering=1.1, yield_formation=0.75, ripening=0.2)
    >>> flowering, three_without = np.full(7, 2), np.array([0, 0, 1, 1, 1, 0, 0.0])
    >>> round(share_lost(bean, three_without, flowering, (20, 30, 30, 10)), 3)    # 1.1 x 3 / 15
    0.22
    """
    of_season = response.season * float(stress.sum()) / max(sum(stage_days), 1)
    _, development, mid, late = stage_days
    left = 1.0
    for number, (name, days) in enumerate(
        zip(STAGE_KY, (development, mid / 2, mid / 2, late), strict=True), 1
    ):
        ky = getattr(response, name)
        if ky is not None and days > 0:
            left *= max(1 - ky * float(stress[stage == number].sum()) / days, 0.0)
    return min(max(of_season, 1 - left), 1.0)


@dataclass(frozen=True, slots=True)
class Yield:
    """What a planting is expected to give of its full yield, each 0..1; None: not known."""

    water: float | None
    salt: float | None

    @property
    def both(self) -> float | None:
        """The product of what is known."""
        known = [share for share in (self.water, self.salt) if share is not None]
        return float(np.prod(known)) if known else None


def expected_yield(crop: Crop, *, short_use: Mm, asked: Mm, stage: IntArray, ece: FloatArray) -> Yield:
    """Of one planting, from its days, all (day,) arrays (model M15).

    short_use: mm the crop used less than it wanted; asked: mm of ETc before any cut; both without the days of
    drying off.  stage: `crop.response_stage` of the same days.  ece: dS/m of all its days; empty: no salt.
    Water: by the season and by stages, the smaller; a stage without a figure counts 1; None without Ky.
    Sources: FAO-33 (water), Maas and Hoffman 1977 (salt: full yield to a threshold, then a slope).

    >>> from scheduler.model import Crop
    >>> bean = Crop("bean", 0.4, 1.1, 0.9, (20, 30, 30, 10), 0.2, 0.5, 0.45, ec_threshold_ds_m=1.0,
    ...             ec_slope_pct=19.0, yield_response=YieldResponse(1.15))
    >>> found = expected_yield(bean, short_use=np.array([1.0, 1.0]), asked=np.array([5.0, 5.0]),
    ...                        stage=np.array([1, 1]), ece=np.array([1.4, 1.6]))
    >>> round(found.water, 3), round(found.salt, 3), round(found.both, 3)
    (0.77, 0.905, 0.697)
    """
    return Yield(_by_water(crop.yield_response, short_use, asked, stage), _by_salt(crop, ece))


def _by_water(response: YieldResponse | None, short: Mm, asked: Mm, stage: IntArray) -> float | None:
    if response is None:
        return None
    by_stage = 1.0
    for number, name in enumerate(STAGE_KY, 1):
        if (ky := getattr(response, name)) is not None:
            here = stage == number
            by_stage *= yield_left(ky, _left(short[here], asked[here]))
    return min(by_stage, yield_left(response.season, _left(short, asked)))


def _left(short: Mm, asked: Mm) -> float:
    """r: share of what was wanted that was used."""
    wanted = float(asked.sum())
    return 1 - float(short.sum()) / wanted if wanted > 0 else 1.0


def yield_left(ky: float, r: float) -> float:
    """1 - Ky (1 - r), 0..1 (FAO-33).

    >>> round(yield_left(1.05, 0.9), 3)
    0.895
    """
    return min(max(1 - ky * (1 - r), 0.0), 1.0)


def _by_salt(crop: Crop, ece: FloatArray) -> float | None:
    if crop.ec_threshold_ds_m is None or not len(ece):
        return None
    lost = crop.ec_slope_pct / 100 * (float(ece.mean()) - crop.ec_threshold_ds_m)
    return min(max(1 - lost, 0.0), 1.0)


LEAFY = ("cabbage", "kale", "lettuce", "spinach", "swiss chard", "leafy herb", "mint")
LEAFY_TOLD_FROM = 0.05


def worth_telling(crop: Crop, share: float | None) -> bool:
    """Whether a yield is said in words: of leafy crops only from a loss of 5 % on (model M15).

    >>> from scheduler.model import Crop
    >>> leaf, pod = (Crop(name, 1, 1, 1, (9, 9, 9, 9), 0.1, 0.3, 0.3) for name in ("lettuce", "bush bean"))
    >>> worth_telling(leaf, 0.97), worth_telling(leaf, 0.94), worth_telling(pod, 0.97)
    (False, True, True)
    """
    if share is None:
        return False
    return share <= 1 - LEAFY_TOLD_FROM or not {crop.name, crop.like} & {*LEAFY}
