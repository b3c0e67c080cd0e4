"""Drip layouts solved junction by junction by EPANET 2.2 (public software, by way of wntr's toolkit)."""

from __future__ import annotations

import platform
import sys
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from scheduler.model import Rows, Supply, Tape

KPA_PER_M = 9.80665
CAN_RUN = sys.platform != "linux" or platform.machine() == "x86_64"  # what wntr brings a library for
NODE_COUNT, NODE_DEMAND, NODE_PRESSURE, NODE_QUALITY = 0, 9, 11, 12  # codes of the EPANET 2.2 toolkit


@dataclass(frozen=True)
class Layout:
    """One zone; `tape.rated_at_kpa` and `supply.pressure_kpa` are given."""

    rows: Rows
    tape: Tape
    supply: Supply


@dataclass
class RowFound:
    inlet_kpa: float
    pressure_kpa: np.ndarray  # (tape, emitter)
    flow_lpm: np.ndarray  # (tape, emitter)


@dataclass
class _Text:
    junctions: list[str] = field(default_factory=list)
    reservoirs: list[str] = field(default_factory=list)
    pipes: list[str] = field(default_factory=list)
    emitters: list[str] = field(default_factory=list)


def _branches(layout: Layout) -> list[list[float]]:
    """Distance of each take-off from the feed along each branch, as the conventions have it."""
    rows, line = layout.rows, layout.supply.mainline
    if line is None or line.feed == "end":
        return [[rows.spacing_m * (i + 1) for i in range(rows.count)]]
    first = (rows.count + 1) // 2
    return [[rows.spacing_m * (i + 0.5) for i in range(n)] for n in (first, rows.count - first)]


def _write(text: _Text, name: str, layout: Layout) -> None:
    rows, tape, supply, line = layout.rows, layout.tape, layout.supply, layout.supply.mainline
    assert tape.emitter_spacing_m is not None
    assert tape.inside_diameter_m is not None
    assert tape.rated_at_kpa is not None
    assert supply.pressure_kpa is not None
    spacing = tape.emitter_spacing_m
    emitters = int(rows.length_m / spacing + 1e-6)
    per_metre_head = tape.flow_lpm_per_m * spacing * (KPA_PER_M / tape.rated_at_kpa) ** tape.exponent
    head = supply.pressure_kpa / KPA_PER_M
    row = 0
    if line is not None:
        text.reservoirs.append(f"{name}F {head:.9f}")
    for direction, distances in zip((1, -1), _branches(layout), strict=False):
        before, walked = f"{name}F", 0.0
        for distance in distances:
            takeoff, rise = f"{name}T{row}", 0.0
            if line is None:
                text.reservoirs.append(f"{takeoff} {head:.9f}")
            else:
                rise = direction * line.slope * distance
                text.junctions.append(f"{takeoff} {rise:.9f} 0")
                text.pipes.append(
                    f"{name}M{row} {before} {takeoff} {distance - walked:.9f} "
                    f"{line.inside_diameter_m * 1000:.6f} 0.0015 0 Open"
                )
            for t in range(rows.tapes):
                last = takeoff
                for e in range(emitters):
                    node = f"{name}E{row}_{t}_{e}"
                    text.junctions.append(f"{node} {rise + rows.slope * spacing * (e + 1):.9f} 0")
                    minor = line.takeoff_loss if line is not None and e == 0 else 0.0
                    text.pipes.append(
                        f"{name}P{row}_{t}_{e} {last} {node} {spacing:.9f} "
                        f"{tape.inside_diameter_m * 1000:.6f} {tape.roughness_m * 1000:.7f} {minor:.4f} Open"
                    )
                    text.emitters.append(f"{node} {per_metre_head:.12g}")
                    last = node
            before, walked = takeoff, distance
            row += 1


def inp_text(layouts: Sequence[Layout], hours: int = 0) -> str:
    """One EPANET input with every layout in it, each with reservoirs of its own; hours: with water's age."""
    (exponent,) = {layout.tape.exponent for layout in layouts}  # one for the whole network
    text = _Text()
    for i, layout in enumerate(layouts):
        _write(text, f"L{i}", layout)
    return "\n".join(
        [
            *("[JUNCTIONS]", *text.junctions, "[RESERVOIRS]", *text.reservoirs),
            *("[PIPES]", *text.pipes, "[EMITTERS]", *text.emitters),
            *("[OPTIONS]", "UNITS LPM", "HEADLOSS D-W", "VISCOSITY 1", "SPECIFIC GRAVITY 1"),
            f"QUALITY {'AGE' if hours else 'NONE'}",
            "TOLERANCE 0.00001",
            *(f"EMITTER EXPONENT {exponent}", "TRIALS 500", "ACCURACY 0.00001", "HEADERROR 0.0000001"),
            *("FLOWCHANGE 0.0000001", "UNBALANCED STOP", "[TIMES]", f"DURATION {hours}"),
            *("QUALITY TIMESTEP 0:00:02", "HYDRAULIC TIMESTEP 1:00", "[END]", ""),
        ]
    )


def farthest_age(layout: Layout, folder: Path) -> tuple[float, float]:
    """L/min of the layout, and minutes that the oldest water at any emitter has travelled."""
    from wntr.epanet.toolkit import ENepanet

    (found,) = run_epanet([layout], folder)
    (folder / "age.inp").write_text(inp_text([layout], hours=3))
    engine = ENepanet()
    engine.ENopen(*(str(folder / f"age.{end}") for end in ("inp", "rpt", "bin")))
    try:
        engine.ENsolveH()
        engine.ENsolveQ()
        count = engine.ENgetcount(NODE_COUNT)
        ages = [float(engine.ENgetnodevalue(node, NODE_QUALITY)) for node in range(1, count + 1)]
    finally:
        engine.ENclose()
    return sum(float(row.flow_lpm.sum()) for row in found), max(ages) * 60


def run_epanet(layouts: Sequence[Layout], folder: Path) -> list[list[RowFound]]:
    """Rows of each layout as EPANET finds them."""
    from wntr.epanet.toolkit import ENepanet

    (folder / "net.inp").write_text(inp_text(layouts))
    engine = ENepanet()
    engine.ENopen(*(str(folder / f"net.{end}") for end in ("inp", "rpt", "bin")))
    try:
        engine.ENsolveH()

        def value(node: str, code: int) -> float:
            return float(engine.ENgetnodevalue(engine.ENgetnodeindex(node), code))

        return [
            [_row_found(value, f"L{i}", layout, row) for row in range(layout.rows.count)]
            for i, layout in enumerate(layouts)
        ]
    finally:
        engine.ENclose()


def _row_found(value, name: str, layout: Layout, row: int) -> RowFound:  # type: ignore[no-untyped-def]
    spacing = layout.tape.emitter_spacing_m
    assert spacing is not None
    assert layout.supply.pressure_kpa is not None
    emitters = int(layout.rows.length_m / spacing + 1e-6)
    nodes = [[f"{name}E{row}_{t}_{e}" for e in range(emitters)] for t in range(layout.rows.tapes)]
    inlet = layout.supply.pressure_kpa
    if layout.supply.mainline is not None:
        inlet = value(f"{name}T{row}", NODE_PRESSURE) * KPA_PER_M
    return RowFound(
        inlet_kpa=inlet,
        pressure_kpa=np.array([[value(n, NODE_PRESSURE) for n in tape] for tape in nodes]) * KPA_PER_M,
        flow_lpm=np.array([[value(n, NODE_DEMAND) for n in tape] for tape in nodes]),
    )
