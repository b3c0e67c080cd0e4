"""The root zone: what it holds, its balance day by day, and how a new planting begins."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import timedelta

import numpy as np

from scheduler.core.balance.rule import RefillRule
from scheduler.core.balance.soil import percolation, run, step, stress_coefficient
from scheduler.core.balance.surface import evaporable
from scheduler.core.balance.terms import depletion_fraction
from scheduler.model import Soil
from scheduler.selfcheck import plot
from scheduler.selfcheck.answer import Answer, Figures, each
from scheduler.selfcheck.cases import Inputs
from scheduler.selfcheck.plot import one


def _taw_and_raw(soil: Soil, zr_m: float, p: float, wetted: float = 1.0) -> tuple[float, float]:
    """mm, with Kc 1 and ET0 5 mm: the 5 mm of use that a tabled p stands for."""
    crop = plot.crop(root_start_m=zr_m, root_full_m=zr_m, depletion=p)
    terms = plot.of_one_coefficient(
        plot.zone(plot.planting(crop), soil=soil, wetted_width_m=wetted), et0_mm=one(5.0)
    )
    return float(terms.taw[0, 0]), float(terms.raw[0, 0])


def _three_crops_on_three_soils(i: Inputs) -> Figures:
    found: dict[str, float] = {}
    for crop, roots in i["crops"].items():
        for name, water in i["soils"].items():
            taw, raw = _taw_and_raw(Soil(name, **water), roots["zr_m"], roots["p"])
            found |= {f"{crop}_{name}_taw_mm": taw, f"{crop}_{name}_raw_mm": raw}
    return found


def _under_drip(i: Inputs) -> Figures:
    soil = Soil("own figures", i["theta_fc"], i["theta_wp"])
    whole, _ = _taw_and_raw(soil, i["zr_m"], i["p"])
    strip, raw = _taw_and_raw(soil, i["zr_m"], i["p"], i["wetted_fraction"])
    return {"taw_full_mm": whole, "taw_wetted_field_mm": strip, "raw_wetted_field_mm": raw}


def _depletion(i: Inputs) -> Figures:
    return {f"p_{p:g}_etc_{etc:g}": float(depletion_fraction(one(p), one(etc))[0]) for p, etc in i["cases"]}


def _of_the_strip(i: Inputs) -> Figures:
    """p of a crop's first day, when its roots draw from the strip alone (g = 0)."""
    crop = plot.crop(stage_days=(10, 10, 10, 10), kcb=(i["kcb"],) * 3, depletion=i["p_table"])
    zone = plot.zone(plot.planting(crop), wetted_width_m=i["pw"])
    terms = plot.laid_out(zone, et0_mm=one(i["et0_mm"]))
    spread = float(terms.flat.spread[0])
    return {"s": spread, "u_mm": float(terms.use[0, 0]) / spread, "p": float(terms.p[0])}


def _seven_days(rows: Sequence[Inputs]) -> Iterator[Figures]:
    """The example waters after the day's use, the program before it: here its water goes in as rain."""
    deficit = one(rows[0]["dr_start_mm"])
    for i in rows:
        taw, raw, etc = one(i["taw_mm"]), one(i["p"] * i["taw_mm"]), one(i["kc"] * i["eto_mm"])
        water = one(i["rain_used_mm"] + i["irrigation_mm"])
        ks = stress_coefficient(deficit, taw=taw, span=taw - raw)
        day = step(deficit, irrigation=None, rain_eff=water, etc=etc, taw=taw, slope=etc / (taw - raw))
        drained = percolation(deficit, irrigation=one(0.0), rain_eff=water, eta=day.eta)
        yield {
            "ks": float(ks[0]), "etc_adj": float(day.eta[0]),
            "dp": float(drained[0]), "dr_end": float(day.deficit[0]),
        }  # fmt: skip
        deficit = day.deficit


def _new_planting(i: Inputs) -> Figures:
    """Two days without evaporation: rain and a run bring the first planting's evening to the given one."""
    before = plot.planting(plot.crop(root_start_m=1.0, root_full_m=1.0), rows=plot.rows(1 / i["pw_before"]))
    zr = i["taw_of_strip_mm"] / (1000 * (plot.LOAM.theta_fc - plot.LOAM.theta_wp))
    tomorrow = plot.FIRST + timedelta(days=1)
    new = plot.planting(
        plot.crop(root_start_m=zr, root_full_m=zr), tomorrow,
        rows=plot.rows(1 / i["pw"], tapes=1 if i["same_tape"] else 2),
    )  # fmt: skip
    share = i["pw_before"]
    rain = evaporable(plot.LOAM)[0] - i["de_p_mm"]
    water = (i["de_p_mm"] - i["de_i_mm"]) * share
    zone = plot.zone(before, new, starting_deficit_mm=i["dr_before_mm"] + rain + water)
    terms = plot.laid_out(zone, et0_mm=np.zeros(2), rain_mm=np.array([rain, 0.0]))
    balance = run(
        terms, starting_deficit=one(i["dr_before_mm"] + rain + water), rule=RefillRule.of((zone,)),
        given=np.array([[water], [0.0]]), decide_from=2,
    )  # fmt: skip
    assert balance.apart is not None
    return {
        "dr_mm": float(balance.deficit_start[1, 0]), "de_i_after_mm": float(balance.apart.surface[1, 0]),
    }  # fmt: skip


ANSWERS: dict[str, Answer] = {
    "fao56-ex36": each(_three_crops_on_three_soils),
    "derived-p-adjust": each(_depletion),
    "derived-taw-drip": each(_under_drip),
    "derived-balance-a": _seven_days,
    "p-of-the-strip": each(_of_the_strip),
    "new-planting": each(_new_planting),
}
