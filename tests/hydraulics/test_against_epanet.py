"""Random layouts against EPANET 2.2: the same network, one junction for each emitter."""

from __future__ import annotations

import random
from pathlib import Path

import numpy as np
import pytest
from hydraulics.epanet_network import CAN_RUN, Layout, RowFound, run_epanet

from scheduler.core.hydraulics.results import ZoneHydraulics
from scheduler.core.hydraulics.zone import zone_solution
from scheduler.model import Mainline, Rows, Supply, Tape

pytestmark = pytest.mark.skipif(not CAN_RUN, reason="wntr brings no EPANET library for this machine")

# What a grower can rely on is 0.4 % of the zone's flow, 0.8 % of the lowest emitter and 0.7 kPa; with the
# same law the two must be far nearer than that (EPANET's g of 32.2 ft/s2 makes 0.08 % of the friction).
FLOW_SHARE, EMITTER_SHARE, PRESSURE_KPA = 0.0006, 0.001, 0.1


def some_tape(rng: random.Random, exponent: float, pressure: float, hardest: float) -> Tape:
    spacing = rng.choice([0.1, 0.1524, 0.2032, 0.3048, 0.4, 0.6])
    return Tape(
        "random",
        flow_lpm_per_m=10 ** rng.uniform(-0.3, hardest) / 60 / spacing,  # L/h an emitter, from 0.5
        rated_at_kpa=rng.choice([55.16, 68.95, 82.74]),
        exponent=exponent,
        emitter_spacing_m=spacing,
        inside_diameter_m=rng.choice([0.0098, 0.0127, 0.0159, 0.0161, 0.022]),
        variation=rng.choice([0.0, 0.03, 0.05]),
        roughness_m=rng.choice([1.5e-6, 1.5e-6, 1e-5]),
        pressure_limit_kpa=None if pressure > 100 else 110.0,
    )


def some_layout(rng: random.Random, exponent: float, *, line: bool) -> Layout:
    pressure = rng.uniform(41, 138)
    tape = some_tape(rng, exponent, pressure, 1.1 if line else 1.7)
    assert tape.emitter_spacing_m is not None
    emitters = rng.choice([rng.randint(1, 60), rng.randint(30, 60)])
    rows = Rows(
        count=rng.randint(1, 9) if line else 1,
        length_m=emitters * tape.emitter_spacing_m + rng.uniform(0, 0.05),
        spacing_m=rng.uniform(0.4, 1.6),
        tapes=rng.choice([1, 1, 2]),
        slope=rng.choice([0.0, 0.0, rng.uniform(-0.05, 0.05)]),
    )
    main = Mainline(
        inside_diameter_m=rng.choice([0.0127, 0.0159, 0.0178, 0.0254]),
        length_m=100.0,
        feed=rng.choice(["end", "middle"]),
        slope=rng.choice([0.0, rng.uniform(-0.03, 0.03)]),
        takeoff_loss=rng.choice([0.0, 0.9, 2.0]),
    )
    return Layout(rows, tape, Supply(flow_lpm=1e6, pressure_kpa=pressure, mainline=main if line else None))


def valid(layout: Layout, found: list[RowFound]) -> bool:
    """By EPANET's figures in the stated range: pressure everywhere, friction below three quarters of it."""
    rows, held = layout.rows, layout.supply.pressure_kpa
    assert held is not None
    lowest = min(float(row.pressure_kpa.min()) for row in found)
    end = min(float(row.pressure_kpa[0, -1]) for row in found)
    return lowest > 1.0 and held - end - 9.80665 * rows.slope * rows.length_m < 0.75 * held


def compare(layout: Layout, found: list[RowFound], zone: ZoneHydraulics) -> None:
    assert zone.converged
    flows = np.concatenate([row.flow_lpm.ravel() for row in found])
    assert zone.emitters == flows.size
    assert zone.flow_lpm == pytest.approx(float(flows.sum()), rel=FLOW_SHARE)
    assert zone.emitter_min_lph == pytest.approx(float(flows.min()) * 60, rel=EMITTER_SHARE)
    assert zone.emitter_max_lph == pytest.approx(float(flows.max()) * 60, rel=EMITTER_SHARE)
    even = (1 - 1.27 * layout.tape.variation) * flows.min() / flows.mean()
    assert zone.uniformity == pytest.approx(float(even), abs=0.001)
    assert zone.flow_variation == pytest.approx(float(1 - flows.min() / flows.max()), abs=0.001)
    for row, other in zip(zone.rows, found, strict=True):
        assert row.inlet_kpa == pytest.approx(other.inlet_kpa, abs=PRESSURE_KPA)
        assert row.far_kpa == pytest.approx(other.pressure_kpa[0, -1], abs=PRESSURE_KPA)
        assert row.lowest_kpa == pytest.approx(float(other.pressure_kpa.min()), abs=PRESSURE_KPA)
        assert row.highest_kpa == pytest.approx(float(other.pressure_kpa.max()), abs=PRESSURE_KPA)
        assert row.flow_lpm == pytest.approx(float(other.flow_lpm.sum()), rel=EMITTER_SHARE)


def check(layouts: list[Layout], folder: Path, *, at_least: int) -> None:
    pairs = zip(layouts, run_epanet(layouts, folder), strict=True)
    inside = [(layout, found) for layout, found in pairs if valid(layout, found)]
    assert len(inside) >= at_least
    zones = [zone_solution(layout.rows, layout.tape, layout.supply) for layout, _ in inside]
    for (layout, found), zone in zip(inside, zones, strict=True):
        compare(layout, found, zone)
    strained = sum(max(row.friction_kpa for row in zone.rows) > 0.1 * zone.inlet_kpa for zone in zones)
    assert strained >= len(zones) // 12  # the layouts do put friction to the test


@pytest.mark.parametrize("exponent", [0.1, 0.3, 0.45, 0.5, 0.6])
def test_single_rows(exponent: float, tmp_path: Path) -> None:
    rng = random.Random(20260401 + int(exponent * 100))
    check([some_layout(rng, exponent, line=False) for _ in range(100)], tmp_path, at_least=90)


@pytest.mark.parametrize("exponent", [0.1, 0.3, 0.5])
def test_rows_on_a_supply_line(exponent: float, tmp_path: Path) -> None:
    rng = random.Random(20260402 + int(exponent * 100))
    check([some_layout(rng, exponent, line=True) for _ in range(40)], tmp_path, at_least=35)
