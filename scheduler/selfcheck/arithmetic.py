"""Whether numbers of this machine behave as IEEE 754 doubles, in Python and in numpy."""

from __future__ import annotations

import math

import numpy as np

from scheduler.selfcheck.answer import Answer, Figures, each
from scheduler.selfcheck.cases import Inputs


def _doubles(i: Inputs) -> Figures:
    thousand = np.full(1000, i["tenth"])
    return {
        "0.1 + 0.2": i["tenth"] + i["fifth"],
        "step above 1": float(np.nextafter(1.0, 2.0)) - 1,
        "smallest number": float(np.float64(2.0**-1074)),
        "root of 2": float(np.sqrt(2.0)),
        "e": float(np.exp(1.0)),
        "pi": float(4 * np.arctan(1.0)),
        "log of 10": float(np.log(10.0)),
        "0.1 a thousand times": math.fsum(thousand),
        "nan left out": float(np.nansum(np.array([1.0, math.nan, 2.0]))),
        "nan kept": float(np.isnan(np.maximum(np.array([math.nan]), 0.0))[0]),
    }


ANSWERS: dict[str, Answer] = {"ieee754": each(_doubles)}
