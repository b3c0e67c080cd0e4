"""The part of the working that says how sure a zone's deficit is, and what soil readings did to it."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from scheduler.core.uncertainty.carry import PARTS
from scheduler.core.uncertainty.soil_readings import Taken
from scheduler.pages.lines import line
from scheduler.planning.facts import Facts
from scheduler.planning.plan import Plan
from scheduler.planning.soil import curve_of
from scheduler.shapes.working import Line
from scheduler.show import words

SHOWN_DAYS = 7
WORTH_SHOWING_MM2, WORTH_SHOWING_SHARE = 1e-6, 0.001
"""Of sd^2; smaller parts are left out."""


def uncertainty_lines(facts: Facts, plan: Plan, z: int) -> Iterator[Line]:
    """sd, band, the parts that make up its square, and the readings of the last days."""
    live, sure = plan.live, plan.live.sure
    yield line(
        "standard uncertainty of Dr(i-1)", "sd", float(live.deficit_sd[z]), "mm",
        formula="sqrt of the sum of squares below",
        source="of weather and water; Kc and the soil's figures are taken as they stand",
    )  # fmt: skip
    yield line("90 % band, low end", "", float(sure.low[z]), "mm")
    yield line("90 % band, high end", "", float(sure.high[z]), "mm")
    parts = np.maximum(sure.carried.parts[:, z], 0)
    total = float(parts.sum())
    for name, square in zip(PARTS, parts, strict=True):
        if square > WORTH_SHOWING_MM2 and square > WORTH_SHOWING_SHARE * total:
            share = f"{100 * square / total:.0f} % of sd^2"
            yield line(f"from {name}", "", float(np.sqrt(square)), "mm", numbers=share)
    for one in sure.readings:
        if one.reading.zone == z and one.reading.day > live.today - SHOWN_DAYS:
            yield _reading(facts, one)


def _reading(facts: Facts, one: Taken) -> Line:
    what = f"soil reading {one.reading.label}"
    if one.measured is None or one.aside:
        return line(f"{what}: set aside", numbers=words(one.aside or "", one.aside_numbers, "metric"))
    seen, soil = one.measured, facts.zones[one.reading.zone].soil
    texture, curve = curve_of(soil)
    at_fc = curve.field_capacity_kpa(soil.theta_fc)
    source = f"van Genuchten 1980, class averages, {texture}: field capacity at {at_fc:.0f} cb; Kalman 1960"
    if one.reading.tension_kpa is None:
        source = "FAO-56 eq 82; Kalman 1960"
    sd, reading = float(np.hypot(seen.lasting, seen.passing)), seen.deficit + one.reading.watered_mm
    return line(
        what, "Dr", one.after, "mm",
        formula="Dr + K (reading - Dr)",
        numbers=f"{one.before:.2f} before, reading {reading:.2f} +/- {sd:.2f}, K {one.gain:.3f}",
        source=source,
    )  # fmt: skip
