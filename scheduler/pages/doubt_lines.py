"""The part of the working that says how sure a zone's deficit is, and what soil readings did to it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from scheduler.core.uncertainty.carry import PARTS
from scheduler.planning.facts import Facts
from scheduler.planning.soil import curve_of

if TYPE_CHECKING:
    from scheduler.core.uncertainty.soil_readings import Taken
    from scheduler.planning.plan import Plan

SHOWN_DAYS = 7


def doubt_lines(facts: Facts, plan: Plan, z: int) -> list[dict[str, Any]]:
    """Arguments of `working.line`: sd, band, the parts that make up its square, readings of the last days."""
    live, sure = plan.live, plan.live.sure
    parts = np.maximum(sure.carried.parts[:, z], 0)
    sd = float(live.deficit_sd[z])
    total = float(parts.sum())
    lines: list[dict[str, Any]] = [
        {"what": "standard uncertainty of Dr(i-1)", "symbol": "sd", "value": sd, "unit": "mm",
         "formula": "sqrt of the sum of squares below",
         "source": "of weather and water; Kc and the soil's figures are taken as they stand"},
        {"what": "90 % band, low end", "symbol": "", "value": float(sure.low[z]), "unit": "mm"},
        {"what": "90 % band, high end", "symbol": "", "value": float(sure.high[z]), "unit": "mm"},
    ]  # fmt: skip
    for name, square in zip(PARTS, parts, strict=True):
        if square > 1e-6 and square > 0.001 * total:
            share = f"{100 * square / total:.0f} % of sd^2"
            lines.append(
                {
                    "what": f"from {name}",
                    "symbol": "",
                    "value": float(np.sqrt(square)),
                    "unit": "mm",
                    "numbers": share,
                }
            )
    for one in sure.readings:
        if one.reading.zone == z and one.reading.day > live.today - SHOWN_DAYS:
            lines.append(_reading(facts, one))
    return lines


def _reading(facts: Facts, one: Taken) -> dict[str, Any]:
    what = f"soil reading {one.reading.said}"
    if one.measured is None or one.aside:
        return {
            "what": f"{what}: set aside",
            "symbol": "",
            "value": None,
            "unit": "",
            "numbers": one.aside or "",
        }
    seen, soil = one.measured, facts.zones[one.reading.zone].soil
    texture, curve = curve_of(soil)
    at_fc = curve.field_capacity_kpa(soil.theta_fc)
    source = f"van Genuchten 1980, class averages, {texture}: field capacity at {at_fc:.0f} cb; Kalman 1960"
    if one.reading.tension_kpa is None:
        source = "FAO-56 eq 82; Kalman 1960"
    sd, reading = float(np.hypot(seen.lasting, seen.passing)), seen.deficit + one.reading.watered_mm
    return {
        "what": what, "symbol": "Dr", "value": one.after, "unit": "mm",
        "formula": "Dr + K (reading - Dr)",
        "numbers": f"{one.before:.2f} before, reading {reading:.2f} +/- {sd:.2f}, K {one.gain:.3f}",
        "source": source,
    }  # fmt: skip
