"""The crop's own coefficient of a day, as lines of the working (models M3, M3d.1 to M3d.3).

Equation numbers are those of FAO-56 unless another source is named.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np

from scheduler.core.balance import surface
from scheduler.core.balance.crop import ADJUST_FROM_KC
from scheduler.core.balance.stored import CLIMATE_DAYS, LEAST_CLIMATE_DAYS, Stored, climate_before
from scheduler.model import Location
from scheduler.pages.lines import FAO, line
from scheduler.pages.zone_day import ZoneDay
from scheduler.shapes.working import Line

# Tables of formulas: a line each reads best.
# fmt: off

A_OF_H = "(0.04 (u2 - 2) - 0.004 (RHmin - 45)) (h / 3)^0.3"


class Climate(NamedTuple):
    """u2 and RHmin that a day goes by, within the limits of eq 70, and over how many days they are means."""

    u2: float
    rh: float
    wind_days: int
    rh_days: int

    def numbers(self, height_m: float) -> str:
        """A(h) with its figures."""
        wind, dry = f"0.04 x ({self.u2:.3f} - 2)", f"0.004 x ({self.rh:.2f} - 45)"
        return f"({wind} - {dry}) x ({min(max(height_m, 0.1), 10):.3f} / 3)^0.3"

    def adds(self, height_m: float) -> float:
        return float(surface.climate_term(np.array(self.u2), np.array(self.rh), height_m))


def climate_of(record: Stored, location: Location, i: int) -> Climate:
    """Of stored day i."""
    u2, rh = (float(values[i]) for values in climate_before(record, location))
    before = slice(max(i - CLIMATE_DAYS, 0), i)
    days = (int(np.isfinite(a[before]).sum()) for a in (record.wind_2m_m_s, record.rh_min_pct))
    return Climate(min(max(u2, 1.0), 6.0), min(max(rh, 20.0), 80.0), *days)


def basal_lines(spot: ZoneDay, climate: Climate) -> Iterator[Line]:
    """Climate, table values, site values, and the coefficient of the day."""
    yield from _climate_lines(climate)
    table, crop, planting = surface.basal(spot.crop), spot.crop, spot.planting
    by = "FAO-56 Table 17" if crop.kcb is not None else "from Kc: own choice after FAO-56 Tables 12 and 17"
    yield line(
        "basal coefficients of the table", "Kcb", None, "", "initial, mid-season, end",
        ", ".join(f"{kcb:.2f}" for kcb in table), by,
    )
    rise, fall = (spot.flat(a) for a in (spot.live.terms.flat.rise, spot.live.terms.flat.fall))
    site = {"mid-season": _of_site(spot, climate, table[1]), "end": _of_site(spot, climate, table[2])}
    for name in ["mid-season"] * (rise > 0) + ["end"] * (fall > 0):
        yield _site_line(spot, climate, name, table[1 if name == "mid-season" else 2], site[name])
    formula, numbers = _curve(table[0], site["mid-season"], site["end"], rise, fall)
    if planting.mulch == "film":
        formula, numbers = f"({formula}) (1 - film_kcb)", f"({numbers}) x (1 - {crop.film_kcb:.2f})"
    assert spot.ground is not None
    yield line(
        "basal coefficient", "Kcb", spot.flat(spot.ground.kcb), "", formula, numbers, f"{FAO} eq 66, 70"
    )


def _climate_lines(climate: Climate) -> Iterator[Line]:
    told = (
        ("wind that the coefficients go by", "u2", climate.u2, "m/s", climate.wind_days, "held to 1 .. 6"),
        ("humidity that they go by", "RHmin", climate.rh, "%", climate.rh_days, "held to 20 .. 80"),
    )
    for what, symbol, value, unit, days, limits in told:
        if days < LEAST_CLIMATE_DAYS:
            source = f"garden.yaml, else a usual value: only {days} of {CLIMATE_DAYS} days known"
        else:
            source = f"mean of {days} of the {CLIMATE_DAYS} days before"
        yield line(what, symbol, value, unit, limits, source=source)


def _of_site(spot: ZoneDay, climate: Climate, table: float) -> float:
    kcb = table + climate.adds(_height(spot)) if table >= ADJUST_FROM_KC else table
    cover = spot.planting.cover
    if cover is None or kcb <= surface.LEAST_KCB:
        return kcb
    closes = surface.density(cover, _height(spot))
    return surface.LEAST_KCB + closes * (kcb - surface.LEAST_KCB)


def _site_line(spot: ZoneDay, climate: Climate, name: str, table: float, value: float) -> Line:
    height, cover = _height(spot), spot.planting.cover
    formula, numbers, source = "Kcb", f"{table:.3f}", "below 0.45 it stays as it is"
    if table >= ADJUST_FROM_KC:
        formula, source = f"Kcb + {A_OF_H}", f"{FAO} eq 70"
        numbers = f"{table:.3f} + {climate.numbers(height)}"
    if cover is not None and value != table:
        closes = surface.density(cover, height)
        formula = f"0.15 + Kd ({formula} - 0.15), Kd = min(1, 1.5 cover, cover^(1 / (1 + h)))"
        numbers = f"0.15 + {closes:.4f} x ({numbers} - 0.15)"
        source += f"; cover {cover:.0%}: Allen and Pereira 2009 (from memory)"
    return line(f"{name} at this site", f"Kcb {name.split('-', maxsplit=1)[0]}", value, "", formula, numbers, source)


def _height(spot: ZoneDay) -> float:
    return surface.NO_HEIGHT_M if spot.crop.height_m is None else spot.crop.height_m


def _curve(ini: float, mid: float, end: float, rise: float, fall: float) -> tuple[str, str]:
    """eq 66 in symbols and in numbers, for a share passed of development and of the late season."""
    if fall > 0:
        return "mid + v (end - mid)", f"{mid:.4f} + {fall:.4f} x ({end:.4f} - {mid:.4f})"
    if rise >= 1:
        return "mid", f"{mid:.4f}"
    if rise > 0:
        return "ini + v (mid - ini)", f"{ini:.4f} + {rise:.4f} x ({mid:.4f} - {ini:.4f})"
    return "ini", f"{ini:.4f}"
