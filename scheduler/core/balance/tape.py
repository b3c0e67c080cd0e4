"""Flow of a zone, uniformity, and the way from net depth to whole minutes and back (model M7)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np

from scheduler.core.arrays import BoolArray, FloatArray, IntArray, Minutes, Mm
from scheduler.core.hydraulics.results import ZoneHydraulics
from scheduler.core.hydraulics.zone import can_solve, zone_solutions
from scheduler.model import Planting, Rows, Supply, Tape, Zone

Solved = Mapping[tuple[Rows, Tape], ZoneHydraulics]

DEFAULT_UNIFORMITY = 0.90
LEAST_UNIFORMITY = 0.30
"""Below it more minutes only flood the near end; `check` names what would mend it."""


class Delivery(NamedTuple):
    """How a planting's rows give water, and how each figure was come by."""

    flow_lpm: float
    uniformity: float
    flow_by: str
    uniformity_by: str
    hydraulics: ZoneHydraulics | None = None  # where either figure rests on it


def rated_row_flow(rows: Rows, tape: Tape, pressure_kpa: float | None) -> float:
    """L/min of all rows from the tape's label, moved to the working pressure: q = q_rated (P / P_rated)^x.

    Rated flow as it stands where the supply's pressure or the tape's rating is not known (model M7).

    >>> tape, rows = Tape("thin", 0.05, rated_at_kpa=80.0), Rows(count=5, length_m=20.0, spacing_m=1.0)
    >>> rated_row_flow(rows, tape, None), rated_row_flow(rows, tape, 20.0)      # exponent 0.5
    (5.0, 2.5)
    """
    flow = rows.tape_m * tape.flow_lpm_per_m
    if pressure_kpa is None or tape.rated_at_kpa is None:
        return flow
    return flow * float((pressure_kpa / tape.rated_at_kpa) ** tape.exponent)


def deliveries(pairs: Sequence[tuple[Planting, Zone]], supply: Supply) -> list[Delivery]:
    """Zone flow and emission uniformity of each planting's rows, running alone (model M7).

    Measured where the grower measured; else the hydraulic solution where the tape gives its inside diameter
    and emitter spacing; else the tape's rated flow and a uniformity of 0.90.  All layouts are solved at once.
    """
    unknown = {
        (planting.rows, zone.tape)
        for planting, zone in pairs
        if (planting.measured_flow_lpm is None or zone.uniformity is None) and can_solve(zone.tape, supply)
    }
    layouts = list(unknown)
    solved = dict(zip(layouts, zone_solutions(layouts, supply), strict=True))
    return [_delivery(planting, zone, supply, solved) for planting, zone in pairs]


def _delivery(planting: Planting, zone: Zone, supply: Supply, solved: Solved) -> Delivery:
    found = solved.get((planting.rows, zone.tape)) if solved else None
    if found is not None and found.flow_lpm <= 0:
        found = None  # no emitter gets any pressure: `check` calls it a problem, and minutes need a flow
    if planting.measured_flow_lpm is not None:
        flow, flow_by = planting.measured_flow_lpm, "measured, given in garden.yaml"
    elif found is not None:
        flow, flow_by = found.flow_lpm, "sum of the emitters, marched along the rows (Darcy-Weisbach)"
    else:
        flow = rated_row_flow(planting.rows, zone.tape, supply.pressure_kpa)
        moved = supply.pressure_kpa is not None and zone.tape.rated_at_kpa is not None
        flow_by = "tape's rated flow at the supply's pressure" if moved else "tape's rated flow"
    if zone.uniformity is not None:
        uniformity, by = zone.uniformity, "given in garden.yaml"
    elif found is not None:
        uniformity, by = found.uniformity, "(1 - 1.27 Cv) lowest / mean emitter flow (Keller and Karmeli)"
        if uniformity < LEAST_UNIFORMITY:
            uniformity, by = LEAST_UNIFORMITY, f"{uniformity:.2f} worked out, held to {LEAST_UNIFORMITY}"
    else:
        uniformity, by = DEFAULT_UNIFORMITY, "assumed: nothing measured or worked out"
    return Delivery(flow, uniformity, flow_by, by, found)


@dataclass(frozen=True, slots=True)
class RunLimits:
    """(zone,) arrays in minutes: time to fill the line, and the grower's shortest and longest run."""

    fill: Minutes
    shortest: Minutes
    longest: Minutes  # inf where there is none
    fill_and_half: Minutes = field(init=False)  # for rounding half up
    shortest_whole: Minutes = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "fill_and_half", self.fill + 0.5)
        object.__setattr__(self, "shortest_whole", np.ceil(self.shortest))

    @classmethod
    def of(cls, zones: tuple[Zone, ...]) -> RunLimits:
        """The limits of garden.yaml, zone by zone; a longest run is cut to whole minutes."""
        longest = [np.inf if z.longest_run_minutes is None else z.longest_run_minutes for z in zones]
        return cls(
            fill=np.array([z.fill_time_minutes for z in zones], dtype=np.float64),
            shortest=np.array([z.shortest_run_minutes for z in zones], dtype=np.float64),
            longest=np.floor(np.array(longest, dtype=np.float64)),
        )

    def of_zones(self, which: IntArray | slice) -> RunLimits:
        """The same for some zones, or in another order.

        >>> limits = RunLimits(np.array([2.0, 3.0]), np.array([5.0, 6.0]), np.array([90.0, np.inf]))
        >>> limits.of_zones(np.array([1])).fill.tolist()
        [3.0]
        """
        return RunLimits(self.fill[which], self.shortest[which], self.longest[which])


def run_minutes(net: Mm, minutes_per_mm: FloatArray, limits: RunLimits, *, stressed: BoolArray) -> Minutes:
    """Whole minutes for a net depth; 0 where nothing runs (model M7).

    minutes_per_mm: area / (flow x EU x (1 - LR)), minutes per mm net.  Rounded half up; below the shortest
    run nothing runs unless the crop is past its readily available water; above the longest it is cut.
    All arguments broadcast to (..., zone).

    >>> limits = RunLimits(fill=np.full(4, 2.0), shortest=np.full(4, 5.0), longest=np.array([90.0] * 4))
    >>> net, stressed = np.array([10.0, 0.4, 0.4, 20.0]), np.array([False, False, True, False])
    >>> run_minutes(net, np.full(4, 6.0), limits, stressed=stressed).tolist()
    [62.0, 0.0, 5.0, 90.0]
    """
    minutes = np.floor(net * minutes_per_mm + limits.fill_and_half)
    too_short = minutes < limits.shortest
    if np.count_nonzero(too_short):  # several times quicker than any() on a short row
        minutes = np.where(too_short, limits.shortest_whole * stressed, minutes)
    return np.minimum(minutes, limits.longest) * (net > 0)


def net_of_minutes(minutes: Minutes, minutes_per_mm: FloatArray, fill: Minutes) -> Mm:
    """Net depth, mm, that a run gives once the line is full (model M7, M9); `run_minutes` turned round.

    >>> float(net_of_minutes(np.float64(62), np.float64(6), np.float64(2)))
    10.0
    """
    return np.maximum(minutes - fill, 0) / minutes_per_mm
