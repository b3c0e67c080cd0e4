"""A plot of one zone, as plain as the core allows: what an example does not speak of changes nothing."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import numpy as np

from scheduler.core.arrays import FloatArray, Mm
from scheduler.core.balance.stored import Stored
from scheduler.core.balance.terms import Terms, terms
from scheduler.model import Crop, Location, Planting, Rows, Soil, Supply, Tape, Valve, Zone

FIRST = date(2023, 4, 1)
HERE = Location(latitude_deg=35.6, longitude_deg=-82.4, elevation_m=650.0, timezone="UTC")
LOAM = Soil("loam", theta_fc=0.25, theta_wp=0.12)
CROP = Crop(
    "crop", kc_ini=1.0, kc_mid=1.0, kc_end=1.0, stage_days=(0, 0, 100, 0), root_start_m=0.5, root_full_m=0.5,
    depletion=0.5, kcb=(1.0, 1.0, 1.0), film_kcb=0.0, film_factor=0.0, hold_last_stage=True,
)  # fmt: skip
"""Full grown from its first day on, roots and all, with a coefficient of 1."""


def crop(**figures: Any) -> Crop:
    """CROP with other figures."""
    return replace(CROP, **figures)


def rows(spacing_m: float = 1.0, tapes: float = 1) -> Rows:
    return Rows(count=1, length_m=10.0, spacing_m=spacing_m, tapes=int(tapes))


def planting(of: Crop = CROP, planted: date = FIRST, **more: Any) -> Planting:
    return Planting(of, planted, None, **{"rows": rows(), "own_rows": True, **more})


def zone(*plantings: Planting, name: str = "bed", soil: Soil = LOAM, **more: Any) -> Zone:
    settings = {"wetted_width_m": 1.0, "starting_deficit_mm": None, "uniformity": 1.0, **more}
    tape = Tape("tape", flow_lpm_per_m=0.05)
    return Zone(name, tape, soil, None, plantings, Valve("by_hand", f"by_hand:{name}"), **settings)


def laid_out(of: Zone, *, et0_mm: Mm, rain_mm: Mm | None = None, record: Stored | None = None) -> Terms:
    """Terms of a zone over days from FIRST on, evaporation apart, in calm air (2 m/s, 45 %)."""
    rain = np.zeros(len(et0_mm)) if rain_mm is None else rain_mm
    known = _with_days_before(et0_mm, rain) if record is None else record
    return terms(
        (of,), FIRST, et0_mm, rain, location=HERE, supply=Supply(flow_lpm=100.0), coefficient="dual",
        record=known,
    )  # fmt: skip


def _with_days_before(et0_mm: Mm, rain_mm: Mm) -> Stored:
    nothing = np.full(len(et0_mm), np.nan)
    return Stored(FIRST, et0_mm, rain_mm, nothing, nothing, nothing, nothing)


def of_one_coefficient(of: Zone, *, et0_mm: Mm, location: Location = HERE) -> Terms:
    """Terms of a zone over days from FIRST on, no rain, one crop coefficient."""
    return terms(
        (of,), FIRST, et0_mm, np.zeros(len(et0_mm)), location=location, supply=Supply(flow_lpm=100.0)
    )


def one(value: float) -> FloatArray:
    """A number as the array of one day or one zone."""
    return np.array([value], dtype=np.float64)


def with_flow(of: Zone, lpm_per_m: float) -> Zone:
    """The zone with a tape of another flow."""
    return replace(of, tape=replace(of.tape, flow_lpm_per_m=lpm_per_m))


def after_rain(rain_mm: float, *, et0_mm: Mm) -> Stored:
    """A record whose days from FIRST on follow a day on which only this rain fell."""
    days = 1 + len(et0_mm)
    unknown = np.full(days, np.nan)
    return Stored(
        FIRST - timedelta(days=1), np.concatenate([[0.0], et0_mm]), np.array([rain_mm] + [0.0] * len(et0_mm)),
        unknown, unknown, unknown, unknown,
    )  # fmt: skip
