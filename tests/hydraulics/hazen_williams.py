"""The other common law of friction, with which most of the reference cases were run."""

from __future__ import annotations

import numpy as np

from scheduler.core.hydraulics.pipes import FrictionLaw, Loss


def hazen_williams(c: float) -> FrictionLaw:
    """h[m] = 10.6667 L q^1.852 / (C^1.852 d^4.871), q in m3/s: the EPANET 2.2 manual's form in SI."""

    def law(diameter_m: np.ndarray, roughness_m: np.ndarray, length_m: np.ndarray) -> Loss:
        def loss(flow_lpm: np.ndarray) -> np.ndarray:
            head = 10.6667 * length_m * (flow_lpm / 60000) ** 1.852 / (c**1.852 * diameter_m**4.871)
            return np.asarray(head * 9.80665)

        return loss

    return law
