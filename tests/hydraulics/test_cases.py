"""The reference cases of tests/reference/hydraulics_cases.yaml that these functions answer to.

Published figures (sources beside each case there) and networks solved by EPANET 2.2, one junction for each
emitter. The cases give US units; turned here by the file's own factors.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import yaml
from hydraulics.hazen_williams import hazen_williams

from scheduler.core.hydraulics.laterals import Branches, LateralBatch, solve
from scheduler.core.hydraulics.pipes import KPA_PER_M, FrictionLaw, darcy_weisbach, flow_at_velocity, velocity
from scheduler.core.hydraulics.results import ZoneHydraulics, uniformity
from scheduler.core.hydraulics.zone import longest_row, zone_solution
from scheduler.core.supply import fits, flow_from_bucket, longest_tape
from scheduler.core.system.sections import Load, sections
from scheduler.model import Mainline, Rows, Supply, Tape

FILE = yaml.safe_load((Path(__file__).parents[1] / "reference" / "hydraulics_cases.yaml").read_text())
UNITS = FILE["meta"]["units"]
PSI, LPH, GAL, FT, INCH = (UNITS[k] for k in ("psi_kpa", "gpm_lph", "gal_l", "ft_m", "in_mm"))
TOLERANCES = FILE["meta"]["tolerances"]
HAND = {case["id"]: case for case in FILE["hand_cases"]}
NETWORKS = {case["id"]: case for case in FILE["epanet_cases"]}
GPM = GAL  # L/min of one gpm


def per_m(gpm_per_100ft: float) -> float:
    return gpm_per_100ft * GPM / (100 * FT)


def check(case: dict[str, Any], name: str, got: Any) -> None:
    wanted = case["expect"][name]
    value = wanted["value"]
    if isinstance(value, bool):
        assert got is value
        return
    near = (
        {"abs": wanted["tol_abs"], "rel": 0}
        if "tol_abs" in wanted
        else {"rel": wanted["tol_pct"] / 100, "abs": 0}
    )
    assert got == pytest.approx(value, **near)


# --- hand cases ---


def single_emitter(
    rated_gpm: float, rated_psi: float, psi: float, spacing_in: float = 12, x: float = 0.5
) -> float:
    """gpm per 100 ft at one emitter of the tape, where friction has nothing to take."""
    spacing = spacing_in * INCH / 1000
    tape = Tape("t", per_m(rated_gpm), rated_psi * PSI, x, spacing, 0.0159)
    zone = zone_solution(Rows(1, spacing, 1.0), tape, Supply(flow_lpm=100.0, pressure_kpa=psi * PSI))
    return zone.flow_lpm / GPM * (100 * FT / spacing)


def test_feet_of_tape() -> None:
    case = HAND["TF01"]
    gpm, q100, spacing = (
        case["inputs"][k] for k in ("supply_gpm", "tape_gpm_per_100ft", "emitter_spacing_in")
    )
    feet = longest_tape(gpm * GPM, per_m(q100)) / FT
    check(case, "feet_of_tape", feet)
    psi = case["inputs"]["regulated_psi"]
    check(case, "emitter_gph", single_emitter(q100, psi, psi) * 60 / (100 * 12 / spacing))
    check(case, "emitters", round(feet * 12 / spacing))


def test_garden_against_supply() -> None:
    case = HAND["TF02"]
    rows, row_ft, q100, gpm, psi = (
        case["inputs"][k] for k in ("rows", "row_ft", "tape_gpm_per_100ft", "supply_gpm", "regulated_psi")
    )
    check(case, "total_tape_ft", Rows(rows, row_ft * FT, 0.9).tape_m / FT)
    row_gpm = single_emitter(q100, psi, psi) * row_ft / 100
    check(case, "row_gpm", row_gpm)
    check(case, "demand_gpm", rows * row_gpm)
    check(case, "fits_in_one_zone", fits([row_gpm] * rows, gpm))
    check(case, "most_whole_rows_at_once", max(n for n in range(rows + 1) if fits([row_gpm] * n, gpm)))
    grouped = sections([Load(f"row {i}", row_gpm) for i in range(rows)], gpm)
    check(case, "least_zones", len(grouped.groups))
    for flow in grouped.flows_lpm:
        check(case, "balanced_zone_gpm", flow)


def test_supply_scales_in_proportion() -> None:
    case = HAND["TF03"]
    q = per_m(case["inputs"]["tape_gpm_per_100ft"])
    check(case, "feet_of_tape", [longest_tape(gpm * GPM, q) / FT for gpm in case["inputs"]["supply_gpm"]])


def test_timed_bucket() -> None:
    case = HAND["HC01"]
    flow = flow_from_bucket(case["inputs"]["bucket_gal"] * GAL, case["inputs"]["seconds"])
    check(case, "supply_gpm", flow / GPM)
    check(case, "supply_gph", flow / GPM * 60)


def test_emitter_flow_of_a_label() -> None:
    case = HAND["HC03"]
    q100 = case["inputs"]["tape_gph_per_100ft"] / 60
    solved = single_emitter(q100, 8, 8, case["inputs"]["emitter_spacing_in"])
    check(case, "tape_gpm_per_100ft", solved)
    check(case, "emitter_gph", solved * 60 / 100)
    check(case, "emitter_lph", solved * LPH / 100)


def test_flushing_flow() -> None:
    case = HAND["HC06"]
    flow = flow_at_velocity(case["inputs"]["velocity_ft_s"] * FT, case["inputs"]["id_in"] * INCH / 1000)
    check(case, "end_flow_gpm", float(flow) / GPM)
    check(case, "published_round_gpm", float(flow) / GPM)


def test_head_and_pressure() -> None:
    check(HAND["HC07"], "pressure_psi", HAND["HC07"]["inputs"]["rise_ft"] * FT * KPA_PER_M / PSI)


def test_tape_flow_at_another_pressure() -> None:
    case = HAND["HC08"]
    at = case["inputs"]
    solved = single_emitter(at["rated_gpm_per_100ft"], at["rated_psi"], at["operating_psi"], x=at["x"])
    check(case, "tape_gpm_per_100ft", solved)


def test_multiple_outlet_factor() -> None:
    """A tape whose emitters all give the same (x = 0) loses F times what the whole flow would lose."""
    case = HAND["HC09"]
    law, factors = hazen_williams(140), []
    for outlets in case["inputs"]["outlets"]:
        one = np.ones(1)
        batch = LateralBatch(
            emitters=np.array([outlets]),
            spacing_m=one * 0.3,
            emitter_lpm=one * 0.02,
            exponent=one * 0,
            diameter_m=one * 0.0159,
            roughness_m=one * 0,
            slope=one * 0,
            takeoff_loss=one * 0,
            tapes=np.array([1]),
        )
        found = solve(batch, Branches.without_line(one * 500.0), law)
        lost = 500.0 - found.pressure_kpa[-1, 0]
        whole = law(one * 0.0159, one * 0, one * 0.3 * outlets)(found.tape_lpm)[0]
        factors.append(float(lost / whole))
    check(case, "F_exact_sum", factors)
    # Christiansen's short form itself is 0.0006 off the exact sum for two outlets
    assert factors == pytest.approx(case["expect"]["F"]["value"], abs=0.0007)


def test_plain_pipe() -> None:
    """Of the law that the other cases were run with, and what Darcy-Weisbach makes of the same pipe."""
    case = HAND["HC10"]
    at = case["inputs"]
    pipe = [np.array(at["id_in"] * INCH / 1000), np.array(1.5e-6), np.array(at["length_ft"] * FT)]
    flow = np.array([at["flow_gpm"] * GPM])
    check(case, "loss_psi", float(hazen_williams(at["c"])(*pipe)(flow)[0]) / PSI)
    # the C that fits Darcy-Weisbach is 138 at Re 10,000 and 148 at 40,000: here about 140 (EPANET, measured)
    assert float(darcy_weisbach(*pipe)(flow)[0]) / PSI == pytest.approx(
        case["expect"]["loss_psi"]["value"], rel=0.02
    )


def test_emission_uniformity() -> None:
    at = HAND["HC11"]["inputs"]
    check(HAND["HC11"], "eu_pct", 100 * uniformity(at["q_min"], at["q_mean"], at["cv"]))


# --- networks ---


def solved_by(at: dict[str, Any], law: FrictionLaw) -> ZoneHydraulics:
    tape = Tape(
        "case",
        flow_lpm_per_m=per_m(at["rated_gpm_per_100ft"]),
        rated_at_kpa=at["rated_psi"] * PSI,
        exponent=at["x"],
        emitter_spacing_m=at["spacing_in"] * INCH / 1000,
        inside_diameter_m=at["tape_id_mm"] / 1000,
        variation=0.05,
    )
    manifold = at["kind"] == "manifold"
    rows = Rows(
        count=at["rows"] if manifold else 1,
        length_m=at["length_ft"] * FT,
        spacing_m=at["row_spacing_ft"] * FT if manifold else 1.0,
        slope=at["row_slope_pct"] / 100,
    )
    line = None
    if manifold:
        line = Mainline(
            inside_diameter_m=at["main_id_mm"] / 1000,
            length_m=at["rows"] * at["row_spacing_ft"] * FT,
            feed="middle" if at["feed"] == "mid" else "end",
            slope=at["main_slope_pct"] / 100,
            takeoff_loss=at["takeoff_k"],
        )
    supply = Supply(flow_lpm=1000.0, pressure_kpa=at["inlet_psi"] * PSI, mainline=line)
    return zone_solution(rows, tape, supply, law)


def own_law(at: dict[str, Any]) -> FrictionLaw:
    if at["law"] == "DW":
        return darcy_weisbach
    assert at["c"] == at.get("c_main", at["c"])
    return hazen_williams(at["c"])


def compare(case: dict[str, Any], zone: ZoneHydraulics, *, total: float, emitter: float, psi: float) -> None:
    """total, emitter: %; psi: of pressures."""
    want = case["expect"]

    def near(got: float, wanted: float, pct: float) -> None:
        assert got == pytest.approx(wanted, rel=pct / 100, abs=0)

    near(zone.flow_lpm * 60, want["total_lph"], total)
    near(zone.flow_lpm / GPM, want["total_gpm"], total)
    for name, got in (
        ("min", zone.emitter_min_lph),
        ("max", zone.emitter_max_lph),
        ("mean", zone.emitter_mean_lph),
    ):
        if f"emitter_{name}_lph" in want:
            near(got, want[f"emitter_{name}_lph"], emitter)
        near(got / GAL, want[f"emitter_{name}_gph"], emitter)
    assert zone.emitters == want["emitters"]
    at = case["inputs"]
    if at["kind"] == "lateral":
        first_branch_end = zone.rows[0]
        near(zone.rows[0].velocity_m_s / FT, want["inlet_velocity_ft_s"], total)
        assert zone.rows[0].friction_kpa / PSI == pytest.approx(want["friction_loss_psi"], abs=psi)
        assert zone.rows[0].friction_kpa / PSI == pytest.approx(
            want["inlet_psi"] - want["elevation_change_psi"] - want["pressure_far_end_psi"], abs=psi
        )
    else:
        first_branch_end = zone.rows[at["rows"] // (2 if at["feed"] == "mid" else 1) - 1]
        near(zone.line_velocity_m_s / FT, want["inlet_velocity_ft_s"], total)
        for row, row_gpm, takeoff in zip(zone.rows, want["row_gpm"], want["takeoff_psi"], strict=True):
            assert row.flow_lpm / GPM == pytest.approx(row_gpm, rel=emitter / 100, abs=6e-5)  # 4 digits given
            assert row.inlet_kpa / PSI == pytest.approx(takeoff, abs=psi)
    assert first_branch_end.far_kpa / PSI == pytest.approx(want["pressure_far_end_psi"], abs=psi)
    assert zone.lowest_kpa / PSI == pytest.approx(want["pressure_min_psi"], abs=psi)
    assert zone.highest_kpa / PSI == pytest.approx(want["pressure_max_psi"], abs=psi)


@pytest.mark.parametrize("name", NETWORKS)
def test_network_by_its_own_law(name: str) -> None:
    case, same = NETWORKS[name], TOLERANCES["same_law"]
    zone = solved_by(case["inputs"], own_law(case["inputs"]))
    assert zone.converged
    compare(case, zone, total=same["total_pct"], emitter=same["emitter_pct"], psi=same["pressure_psi"])
    points = same["qvar_eu_du_points"]
    assert 100 * zone.flow_variation == pytest.approx(case["expect"]["qvar_pct"], abs=points)
    assert 100 * zone.uniformity == pytest.approx(case["expect"]["eu_with_cv_pct"], abs=points)
    assert 100 * zone.emitter_min_lph / zone.emitter_mean_lph == pytest.approx(
        case["expect"]["eu_hydraulic_pct"], abs=points
    )


def hazen_cases() -> list[str]:
    return [
        name
        for name, case in NETWORKS.items()
        if case["inputs"]["law"] == "HW" and case["inputs"]["c"] == 140
    ]


@pytest.mark.parametrize("name", hazen_cases())
def test_network_of_the_other_law(name: str) -> None:
    """Darcy-Weisbach against cases run with Hazen-Williams, within the step measured between the two."""
    case, other = NETWORKS[name], TOLERANCES["HW140_instead_of_DW"]
    zone = solved_by(case["inputs"], darcy_weisbach)
    compare(case, zone, total=other["total_pct"], emitter=other["emitter_pct"], psi=other["pressure_psi"])


def test_all_laws_of_the_file_are_covered() -> None:
    assert {case["inputs"]["law"] for case in NETWORKS.values()} == {"HW", "DW"}
    left = {
        name for name in NETWORKS if name not in hazen_cases() and NETWORKS[name]["inputs"]["law"] == "HW"
    }
    assert left == {"EL09"}  # C = 150: no step is stated for it; its own law is checked above


def test_hose_before_the_regulator() -> None:
    case = NETWORKS["EP01"]
    hose, want = case["inputs"]["supply"], case["expect"]
    pipe = [np.array(hose["hose_id_mm"] / 1000), np.array(0.0), np.array(hose["hose_ft"] * FT)]
    loss = hazen_williams(hose["hose_c"])(*pipe)(np.array([want["total_gpm"] * GPM]))[0] / PSI
    before = hose["static_psi"] - float(loss)
    assert before == pytest.approx(want["regulator_inlet_psi"], abs=0.02)
    assert float(velocity(want["total_gpm"] * GPM, pipe[0])) < 2.0


@pytest.mark.parametrize("entry", FILE["run_length_table_level"]["rows"])
@pytest.mark.parametrize("percent", [10, 20])
def test_longest_level_row(entry: dict[str, float], percent: int) -> None:
    spacing = entry["spacing_in"] * INCH / 1000
    tape = Tape("t", per_m(entry["rated_gpm_per_100ft"]), entry["rated_psi"] * PSI, 0.5, spacing, 0.0159)
    supply = Supply(flow_lpm=1000.0, pressure_kpa=entry["inlet_psi"] * PSI)
    longest = longest_row(tape, supply, most_flow_variation=percent / 100, law=hazen_williams(140))
    tolerance = FILE["run_length_table_level"]["tol_ft"]
    assert longest / FT == pytest.approx(entry[f"max_ft_qvar{percent}"], abs=tolerance)
