"""A sown row that is not up yet: how dry it may be, and what it asks for."""

from __future__ import annotations

import numpy as np

from scheduler.core.balance.rule import RefillRule
from scheduler.core.balance.soil import run
from scheduler.core.balance.sowing import dryness_allowed
from scheduler.core.balance.surface import evaporable
from scheduler.selfcheck import plot
from scheduler.selfcheck.answer import Answer, Figures, each
from scheduler.selfcheck.cases import Inputs
from scheduler.selfcheck.plot import one


def _dryness(i: Inputs) -> Figures:
    return {"c_mm": dryness_allowed(i["soil"], i["seed_depth_m"])}


def _morning(i: Inputs) -> Figures:
    """A morning whose layer is as dry as given, with a tape so slow that whole minutes are exact."""
    litres_a_minute = 1e-4
    tew, rew = evaporable(plot.LOAM)
    shallow = i["c_mm"] == 0.5 * rew
    planting = plot.planting(by="seed", seed_depth_m=0.012 if shallow else 0.020)
    zone = plot.zone(
        planting, wetted_width_m=i["strip_m"], uniformity=i["eu"], tape_depth_m=0.0, surface_run_minutes=0.0,
        shortest_run_minutes=0.0, measured_flow_lpm=None,
    )  # fmt: skip
    slow = plot.with_flow(zone, litres_a_minute)
    record = plot.after_rain(tew - i["de_i_mm"], et0_mm=one(i["e_mm"]))
    terms = plot.laid_out(slow, et0_mm=one(i["e_mm"]), record=record)
    balance = run(terms, starting_deficit=one(np.nan), rule=RefillRule.of((slow,)))
    assert balance.apart is not None
    minutes = float(balance.minutes[0, 0])
    return {
        "due": float(minutes > 0), "waterings": float(balance.apart.waterings[0, 0]),
        "l_per_m_of_row": minutes * litres_a_minute,
    }  # fmt: skip


ANSWERS: dict[str, Answer] = {"seedbed": each(_morning), "seedbed-dryness": each(_dryness)}
