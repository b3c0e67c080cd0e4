"""Supply and tape: the timed bucket, labels, and pressures along rows against a network solver's."""

from __future__ import annotations

from scheduler.core.hydraulics.pipes import KPA_PER_M, flow_at_velocity
from scheduler.core.hydraulics.results import ZoneHydraulics, uniformity
from scheduler.core.hydraulics.zone import zone_solution
from scheduler.core.supply import flow_from_bucket, longest_tape
from scheduler.model import Mainline, Rows, Supply, Tape
from scheduler.selfcheck.answer import Answer, Figures, each
from scheduler.selfcheck.cases import Inputs
from scheduler.units import read

FOOT = read("length", "1 ft", display="us")
INCH = read("length", "1 in", display="us")
PSI = read("pressure", "1 psi", display="us")
GPM = read("flow", "1 gpm", display="us")
GALLON = read("volume", "1 gal", display="us")
LABEL = read("tape flow", "1 gpm/100ft", display="us")


def _bucket(i: Inputs) -> Figures:
    gpm = flow_from_bucket(i["bucket_gal"] * GALLON, i["seconds"]) / GPM
    return {"supply_gpm": gpm, "supply_gph": gpm * 60}


def _longest(i: Inputs) -> Figures:
    return {"feet_of_tape": longest_tape(i["supply_gpm"] * GPM, i["tape_gpm_per_100ft"] * LABEL) / FOOT}


def _flushing(i: Inputs) -> Figures:
    flow = flow_at_velocity(i["velocity_ft_s"] * FOOT, i["id_in"] * INCH)
    return {"end_flow_gpm": float(flow) / GPM}


def _head(_: Inputs) -> Figures:
    return {"ft_per_psi": PSI / (FOOT * KPA_PER_M)}


def _other_pressure(i: Inputs) -> Figures:
    """One emitter, so that friction has nothing to take."""
    rated, spacing = i["rated_gpm_per_100ft"] * LABEL, 0.3
    tape = Tape("tape", rated, i["rated_psi"] * PSI, i["x"], spacing, 0.0159)
    supply = Supply(flow_lpm=100.0, pressure_kpa=i["operating_psi"] * PSI)
    flow = zone_solution(Rows(1, spacing, 1.0), tape, supply).flow_lpm
    return {"tape_gpm_per_100ft": flow / spacing / LABEL}


def _uniformity(i: Inputs) -> Figures:
    return {"eu_pct": 100 * uniformity(i["q_min"], i["q_mean"], i["cv"])}


def _solved(i: Inputs) -> ZoneHydraulics:
    tape = Tape(
        "tape", i["rated_gpm_per_100ft"] * LABEL, i["rated_psi"] * PSI, i["x"], i["spacing_in"] * INCH,
        i["tape_id_mm"] / 1000, variation=0.05,
    )  # fmt: skip
    several = i["kind"] == "manifold"
    rows = Rows(
        int(i["rows"]) if several else 1, i["length_ft"] * FOOT, i["row_spacing_ft"] * FOOT if several else 1
    )
    line = Mainline(i["main_id_mm"] / 1000, rows.count * rows.spacing_m, "end") if several else None
    return zone_solution(rows, tape, Supply(1000.0, pressure_kpa=i["inlet_psi"] * PSI, mainline=line))


def _network(i: Inputs) -> Figures:
    zone = _solved(i)
    return {
        "total_lph": zone.flow_lpm * 60, "emitter_min_lph": zone.emitter_min_lph,
        "emitter_max_lph": zone.emitter_max_lph, "pressure_min_psi": zone.lowest_kpa / PSI,
        "eu_with_cv_pct": 100 * zone.uniformity,
    }  # fmt: skip


ANSWERS: dict[str, Answer] = {
    "TF01": each(_longest),
    "HC01": each(_bucket),
    "HC06": each(_flushing),
    "HC07": each(_head),
    "HC08": each(_other_pressure),
    "HC11": each(_uniformity),
    "EL21": each(_network),
    "EL22": each(_network),
    "EL23": each(_network),
    "EL24": each(_network),
    "EM07": each(_network),
}
