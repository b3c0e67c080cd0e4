"""When a crop's stages end and by what, as lines of the working (models M3, M11)."""

from __future__ import annotations

from collections.abc import Generator, Iterator
from datetime import timedelta

import numpy as np

from scheduler.core.arrays import FloatArray
from scheduler.core.balance.crop import STAGES
from scheduler.core.balance.heat import after_observed, calibration_years
from scheduler.core.balance.stored import Stored, warmth
from scheduler.model import HeatUnits, Location
from scheduler.pages.lines import line
from scheduler.pages.zone_day import ZoneDay
from scheduler.shapes.working import Line

# Tables of formulas: a line each reads best.
# fmt: off


def stage_lines(spot: ZoneDay, record: Stored, location: Location) -> Iterator[Line]:
    """Each stage's end, where it comes from, and what was seen."""
    pace, heat = spot.stand.fixed.pace, spot.crop.heat
    unit = "d" if pace.sums is None else "degC d"
    bounds = np.cumsum(spot.crop.stage_days, dtype=np.float64)
    yield line("stages of the table", "B1 .. B4", None, "d", "sums of the stages' days", _row(bounds))
    if heat is not None:
        bounds = yield from _heat_lines(spot, heat, record, location, bounds)
    for stage, day in sorted(spot.planting.observed, key=lambda seen: STAGES.index(seen[0])):
        k = STAGES.index(stage)
        x = float(pace.x(np.array((day - spot.planting.planted).days, dtype=np.float64)))
        moved = after_observed(bounds, k, x)
        yield line(
            f"{stage} seen on {day}", f"B{k} .. B4", None, unit, "B_k = x of the day before; later ones stretched by half",
            f"{_row(bounds[k - 1 :])} -> {_row(moved[k - 1 :])}", "model M11 (own choice)",
        )
        bounds = moved
    last = f"{STAGES[3]}, and so until it is pulled" if spot.crop.hold_last_stage else "then it stands no more"
    yield line("ends of the stages", "B1 .. B4", None, unit, last, _row(pace.bounds), "model M3")


def _heat_lines(
    spot: ZoneDay, heat: HeatUnits, record: Stored, location: Location, days: FloatArray
) -> Generator[Line, None, FloatArray]:
    """How the crop's degree-days are counted; returns the ends they give, or the table's days."""
    planting, sums = spot.planting, spot.stand.fixed.pace.sums
    upper = "" if heat.upper_c is None else f", upper {heat.upper_c:g}"
    counted = f"base {heat.base_c:g}{upper} degC, {heat.method}"
    by = {"sine": "Baskerville and Emin 1969", "average": "McMaster and Wilhelm 1997"}[heat.method]
    if sums is None:
        yield line(f"its stages go by days: {_why_days(spot, heat, record, location)}", source="model M11")
        return days
    yield line("degree-days of a day", "", None, "degC d", counted, source=by)
    if heat.stages is not None:
        yield line("ends by heat", "B1 .. B4", None, "degC d", "as the crop's table gives them", _row(heat.stages))
        return np.array(heat.stages)
    found = calibration_years(spot.crop, warmth(record, heat), record.warm, first=record.first,
                              planted=planting.planted, location=location)
    mean = np.mean([sums for _, sums in found], axis=0)
    for begin, sums in found:
        end = begin + timedelta(days=int(days[-1]) - 1)
        yield line(f"the table's days in {begin.year}", "", None, "degC d", f"{begin} to {end}", _row(sums))
    yield line("ends by heat", "B1 .. B4", None, "degC d", f"mean of {len(found)} stored years", _row(mean))
    return np.asarray(mean)


def _why_days(spot: ZoneDay, heat: HeatUnits, record: Stored, location: Location) -> str:
    planting = spot.planting
    if not planting.heat:
        return "heat: off"
    if record.index(planting.planted) < 0:
        return f"the stored weather begins on {record.first}, after the planting"
    years = calibration_years(spot.crop, warmth(record, heat), record.warm, first=record.first,
                              planted=planting.planted, location=location)
    return f"{len(years)} whole stored years before it, 3 are wanted (rowwater history brings past years)"


def _row(values: FloatArray | tuple[float, ...]) -> str:
    return ", ".join(f"{value:.1f}".removesuffix(".0") for value in values)
