"""Evaporation from the soil's surface: a bare field, a wetted part of it, the strip and the row middle."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np

from scheduler.core.arrays import FloatArray, Mm
from scheduler.core.balance import surface
from scheduler.core.balance.crop import wetted_fraction
from scheduler.model import Planting, Soil, Zone
from scheduler.selfcheck import plot
from scheduler.selfcheck.answer import Answer, Figures, each
from scheduler.selfcheck.cases import Inputs
from scheduler.selfcheck.plot import one


def _both(strip: float, middle: float) -> FloatArray:
    """Over the tape and in the row middle, as the core has them."""
    return np.array([[strip], [middle]])


def _share_over_tape(few: FloatArray, de: Mm, tew: float) -> float:
    """W: what falls to the strip where nothing else limits either part."""
    free = surface.evaporate(
        de, few, tew=one(tew), slope_mm=one(1e-12), demand=one(1.0), most=np.full((2, 1), np.inf),
        et0_per_few=np.zeros((2, 1)), keeps=one(1.0),
    )  # fmt: skip
    return float(free.ke[0, 0])


def _day(
    de: Mm, few: FloatArray, soil: tuple[float, float], *, kc_max: float, kcb: float, et0: float
) -> surface.Evaporation:
    tew, rew = soil
    return surface.evaporate(
        de, few, tew=one(tew), slope_mm=one(tew - rew), demand=one(kc_max - kcb), most=few * kc_max,
        et0_per_few=np.divide(et0, few, out=np.zeros_like(few), where=few > 0), keeps=one(1.0),
    )  # fmt: skip


def _ten_days_of_drying(rows: Sequence[Inputs]) -> Iterator[Figures]:
    """The field is all "strip"; there is no row middle."""
    de = _both(rows[0]["de_start_mm"], 0.0)
    for i in rows:
        tew, rew, few = i["tew_mm"], i["rew_mm"], _both(i["few"], 0.0)
        kr = surface.reduction(de[0], one(tew), one(tew - rew))
        day = _day(de, few, (tew, rew), kc_max=i["kc_max"], kcb=i["kcb"], et0=i["eto_mm"])
        de = day.de
        yield {
            "kr": float(kr[0]),
            "evap": float(day.ke[0, 0] * i["eto_mm"]),
            "de_end": float(de[0, 0]),
            "etc": float((i["kcb"] + day.ke[0, 0]) * i["eto_mm"]),
        }


def _wetted_cotton(i: Inputs) -> Figures:
    """Eq 72 with its usual base of 1.2, which the example has; the program takes the lower one."""
    wind, rh, height, kcb = one(i["u2_m_s"]), one(i["rhmin_pct"]), one(i["h_m"]), one(i["kcb"])
    kc_max = 1.2 + surface.climate_term(wind, rh, height)
    fc = surface.ground_cover(kcb, kc_max, height)
    found = {"kc_max": float(kc_max[0]), "fc": float(fc[0])}
    soil = (20.0, 9.0)  # any: the ground was just wetted, and the rest of it is as dry as it gets
    for name in ("sprinkler", "furrow"):
        few = surface.bare_parts(fc, one(i[f"fw_{name}"]), one_tape=one(0.0), film=one(np.nan))
        day = _day(_both(0.0, soil[0]), few, soil, kc_max=found["kc_max"], kcb=i["kcb"], et0=i["eto_mm"])
        ke = float(day.ke[0, 0])
        found |= {f"few_{name}": float(few[0, 0]), f"ke_{name}": ke, f"kc_{name}": i["kcb"] + ke}
    return found


def _share(i: Inputs) -> Figures:
    return {"s": surface.wet_share(i["depth_m"], i["rise_m"])}


SOILS = {
    "coarse": Soil("sand", 0.12, 0.045, "coarse"),
    "medium": plot.LOAM,
    "fine": Soil("clay", 0.36, 0.22, "fine"),
}
"""One of each class, where only the class counts."""


def _band(i: Inputs) -> Figures:
    planting = plot.planting(rows=plot.rows(i["row_spacing_m"], i["tapes"]))
    zone = plot.zone(
        planting, soil=SOILS[i["class"]], wetted_width_m=i["wetted_width_m"], tape_depth_m=i["tape_depth_m"],
        wet_band_m=i["wet_band_m"],
    )  # fmt: skip
    return {"band": _band_of(zone, planting)}


def _band_of(zone: Zone, planting: Planting) -> float:
    return surface.wet_band(zone, planting, wetted_fraction(planting.rows, zone.wetted_width_m))


def _parts(i: Inputs) -> Figures:
    """A day of a crop whose Kcb is the row's all season, with its zone as the core lays it out."""
    crop = plot.crop(kcb=(i["kcb"],) * 3, height_m=i["h_m"])
    mulch: dict[str, Any] = {"mulch": i["mulch"], "mulch_cover": i["mulch_cover"]}
    planting = plot.planting(crop, rows=plot.rows(i["row_spacing_m"], i["tapes"]), **mulch)
    zone = plot.zone(
        planting, soil=i["soil"], wetted_width_m=i["wetted_width_m"], tape_depth_m=i["tape_depth_m"]
    )
    ground = plot.laid_out(zone, et0_mm=one(i["et0_mm"])).ground
    assert ground is not None
    de = _both(i["de_i_mm"], i["de_p_mm"])
    day = surface.evaporate(
        de, ground.few, tew=ground.tew, slope_mm=ground.slope_mm, demand=ground.demand, most=ground.most,
        et0_per_few=ground.et0_per_few, keeps=ground.keeps,
    )  # fmt: skip
    return {
        "kc_max": float(ground.kc_max[0]), "fc": float(ground.cover[0]), "band": float(ground.band[0]),
        "few_i": float(ground.few[0, 0]), "few_p": float(ground.few[1, 0]),
        "w": _share_over_tape(ground.few, de, float(ground.tew[0])),
        "ke_i": float(day.ke[0, 0]), "ke_p": float(day.ke[1, 0]),
        "de_i_evening_mm": float(day.de[0, 0]), "de_p_evening_mm": float(day.de[1, 0]),
    }  # fmt: skip


def _seven_days(rows: Sequence[Inputs]) -> Iterator[Figures]:
    de = _both(rows[0]["de_before_mm"], rows[0]["de_before_mm"])
    for i in rows:
        soil, few = surface.evaporable(i["soil"]), _both(i["few_i"], i["few_p"])
        de = np.maximum(de - i["rain_mm"] - _both(i["water_mm_of_strip"], 0.0), 0.0)
        tew, rew = soil
        kr = surface.reduction(de, one(tew), one(tew - rew))
        day = _day(de, few, soil, kc_max=i["kc_max"], kcb=i["kcb"], et0=i["et0_mm"])
        yield {
            "de_i_mm": float(de[0, 0]), "de_p_mm": float(de[1, 0]),
            "kr_i": float(kr[0, 0]), "kr_p": float(kr[1, 0]), "w": _share_over_tape(few, de, tew),
            "ke_i": float(day.ke[0, 0]), "ke_p": float(day.ke[1, 0]),
            "de_i_evening_mm": float(day.de[0, 0]), "de_p_evening_mm": float(day.de[1, 0]),
        }  # fmt: skip
        de = day.de


def _bare_bed(i: Inputs) -> Figures:
    tew, rew = surface.evaporable(i["soil"])
    de, evenings = one(0.0), []
    for _ in range(6):
        de = surface.bare_evening(
            de, rain=one(0.0), et0=one(i["et0_mm"]), tew=one(tew), slope_mm=one(tew - rew)
        )
        evenings.append(float(de[0]))
    return {"de_each_evening_mm": evenings}


ANSWERS: dict[str, Answer] = {
    "fao56-ex31": _ten_days_of_drying,
    "fao56-ex32-33": each(_wetted_cotton),
    "surface-share": each(_share),
    "surface-band": each(_band),
    "surface-parts": each(_parts),
    "surface-seven-days": _seven_days,
    "bare-bed": each(_bare_bed),
}
