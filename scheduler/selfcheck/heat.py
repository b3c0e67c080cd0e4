"""Degree-days, and stages after one was seen."""

from __future__ import annotations

from typing import Any

import numpy as np

from scheduler.core.balance.crop import STAGES
from scheduler.core.balance.heat import after_observed, degree_days
from scheduler.model import HeatUnits
from scheduler.selfcheck.answer import Answer, Figures, each
from scheduler.selfcheck.cases import Inputs
from scheduler.selfcheck.plot import one


def _one_day(i: Inputs) -> Figures:
    def by(method: Any) -> float:
        heat = HeatUnits(i["base_c"], i["upper_c"], method)
        return float(degree_days(one(i["tmin_c"]), one(i["tmax_c"]), heat)[0])

    return {"average": by("average"), "sine": by("sine")}


def _observed(i: Inputs) -> Figures:
    stage = STAGES.index(i["stage"])
    return {"after": after_observed(np.array(i["before"]), stage, i["x_of_the_day_before"]).tolist()}


ANSWERS: dict[str, Answer] = {"degree-days": each(_one_day), "observed-stage": each(_observed)}
