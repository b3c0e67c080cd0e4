"""A run of water: how many pulses it makes, how long feed travels in it, and when feed may go in."""

from __future__ import annotations

import numpy as np

from scheduler.core.balance.crop import wetted_fraction
from scheduler.core.balance.pulses import most_of_one_pulse, pulses_of_run
from scheduler.core.system.feed import feed_times, travel_minutes
from scheduler.model import Rows, Tape, TextureGroup
from scheduler.selfcheck import plot
from scheduler.selfcheck.answer import Answer, Figures, each
from scheduler.selfcheck.cases import Inputs
from scheduler.selfcheck.plot import one
from scheduler.selfcheck.water import FOOT

WETTED_WIDTH_M: dict[TextureGroup, float] = {"coarse": 0.40, "medium": 0.60, "fine": 0.80}
"""As shipped; soils.yaml is the grower's to edit, the examples are not."""
DEEP_ROOTS_M = 1.0


def _pulses(i: Inputs) -> Figures:
    spacing, soil = i["row_spacing_m"], i["soil"]
    wetted = wetted_fraction(plot.rows(spacing), WETTED_WIDTH_M[soil.texture_group])
    most = most_of_one_pulse(soil, DEEP_ROOTS_M, wetted)
    count = pulses_of_run(one(i["net_mm"]), most=most, minutes=one(600.0), least=1.0, longest=one(np.inf))
    return {"cap_l_per_m_of_row": float(most) * spacing, "pulses": float(count[0])}


def _travel(i: Inputs) -> Figures:
    length, flow = i["length_m"], i["l_per_min_per_100ft"]
    tape = Tape(
        "tape", flow / (100 * FOOT), emitter_spacing_m=i["emitter_spacing_m"],
        inside_diameter_m=i["inside_mm"] / 1000,
    )  # fmt: skip
    minutes = travel_minutes(Rows(1, length, 1.0), tape, flow * length / (100 * FOOT))
    return {"minutes": float("nan") if minutes is None else minutes}


def _window(i: Inputs) -> Figures:
    times = feed_times(i["run_min"], travel=i["travel_min"], fill=i["fill_min"])
    return (
        {"long_enough": 0.0}
        if times is None
        else {"long_enough": 1.0, "start": times.start, "stop": times.stop}
    )


ANSWERS: dict[str, Answer] = {
    "pulses": each(_pulses),
    "travel-time": each(_travel),
    "feed-window": each(_window),
}
