"""The garden to scale, each row coloured by the pressure along it. matplotlib is an optional extra."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from scheduler.core.arrays import FloatArray
from scheduler.core.hydraulics.laterals import Branches, LateralBatch, solve
from scheduler.core.system.check import GardenCheck, ZoneCheck
from scheduler.model import Garden
from scheduler.plots.base import pyplot_for
from scheduler.show import KPA_PER_PSI, METERS_PER_FOOT

LEAST_RANGE = 0.9
"""The colours span a tenth of the pressure at least: a harmless drop must not look like a steep one."""


def draw(garden: Garden, check: GardenCheck, path: Path) -> None:
    """Write a PNG or SVG. CouldNot where matplotlib is not installed."""
    pyplot = pyplot_for(path)
    us = garden.display == "us"
    figure, axes = pyplot.subplots(figsize=(9, 6))
    lines = _draw_zones(axes, garden, check)
    if lines:
        _colour_alike(lines)
        figure.colorbar(lines[0], ax=axes, label="psi" if us else "kPa")
    axes.autoscale()
    axes.set_aspect("equal", adjustable="datalim")
    axes.invert_yaxis()
    axes.set(
        title=f"{garden.name}: pressure along the rows",
        xlabel="ft" if us else "m",
        ylabel="along the supply line",
    )
    figure.savefig(path, dpi=120)
    pyplot.close(figure)


def _draw_zones(axes: Any, garden: Garden, check: GardenCheck) -> list[Any]:
    """Zone beside zone; the lines whose pressure is known."""
    length, pressure = (METERS_PER_FOOT, KPA_PER_PSI) if garden.display == "us" else (1.0, 1.0)
    lines: list[Any] = []
    top = 0.0
    for zone in check.zones:
        rows = zone.stand.planting.rows
        end = rows.length_m / length
        profile = row_pressures(zone, garden)
        for r in range(rows.count):
            y = (top + (r + 0.5) * rows.spacing_m) / length
            if profile is None:
                axes.plot([0, end], [y, y], color="0.6", lw=2)
            else:
                lines.append(axes.add_collection(_row_line(end, y, profile[:, r], pressure)))
        beside = end, (top + rows.count * rows.spacing_m / 2) / length
        axes.annotate(zone.zone.name, beside, xytext=(8, 0), textcoords="offset points", va="center")
        top += rows.count * rows.spacing_m
    return lines


def _row_line(end: float, y: float, kpa: FloatArray, pressure: float) -> Any:
    """A row from 0 to `end`, each piece in the colour of its pressure; `pressure`: kPa per unit shown."""
    from matplotlib.collections import LineCollection

    x = np.linspace(0, end, len(kpa))
    at = np.full(len(x) - 1, y)
    pieces = np.stack([np.column_stack([x[:-1], at]), np.column_stack([x[1:], at])], axis=1)
    line = LineCollection(list(pieces), cmap="viridis", lw=3)
    line.set_array((kpa[:-1] + kpa[1:]) / 2 / pressure)
    return line


def _colour_alike(lines: list[Any]) -> None:
    values = np.concatenate([line.get_array() for line in lines])
    for line in lines:
        line.set_clim(min(values.min(), LEAST_RANGE * values.max()), values.max())


def row_pressures(zone: ZoneCheck, garden: Garden) -> FloatArray | None:
    """(inlet and emitters, row) kPa of a solved zone; None where it could not be solved."""
    solved, rows, tape = zone.stand.delivery.hydraulics, zone.stand.planting.rows, zone.zone.tape
    if (
        solved is None
        or tape.emitter_spacing_m is None
        or tape.inside_diameter_m is None
        or not solved.emitters
    ):
        return None
    inlets = np.array([row.inlet_kpa for row in solved.rows])
    rated = tape.rated_at_kpa or garden.supply.pressure_kpa or solved.inlet_kpa
    line = garden.supply.mainline

    def each(value: float) -> FloatArray:
        return np.full(len(inlets), value)

    batch = LateralBatch(
        emitters=np.full(len(inlets), int(rows.length_m / tape.emitter_spacing_m + 1e-6), dtype=np.int64),
        spacing_m=each(tape.emitter_spacing_m),
        emitter_lpm=each(tape.flow_lpm_per_m * tape.emitter_spacing_m / rated**tape.exponent),
        exponent=each(tape.exponent),
        diameter_m=each(tape.inside_diameter_m),
        roughness_m=each(tape.roughness_m),
        slope=each(rows.slope),
        takeoff_loss=each(0.0 if line is None else line.takeoff_loss),
        tapes=np.full(len(inlets), 1, dtype=np.int64),
    )
    found = solve(batch, Branches.without_line(inlets))
    return np.vstack([inlets[None, :], found.pressure_kpa])
