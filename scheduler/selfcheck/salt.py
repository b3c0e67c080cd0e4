"""Leaching, and the salt of the soil's four quarters."""

from __future__ import annotations

import numpy as np

from scheduler.core.balance.salt import Quarters, leaching_requirement
from scheduler.selfcheck import plot
from scheduler.selfcheck.answer import Answer, Figures, each
from scheduler.selfcheck.cases import Inputs
from scheduler.selfcheck.plot import one

WATER_EC = 2.0


def _requirement(i: Inputs) -> Figures:
    """Asked at twice the salinity and halved: a requirement of 0.1 or less counts as none."""
    crop = plot.crop(ec_threshold_ds_m=i["a_ds_m"], ec_slope_pct=i["slope_pct"])
    twice = leaching_requirement(2 * WATER_EC, crop)
    return {"max_ece_ds_m": 2 * WATER_EC / (2 * twice), "lr": twice / 2}


def _watered(
    quarters: Quarters, mm: float, use_mm: float, *, ec: float, v_mm: float, ratio: float
) -> Quarters:
    quarters.enter(one(mm), ec, v_mm=one(v_mm), passed_on=1.0)
    quarters.draw(one(use_mm), least_mm=one(v_mm * ratio))
    return quarters


def _steady_at(leaching: float) -> Quarters:
    """The same water every morning until nothing changes any more."""
    quarters, use, v = Quarters.full(one(15.0), one(2.0)), 6.0, 15.0
    while True:
        before = quarters.salt.copy()
        _watered(quarters, use / (1 - leaching), use, ec=1.0, v_mm=v, ratio=0.48)
        if np.abs(quarters.salt - before).max() < 1e-9:
            return quarters


def _steady(i: Inputs) -> Figures:
    return {"ece_ds_m": float(_steady_at(i["leaching_fraction"]).ece(1.0, one(15.0))[0])}


def _steady_quarters(i: Inputs) -> Figures:
    quarters = _steady_at(i["leaching_fraction"])
    return {"c_ds_m": (quarters.salt[:, 0] / 15.0).tolist()}


def _in_time(i: Inputs) -> Figures:
    v, ec = i["v_mm"], i["ecw_ds_m"]
    quarters, found = Quarters.full(one(v), one(i["start_c_ds_m"])), {}
    for day in range(1, 91):
        deficit = float((v - quarters.water).sum())
        water = deficit / (1 - i["leaching_fraction"])
        _watered(quarters, water, i["etc_mm"], ec=ec, v_mm=v, ratio=i["theta_ratio"])
        if day % 30 == 0:
            found[f"ece_day_{day}"] = float(quarters.ece(ec, one(v))[0])
    return found


ANSWERS: dict[str, Answer] = {
    "leaching-requirement": each(_requirement),
    "salt-balance-steady": each(_steady),
    "fao29-table3": each(_steady),
    "fao29-quarters": each(_steady_quarters),
    "salt-balance-in-time": each(_in_time),
}
