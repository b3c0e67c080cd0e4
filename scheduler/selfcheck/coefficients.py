"""Crop coefficients: by the day, by the climate, under film, of rows that do not close."""

from __future__ import annotations

from typing import Any

import numpy as np

from scheduler.core.balance import crop as crops
from scheduler.core.balance import surface
from scheduler.core.balance.ground import Ground
from scheduler.model import Crop, Location
from scheduler.selfcheck import plot
from scheduler.selfcheck.answer import Answer, Figures, each
from scheduler.selfcheck.cases import Inputs
from scheduler.selfcheck.plot import one


def _ground_of(of: Crop, **planting: Any) -> Ground:
    """Of the first day of a crop."""
    ground = plot.laid_out(plot.zone(plot.planting(of, **planting)), et0_mm=one(5.0)).ground
    assert ground is not None
    return ground


def _by_climate(i: Inputs) -> Figures:
    return {
        f"kc_mid_{town}": crops.adjust_for_climate(
            i["kc_mid_tab"], wind_2m_m_s=i[town]["u2_m_s"], rh_min_pct=i[town]["rhmin_pct"], height_m=i["h_m"]
        )
        for town in ("taipei", "mocha")
    }


def _end_by_climate(i: Inputs) -> Figures:
    site = Location(0.0, 0.0, 0.0, "UTC", wind_2m_m_s=i["u2_m_s"], rh_min_pct=i["rhmin_pct"])
    return {
        f"{name}_kc_end": crops.site_kc(
            plot.crop(kc_end=i[name]["kc_end_tab"], height_m=i[name]["h_m"]), site
        )[2]
        for name in ("tomato", "dry_bean")
    }


def _by_day(i: Inputs) -> Figures:
    lengths = tuple(int(days) for days in i["stage_lengths_d"])
    bean = plot.crop(kc_ini=i["kc_ini"], kc_mid=i["kc_mid"], kc_end=i["kc_end"], stage_days=lengths)
    et0 = np.full(sum(lengths), 5.0)
    flat = plot.of_one_coefficient(plot.zone(plot.planting(bean)), et0_mm=et0).flat
    return {f"kc_day_{day:.0f}": float(flat.kc[int(day) - 1]) for day in i["days"]}


def _under_film(i: Inputs) -> Figures:
    kc = plot.crop(kc_mid=i["kc_mid"], kc_end=i["kc_end"], film_factor=1 - i["kc_factor"])
    keeps = crops.mulch_keeps(kc, "film")

    def basal(value: float) -> float:
        kcb = plot.crop(kcb=(value, value, value), film_kcb=1 - i["kcb_factor"])
        return float(_ground_of(kcb, mulch="film").kcb[0])

    return {
        "kc_mid": kc.kc_mid * keeps, "kc_end": kc.kc_end * keeps, "kcb_mid": basal(i["kcb_mid"]),
        "kcb_end": basal(i["kcb_end"]),
    }  # fmt: skip


def _of_wide_rows(i: Inputs) -> Figures:
    full, cover, height = i["kcb_full"], i["fc_full"], i["h_max_m"]
    ground = _ground_of(plot.crop(kcb=(full, full, full), height_m=height), cover=cover)
    return {"k_d": surface.density(cover, height), "kcb": float(ground.kcb[0])}


ANSWERS: dict[str, Answer] = {
    "fao56-ex27": each(_by_climate),
    "fao56-ex28": each(_by_day),
    "fao56-ex45": each(_under_film),
    "derived-kc-end": each(_end_by_climate),
    "cover-of-wide-rows": each(_of_wide_rows),
}
