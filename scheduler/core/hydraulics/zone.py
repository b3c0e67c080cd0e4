"""What a zone's rows get: pressures, flows and uniformity of drip tape behind a regulator and a supply line.

Conventions: the first emitter stands one full spacing from the row's inlet. Along a supply line fed at its
end the first take-off is one row spacing from the feed; fed at its middle, half the rows go each way (an odd
one to the first branch), the first take-offs stand half a spacing from the feed, and the line's slope rises
along the first branch and falls along the second. Rows are numbered from the feed outward, branch after
branch. The feed, or without a line the row's inlet, is the zero of elevation. All tapes of a row are equal.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from scheduler.core.arrays import FloatArray, IntArray, Kilopascal
from scheduler.core.hydraulics.laterals import Branches, LateralBatch, Solution, solve
from scheduler.core.hydraulics.pipes import KPA_PER_M, SMOOTH_M, FrictionLaw, darcy_weisbach, velocity
from scheduler.core.hydraulics.results import RowHydraulics, ZoneHydraulics, remarks, uniformity
from scheduler.model import Mainline, Rows, Supply, Tape

Layout = tuple[Rows, Tape]


def working_pressure(tape: Tape, supply: Supply) -> float | None:
    """kPa behind the regulator: its setting, never more than what stands before it; a regulator only lowers.

    Without a setting, the tape's rated pressure; None where that is unknown too.

    >>> tape = Tape("thin", 0.05, rated_at_kpa=83.0)
    >>> working_pressure(tape, Supply(20.0)), working_pressure(tape, Supply(20.0, pressure_kpa=70.0))
    (83.0, 70.0)
    >>> working_pressure(tape, Supply(20.0, pressure_kpa=70.0, static_pressure_kpa=55.0))
    55.0
    """
    setting = supply.pressure_kpa if supply.pressure_kpa is not None else tape.rated_at_kpa
    if setting is None or supply.static_pressure_kpa is None:
        return setting
    return min(setting, supply.static_pressure_kpa)


def can_solve(tape: Tape, supply: Supply) -> bool:
    """Whether enough is known for `zone_solutions`: inside diameter, emitter spacing, a pressure.

    >>> can_solve(Tape("thin", 0.05, rated_at_kpa=83.0, emitter_spacing_m=0.3), Supply(20.0))
    False
    """
    known = tape.inside_diameter_m is not None and tape.emitter_spacing_m is not None
    return known and working_pressure(tape, supply) is not None


def zone_solution(
    rows: Rows, tape: Tape, supply: Supply, law: FrictionLaw = darcy_weisbach
) -> ZoneHydraulics:
    """One zone running alone; see `zone_solutions`.

    >>> tape = Tape("thin", 0.05, rated_at_kpa=83.0, emitter_spacing_m=0.3, inside_diameter_m=0.016)
    >>> zone = zone_solution(Rows(4, 30.0, 1.5), tape, Supply(20.0, pressure_kpa=83.0))
    >>> round(zone.flow_lpm, 2), round(zone.lowest_kpa, 1), zone.flow_variation < 0.1  # 6 without loss
    (5.99, 82.8, True)
    """
    return zone_solutions([(rows, tape)], supply, law)[0]


def zone_solutions(
    layouts: Sequence[Layout], supply: Supply, law: FrictionLaw = darcy_weisbach
) -> list[ZoneHydraulics]:
    """Each layout running alone, all solved in one call. ValueError where `can_solve` says no.

    The main figures hold `supply.pressure` at the feed of `supply.mainline`, or at the row inlets where
    there is no line, even if the rows then ask for more than `supply.flow_lpm`. In that case `as_supplied`
    gives the state that follows: the pressure falls until the flow fits. Assumption: the supply gives the
    flow of the timed bucket at any pressure up to the regulator's, and no more. The bucket runs against no
    pressure and a hose gives less against some, so this is the better end of what may happen.
    """
    if not layouts:
        return []
    for _, tape in layouts:
        if not can_solve(tape, supply):
            raise ValueError(f"tape {tape.name}: diameter, emitter spacing or pressure is unknown")
    held = np.array([working_pressure(tape, supply) for _, tape in layouts], dtype=np.float64)
    zones = _solve_at(layouts, supply, held, law)
    fed: dict[int, ZoneHydraulics] = {}
    thirsty = [i for i, zone in enumerate(zones) if zone.flow_lpm > supply.flow_lpm * (1 + 1e-9)]
    if thirsty:
        fitted = _fit_flow([layouts[i] for i in thirsty], supply, held[thirsty], law)
        fed = dict(zip(thirsty, fitted, strict=True))
    results = []
    for i, (zone, (rows, tape)) in enumerate(zip(zones, layouts, strict=True)):
        whole = replace(zone, as_supplied=fed.get(i))
        results.append(replace(whole, remarks=remarks(whole, rows, tape, supply)))
    return results


def longest_row(
    tape: Tape,
    supply: Supply,
    *,
    least_uniformity: float | None = None,
    most_flow_variation: float | None = None,
    slope: float = 0.0,
    up_to_m: float = 400.0,
    law: FrictionLaw = darcy_weisbach,
) -> float:
    """Longest single row, m, whose emitters stay within the limits given; 0 where not even one emitter does.

    The working pressure is held at its inlet. Down a slope a longer row can be better than a shorter one: the
    search looks at some 60 lengths up to `up_to_m` first and refines behind the longest that passes.
    """
    if least_uniformity is None and most_flow_variation is None:
        raise ValueError("a longest row needs a limit to keep")
    pressure = working_pressure(tape, supply)
    if pressure is None or tape.emitter_spacing_m is None or not can_solve(tape, supply):
        raise ValueError(f"tape {tape.name}: diameter, emitter spacing or pressure is unknown")

    def passes(flows: FloatArray) -> bool:
        lowest, mean, highest = float(flows.min()), float(flows.mean()), float(flows.max())
        if least_uniformity is not None and uniformity(lowest, mean, tape.variation) < least_uniformity:
            return False
        if most_flow_variation is not None and highest - lowest > most_flow_variation * highest:
            return False
        return lowest > 0

    spacing, rated = tape.emitter_spacing_m, _rated(tape, supply)
    low, high = 0, max(int(up_to_m / spacing + 1e-6), 1) + 1  # high: not asked yet, or known to fail
    while high - low > 1:
        counts = np.unique(np.linspace(low + 1, high - 1, min(high - 1 - low, 60)).round().astype(np.int64))
        tapes = [_Tapes(Rows(1, n * spacing, 1.0, slope=slope), tape, rated, 0.0, 1) for n in counts.tolist()]
        flows = solve(_batch(tapes), Branches.without_line(np.full(counts.size, pressure)), law).emitter_lpm
        low = max((n for i, n in enumerate(counts.tolist()) if passes(flows[:n, i])), default=low)
        high = int(min(counts[counts > low], default=high))
    return low * spacing


class _Tapes(NamedTuple):
    """A zone's tapes, all alike."""

    rows: Rows
    tape: Tape
    rated_kpa: float
    takeoff_loss: float
    solved: int  # 1 stands for all of them where there is no supply line


def _rated(tape: Tape, supply: Supply) -> float:
    """kPa that the tape's flow is given for; where its label does not say, the regulator's setting."""
    rated = tape.rated_at_kpa if tape.rated_at_kpa is not None else supply.pressure_kpa
    assert rated is not None  # can_solve
    return rated


def _batch(zones: Sequence[_Tapes]) -> LateralBatch:
    copies = np.array([zone.solved for zone in zones], dtype=np.int64)

    def column(values: Sequence[float]) -> FloatArray:
        return np.repeat(np.array(values, dtype=np.float64), copies)

    def whole(values: Sequence[int]) -> IntArray:
        return np.repeat(np.array(values, dtype=np.int64), copies)

    spacings = [zone.tape.emitter_spacing_m or np.inf for zone in zones]
    emitters = [
        int(zone.rows.length_m / spacing + 1e-6) for zone, spacing in zip(zones, spacings, strict=True)
    ]
    k = [
        zone.tape.flow_lpm_per_m * spacing / zone.rated_kpa**zone.tape.exponent
        for zone, spacing in zip(zones, spacings, strict=True)
    ]
    return LateralBatch(
        emitters=whole(emitters),
        spacing_m=column(spacings),
        emitter_lpm=column(k),
        exponent=column([zone.tape.exponent for zone in zones]),
        diameter_m=column([zone.tape.inside_diameter_m or np.inf for zone in zones]),
        roughness_m=column([zone.tape.roughness_m for zone in zones]),
        slope=column([zone.rows.slope for zone in zones]),
        takeoff_loss=column([zone.takeoff_loss for zone in zones]),
        tapes=whole([zone.rows.tapes for zone in zones]),
    )


class _Branch(NamedTuple):
    zone: int
    first: int  # index of its first row among all tapes
    rows: int
    direction: int  # of the supply line's slope


def _split(zones: Sequence[_Tapes], *, middle: bool) -> list[_Branch]:
    branches, first = [], 0
    for number, zone in enumerate(zones):
        one_way = (zone.solved + 1) // 2 if middle else zone.solved
        for rows, direction in ((one_way, 1), (zone.solved - one_way, -1)):
            if rows:
                branches.append(_Branch(number, first, rows, direction))
            first += rows
    return branches


def _lines(split: Sequence[_Branch], zones: Sequence[_Tapes], feed: Kilopascal, line: Mainline) -> Branches:
    """The supply line as each zone sees it when it runs alone."""
    place = np.arange(max(branch.rows for branch in split))
    first = np.array([branch.first for branch in split])[:, None]
    rows = np.array([branch.rows for branch in split])[:, None]
    spacing = np.array([zones[branch.zone].rows.spacing_m for branch in split], dtype=np.float64)
    same = np.ones_like(spacing)
    return Branches(
        members=np.where(place < rows, first + place, -1),
        feed_kpa=feed[[branch.zone for branch in split]],
        diameter_m=same * line.inside_diameter_m,
        roughness_m=same * SMOOTH_M,
        first_m=spacing / 2 if line.feed == "middle" else spacing,
        spacing_m=spacing,
        slope=line.slope * np.array([branch.direction for branch in split], dtype=np.float64),
    )


def _solve_at(
    layouts: Sequence[Layout], supply: Supply, feed: Kilopascal, law: FrictionLaw
) -> list[ZoneHydraulics]:
    """Every layout alone, with the pressures `feed` (zone,) held behind the regulator."""
    line = supply.mainline
    loss = 0.0 if line is None else line.takeoff_loss
    zones = [
        _Tapes(rows, tape, _rated(tape, supply), loss, 1 if line is None else rows.count)
        for rows, tape in layouts
    ]
    batch = _batch(zones)
    split = _split(zones, middle=line is not None and line.feed == "middle")
    branches = Branches.without_line(feed) if line is None else _lines(split, zones, feed, line)
    solution = solve(batch, branches, law)
    found = []
    for i, zone in enumerate(zones):
        mine = [number for number, branch in enumerate(split) if branch.zone == i]
        found.append(_zone(zone, mine, split, solution, float(feed[i]), line))
    return found


def _zone(
    zone: _Tapes,
    mine: Sequence[int],
    split: Sequence[_Branch],
    solution: Solution,
    feed_kpa: float,
    line: Mainline | None,
) -> ZoneHydraulics:
    """One zone's figures out of the batch; `mine`: its branches."""
    rows, tape = zone.rows, zone.tape
    part = _part_of(zone, split[mine[0]].first, solution)
    table = [_row(zone, part, i) for i in range(zone.solved)]
    if zone.solved < rows.count:
        table = [replace(table[0], row=i + 1) for i in range(rows.count)]
    lowest, mean, highest = float(part.lph.min()), float(part.lph.mean()), float(part.lph.max())
    in_line = 0.0 if line is None else velocity(solution.line_lpm[mine].max(), line.inside_diameter_m)
    return ZoneHydraulics(
        inlet_kpa=feed_kpa,
        lowest_kpa=float(part.pressure_kpa.min()),
        highest_kpa=float(part.pressure_kpa.max()),
        flow_lpm=sum(row.flow_lpm for row in table),
        emitters=part.emitters * rows.count * rows.tapes,
        emitter_min_lph=lowest,
        emitter_mean_lph=mean,
        emitter_max_lph=highest,
        uniformity=uniformity(lowest, mean, tape.variation),
        flow_variation=(highest - lowest) / highest if highest > 0 else 0.0,
        line_velocity_m_s=float(in_line),
        converged=bool(solution.converged[mine].all()),
        rows=tuple(table),
    )


class _Part(NamedTuple):
    """What of the solution belongs to one zone; a zone without emitters has its inlet's pressure, no flow."""

    emitters: int  # of one tape
    inlet_kpa: Kilopascal  # (tape,)
    tape_lpm: FloatArray  # (tape,)
    pressure_kpa: Kilopascal  # (emitter, tape)
    lph: FloatArray  # (emitter, tape)
    friction_kpa: Kilopascal  # (tape,): from the take-off at rest to the far end, less the rise
    along_kpa: Kilopascal  # (step, tape): from the inlet to the last emitter


def _part_of(zone: _Tapes, first: int, solution: Solution) -> _Part:
    columns = slice(first, first + zone.solved)
    inlet, emitters = solution.inlet_kpa[columns], int(solution.emitters[first])
    pressure, lph = solution.pressure_kpa[:emitters, columns], solution.emitter_lpm[:emitters, columns] * 60
    if not emitters:
        pressure, lph = inlet[None], 0 * inlet[None]
    rise_kpa = emitters * (zone.tape.emitter_spacing_m or 0.0) * zone.rows.slope * KPA_PER_M
    friction = solution.still_kpa[columns] - rise_kpa - pressure[-1]
    along = _along(np.vstack([inlet[None], pressure[:emitters]]))
    return _Part(emitters, inlet, solution.tape_lpm[columns], pressure, lph, friction, along)


STEPS_ALONG = 10


def _along(kpa: Kilopascal) -> Kilopascal:
    """At the inlet and at tenths of the way to the end; kpa: (place, tape), at equal steps.

    >>> _along(np.array([[90.0], [80.0], [60.0]]))[[0, 2, 5, 10], 0].tolist()
    [90.0, 86.0, 80.0, 60.0]
    """
    at = np.linspace(0, len(kpa) - 1, STEPS_ALONG + 1)
    before = np.minimum(at.astype(np.int64), max(len(kpa) - 2, 0))
    after, part = np.minimum(before + 1, len(kpa) - 1), (at - before)[:, None]
    found: Kilopascal = kpa[before] * (1 - part) + kpa[after] * part
    return found


def _row(zone: _Tapes, part: _Part, i: int) -> RowHydraulics:
    pressure, lph, tapes = part.pressure_kpa[:, i], part.lph[:, i], zone.rows.tapes
    return RowHydraulics(
        row=i + 1,
        tape_m=zone.rows.length_m * tapes,
        inlet_kpa=float(part.inlet_kpa[i]),
        far_kpa=float(pressure[-1]),
        lowest_kpa=float(pressure.min()),
        highest_kpa=float(pressure.max()),
        along_kpa=tuple(part.along_kpa[:, i].tolist()),
        flow_lpm=float(part.tape_lpm[i] * tapes),
        emitter_min_lph=float(lph.min()),
        emitter_max_lph=float(lph.max()),
        velocity_m_s=float(velocity(part.tape_lpm[i], zone.tape.inside_diameter_m or np.inf)),
        friction_kpa=float(part.friction_kpa[i]),
        dry_emitters=int(np.count_nonzero(pressure <= 0)) * tapes,
    )


def _fit_flow(
    layouts: Sequence[Layout], supply: Supply, held: Kilopascal, law: FrictionLaw
) -> list[ZoneHydraulics]:
    """At the pressures behind the regulator at which each layout takes just the supply's flow.

    Never below 0: where falling rows take more even then, they run partly empty, which is not worked out.
    """
    low, high = np.zeros_like(held), held
    exponent = np.array(
        [max(tape.exponent, 0.1) for _, tape in layouts]
    )  # of flow against pressure, near here
    pressure, zones = held, _solve_at(layouts, supply, held, law)
    flow = np.array([zone.flow_lpm for zone in zones])
    for _ in range(60):
        share = supply.flow_lpm / np.maximum(flow, 1e-9)
        low, high = np.where(share >= 1, pressure, low), np.where(share < 1, pressure, high)
        if bool(((np.abs(share - 1) < 1e-6) | (high - low < 1e-6)).all()):
            break
        guess = pressure * share ** (1 / exponent)
        before = pressure, flow
        pressure = np.where((guess > low) & (guess < high), guess, (low + high) / 2)
        pressure = np.maximum(pressure, 1e-7)
        zones = _solve_at(layouts, supply, pressure, law)
        flow = np.array([zone.flow_lpm for zone in zones])
        gain, step = flow / np.maximum(before[1], 1e-9), pressure / before[0]
        moved = (np.abs(gain - 1) > 1e-7) & (np.abs(step - 1) > 1e-9) & (gain > 0)
        seen = np.log(np.where(moved, gain, 1.0)) / np.log(np.where(moved, step, np.e))
        exponent = np.where(moved, np.clip(seen, 0.02, 50), exponent)
    return zones
