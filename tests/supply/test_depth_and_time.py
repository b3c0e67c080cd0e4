"""Depth, area, flow and minutes against published extension figures (ids of reference/hydraulics_cases.yaml).

HC04 and HC14 (strip volume, longest pulse) and HC16 (volume of a tape) have no function here to check.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import yaml

from scheduler.core.balance.tape import RunLimits, net_of_minutes, rated_row_flow, run_minutes
from scheduler.model import Rows, Tape
from scheduler.units import read

CASES = {
    case["id"]: case
    for case in yaml.safe_load(
        (Path(__file__).parents[1] / "reference" / "hydraulics_cases.yaml").read_text()
    )["hand_cases"]
}
NO_LIMITS = RunLimits(np.zeros(1), np.zeros(1), np.full(1, np.inf))
INCH_MM, FOOT_M = 25.4, 0.3048


def tape(gpm_per_100ft: float) -> Tape:
    return Tape("thin", read("tape flow", f"{gpm_per_100ft} gpm/100ft", display="us"))


def minutes(depth_mm: float, rows: Rows, of: Tape, uniformity: float = 1.0) -> float:
    per_mm = rows.area_m2 / (rated_row_flow(rows, of, None) * uniformity)
    return float(
        run_minutes(np.array([depth_mm]), np.array([per_mm]), NO_LIMITS, stressed=np.array([False]))[0]
    )


def expected(case: str, name: str) -> Any:
    found = CASES[case]["expect"][name]
    value = found["value"]
    slack = found.get("tol_abs", found.get("tol_pct", 0) / 100 * (value if isinstance(value, float) else 1))
    return value, slack


@pytest.mark.parametrize(("k", "rate"), list(enumerate(CASES["HC02"]["inputs"]["tape_gpm_per_100ft"])))
def test_hours_for_an_inch_on_a_30_inch_bed(k: int, rate: float) -> None:
    """Penn State Extension 2013, running drip systems for vegetables."""
    hours, slack = expected("HC02", "hours")
    bed = Rows(1, 100 * FOOT_M, 30 * INCH_MM / 1000)
    assert minutes(INCH_MM, bed, tape(rate)) / 60 == pytest.approx(hours[k], abs=slack + 0.5 / 60)


def test_hours_for_an_acre_inch() -> None:
    """UC Santa Cruz farm training manual: 0.75 gpm per 100 ft on beds 2 ft apart, 2.76 h for an inch."""
    hours, slack = expected("HC05", "hours_per_inch")
    beds = Rows(218, 100 * FOOT_M, 2 * FOOT_M)
    assert minutes(INCH_MM, beds, tape(0.75)) / 60 == pytest.approx(hours, abs=slack + 0.5 / 60)


def test_gross_depth_is_net_over_uniformity() -> None:
    gross, slack = expected("HC12", "gross_mm")
    bed = Rows(10, 30, 1)
    net = CASES["HC12"]["inputs"]["net_in"] * INCH_MM
    run = minutes(net, bed, tape(0.4), uniformity=0.9)
    assert run * rated_row_flow(bed, tape(0.4), None) / bed.area_m2 == pytest.approx(gross, abs=slack + 0.03)


def test_rate_on_the_bed() -> None:
    needed, slack = expected("HC15", "minutes_for_one_inch")
    assert minutes(INCH_MM, Rows(1, 100 * FOOT_M, 30 * INCH_MM / 1000), tape(0.4)) == pytest.approx(
        needed, abs=slack + 0.5
    )


def test_volume_to_depth() -> None:
    """A grower's published journal: 2,004 ft of 0.34 gpm per 100 ft, two hours, 5,600 sq ft, 0.23 in."""
    depth, slack = expected("HC17", "depth_in")
    flow_gpm, flow_slack = expected("HC17", "flow_gpm")
    rows = Rows(1, 2004 * FOOT_M, 5600 / 2004 * FOOT_M)
    flow = rated_row_flow(rows, tape(0.34), None)
    assert flow / 3.785411784 == pytest.approx(flow_gpm, abs=flow_slack)
    given = net_of_minutes(np.array([120.0]), np.array([rows.area_m2 / flow]), np.zeros(1))
    assert float(given[0]) / INCH_MM == pytest.approx(depth, abs=slack)
