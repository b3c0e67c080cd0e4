"""What a crop goes short of, and what of the yield is left by water and by salt."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from scheduler.core.balance.short_use import used_within_day
from scheduler.core.balance.yields import Yield, expected_yield
from scheduler.model import YieldResponse
from scheduler.selfcheck import plot
from scheduler.selfcheck.answer import Answer, Figures, each
from scheduler.selfcheck.cases import Inputs
from scheduler.selfcheck.plot import one

ASKED_MM = 10.0
"""Of each day; only the shares of it count."""


def _inside_the_day(i: Inputs) -> Figures:
    used = used_within_day(one(i["d_mm"]), one(i["e_mm"]), taw=one(i["taw_mm"]), raw=one(i["raw_mm"]))
    return {"f_mm": float(used[0])}


def _left_by_water(response: YieldResponse, r: Sequence[float]) -> float:
    """One day of each stage from the vegetative on, with the share r of what was asked."""
    asked = np.full(len(r), ASKED_MM)
    found = expected_yield(
        plot.crop(yield_response=response), short_use=asked * (1 - np.array(r)), asked=asked,
        stage=np.arange(1, len(r) + 1), ece=np.empty(0),
    )  # fmt: skip
    return _known(found.water)


def _by_season(i: Inputs) -> Figures:
    return {"yield": _left_by_water(YieldResponse(i["ky"]), [i["r"]])}


def _by_stage(i: Inputs) -> Figures:
    return {"yield": _left_by_water(YieldResponse(i["season"], *i["ky"]), i["r"])}


def _salted(i: Inputs, ece: float) -> Yield:
    crop = plot.crop(ec_threshold_ds_m=i["a_ds_m"], ec_slope_pct=i["slope_pct"])
    nothing = np.empty(0)
    return expected_yield(
        crop, short_use=nothing, asked=nothing, stage=nothing.astype(np.int64), ece=one(ece)
    )


def _by_salt(i: Inputs) -> Figures:
    return {"yield": _known(_salted(i, i["ece_ds_m"]).salt)}


def _salinity_at(i: Inputs) -> Figures:
    """Turned round: the yield falls in a straight line, from all of it at the threshold."""
    lost_by_one = 1 - _known(_salted(i, i["a_ds_m"] + 1).salt)
    return {f"ece_at_{pct}_pct": i["a_ds_m"] + (1 - pct / 100) / lost_by_one for pct in (90, 75, 50, 0)}


def _known(share: float | None) -> float:
    return float("nan") if share is None else share


ANSWERS: dict[str, Answer] = {
    "use-inside-the-day": each(_inside_the_day),
    "yield-by-water": each(_by_season),
    "yield-together": each(_by_stage),
    "salt-yield": each(_by_salt),
    "fao29-table4": each(_salinity_at),
}
