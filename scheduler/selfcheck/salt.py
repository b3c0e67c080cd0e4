"""Leaching, and the salt of the soil's four quarters."""

from __future__ import annotations

from collections.abc import Sequence

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


STEADY_V_MM, STEADY_USE_MM, STEADY_EC, STEADY_RATIO = 15.0, 6.0, 1.0, 0.48
"""Any: what a leaching fraction comes to in the end does not hang on them, but for the water's EC."""


def _steady_at(leaching: Sequence[float]) -> Quarters:
    """Each of some leaching fractions, with the same water every morning until nothing changes any more."""
    fractions = np.array(leaching)
    v = np.full(len(fractions), STEADY_V_MM)
    quarters = Quarters.full(v, np.array(2.0))
    while True:
        before = quarters.salt.copy()
        quarters.enter(STEADY_USE_MM / (1 - fractions), STEADY_EC, v_mm=v, passed_on=1.0)
        quarters.draw(np.full(len(fractions), STEADY_USE_MM), least_mm=v * STEADY_RATIO)
        if np.abs(quarters.salt - before).max() < 1e-9:
            return quarters


def _steady(rows: Sequence[Inputs]) -> list[Figures]:
    ece = _steady_at([i["leaching_fraction"] for i in rows]).ece(STEADY_EC, np.array(STEADY_V_MM))
    return [{"ece_ds_m": float(one)} for one in ece]


def _steady_quarters(i: Inputs) -> Figures:
    quarters = _steady_at([i["leaching_fraction"]])
    return {"c_ds_m": (quarters.salt[:, 0] / STEADY_V_MM).tolist()}


def _in_time(i: Inputs) -> Figures:
    v, ec = i["v_mm"], i["ecw_ds_m"]
    quarters, found = Quarters.full(one(v), one(i["start_c_ds_m"])), {}
    for day in range(1, 91):
        deficit = float((v - quarters.water).sum())
        water = deficit / (1 - i["leaching_fraction"])
        quarters.enter(one(water), ec, v_mm=one(v), passed_on=1.0)
        quarters.draw(one(i["etc_mm"]), least_mm=one(v * i["theta_ratio"]))
        if day % 30 == 0:
            found[f"ece_day_{day}"] = float(quarters.ece(ec, one(v))[0])
    return found


ANSWERS: dict[str, Answer] = {
    "leaching-requirement": each(_requirement),
    "salt-balance-steady": _steady,
    "fao29-table3": _steady,
    "fao29-quarters": each(_steady_quarters),
    "salt-balance-in-time": each(_in_time),
}
