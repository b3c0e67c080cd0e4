"""The balance with evaporation apart held against the slow scalar model, on gardens drawn at random.

`second_model` shares no line with the core; every number here is drawn, none is a fact of the trade.  Numbers
come from a seeded generator and have no round values, so that no decision lies on the edge.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import numpy as np
import pytest
from core import gardens as g
from core import second_model as m

from scheduler.core.balance.et import fill, reference_et
from scheduler.core.balance.pulses import pulses
from scheduler.core.balance.rule import RefillRule
from scheduler.core.balance.short_use import short_use
from scheduler.core.balance.soil import run
from scheduler.core.balance.stored import stored
from scheduler.core.balance.terms import terms
from scheduler.model import (
    Crop,
    DryOff,
    Emergence,
    HeatUnits,
    Planting,
    Rows,
    Settle,
    Shelter,
    Soil,
    Supply,
    Tape,
    WeatherDays,
    Zone,
)

RECORDS = ("seattle", "holyoke", "de_bilt", "davis")
SOILS = (
    (Soil("sand", 0.12, 0.045, "coarse", rew_mm=7.0)),
    (Soil("loam", 0.25, 0.12, "medium", rew_mm=10.0)),
    (Soil("clay", 0.36, 0.22, "fine", rew_mm=10.0)),
)
STAGES = ("development", "mid-season", "late season")


def crop(rng: np.random.Generator) -> Crop:
    def maybe(value: Any, share: float = 0.5) -> Any:
        return value if rng.random() < share else None

    start, base = rng.uniform(0.08, 0.3), rng.uniform(2, 10)
    sums = tuple(np.cumsum(rng.uniform(80, 500, 4)).tolist())
    return Crop(
        "crop", 0.5, rng.uniform(0.4, 1.2), rng.uniform(0.3, 1.1),
        tuple(int(n) for n in rng.integers(0, 40, 4) + [1, 0, 0, 0]) if rng.random() < 0.2
        else tuple(int(n) for n in rng.integers(8, 40, 4)),
        start, start + rng.uniform(0, 0.8), rng.uniform(0.2, 0.6), maybe(rng.uniform(0.1, 2.5)),
        ec_threshold_ds_m=maybe(rng.uniform(0.5, 3)), hold_last_stage=bool(rng.random() < 0.7),
        kcb=maybe((0.15, rng.uniform(0.3, 1.15), rng.uniform(0.2, 0.9))), film_kcb=rng.uniform(0.05, 0.15),
        by=rng.choice(["seed", "transplants", "sets"]), seed_depth_m=rng.uniform(0.005, 0.06),
        emergence=maybe(Emergence(rng.uniform(30, 150), rng.uniform(1, 12))),
        dry_off=maybe(DryOff(int(rng.integers(3, 20)), maybe(rng.uniform(0.6, 1.2)))),
        ec_slope_pct=rng.uniform(4, 30),
        heat=maybe(HeatUnits(base, maybe(base + rng.uniform(12, 25)), rng.choice(["sine", "average"]),
                             maybe(sums))),
    )  # fmt: skip


def planting(rng: np.random.Generator, planted: date, rows: Rows | None) -> Planting:
    def maybe(value: Any, share: float = 0.3) -> Any:
        return value if rng.random() < share else None

    kind = crop(rng)
    seen = sorted(int(n) for n in rng.integers(4, 80, 3))
    observed = tuple(
        (stage, planted + timedelta(days=day))
        for stage, day in zip(STAGES, seen, strict=True)
        if rng.random() < 0.3
    )
    if len({day for _, day in observed}) < len(observed):
        observed = observed[:1]
    rows = rows or Rows(
        int(rng.integers(1, 9)), rng.uniform(5, 40), rng.uniform(0.4, 2), int(rng.integers(1, 3))
    )
    return Planting(
        kind, planted, None, rows, own_rows=True, mulch=rng.choice(["none", "film", "straw"]),
        measured_flow_lpm=rng.uniform(2, 40), by=maybe(rng.choice(["seed", "transplants", "sets"])),
        settle=maybe(Settle(int(rng.integers(2, 15)), maybe(int(rng.integers(1, 4))),
                            maybe(rng.uniform(5, 40))), 0.5),
        seed_depth_m=maybe(rng.uniform(0.005, 0.06)), harvest=maybe(planted + timedelta(days=90)),
        cover=maybe(rng.uniform(0.2, 1.0)), mulch_cover=maybe(rng.uniform(0.3, 1.0)),
        shelter=maybe(Shelter("tunnel", rng.uniform(0.6, 0.9), bool(rng.random() < 0.5),
                              planted + timedelta(days=int(rng.integers(1, 60))))),
        heat=bool(rng.random() < 0.8), observed=observed,
    )  # fmt: skip


def zone(rng: np.random.Generator, first: date) -> Zone:
    def maybe(value: Any, share: float = 0.3) -> Any:
        return value if rng.random() < share else None

    found: list[Planting] = []
    planted = first + timedelta(days=int(rng.integers(-10, 30)))
    for _ in range(int(rng.integers(1, 4))):
        one = planting(rng, planted, found[-1].rows if found and rng.random() < 0.5 else None)
        planted += timedelta(days=int(rng.integers(30, 150)))
        pulled = planted - timedelta(days=int(rng.integers(0, 40)))
        found.append(replace(one, pulled=maybe(pulled, 0.8) if pulled > one.planted else None))
    return g.zone(
        *found, tape=Tape("thin", 0.05), soil=SOILS[int(rng.integers(3))], wetted_width_m=rng.uniform(0.3,
        0.9),
        uniformity=rng.uniform(0.75, 0.97), tape_depth_m=rng.choice([0.0, rng.uniform(0, 0.25)]),
        wet_band_m=maybe(rng.uniform(0.02, 0.3)), surface_run_minutes=maybe(rng.uniform(10, 50)),
        soil_ec_ds_m=rng.uniform(0.5, 3), refill_at=rng.uniform(0.3, 1), leave_room_mm=maybe(rng.uniform(0,
        4)) or 0,
        shortest_run_minutes=rng.uniform(2, 15), longest_run_minutes=maybe(rng.uniform(30, 90)),
        fill_time_minutes=maybe(rng.uniform(0, 4)) or 0, rain_capture=maybe(rng.uniform(0.1, 1)),
        runoff=maybe(rng.uniform(0, 0.4)) or 0, starting_deficit_mm=maybe(rng.uniform(0, 30)),
        longest_pulse_minutes=maybe(rng.uniform(8, 40)),
    )  # fmt: skip


def slow_zone(zone: Zone) -> m.Zone:
    def slow(p: Planting) -> m.Planting:
        c, heat = p.crop, p.crop.heat
        dry, coarse = p.dry_off or c.dry_off, zone.soil.texture_group == "coarse"
        return m.Planting(
            m.Crop(
                c.name, c.stage_days, c.kcb or m.without_kcb(c.kc_mid, c.kc_end), c.root_start_m,
                c.root_full_m,
                c.depletion, c.height_m, c.film_kcb, c.by, c.seed_depth_m,
                None if c.emergence is None else (c.emergence.sum_c, c.emergence.base_c),
                None if heat is None else m.Heat(heat.base_c, heat.upper_c, heat.method, heat.stages),
                (dry.days, dry.refill_at) if dry else (0, None), c.ec_threshold_ds_m, c.ec_slope_pct,
            ),
            p.planted, p.rows.length_m, p.rows.count, p.rows.spacing_m, p.rows.tapes,
            p.measured_flow_lpm or 0.0,
            p.pulled, p.mulch, p.mulch_cover, p.by, p.seed_depth_m,
            None if p.settle is None
            else (p.settle.days, p.settle.every_days or (1 if coarse else 2), p.settle.run_minutes),
            p.harvest,
            p.cover,
            None if p.shelter is None or p.shelter.until is None
            else (p.shelter.et0_factor, p.shelter.keeps_rain_out, p.shelter.until),
            not p.heat, dict(p.observed), c.hold_last_stage,
        )  # fmt: skip

    soil = zone.soil
    return m.Zone(
        zone.name, m.Soil(soil.theta_fc, soil.theta_wp, soil.texture_group, soil.rew_mm),
        [slow(p) for p in zone.plantings], zone.wetted_width_m, zone.uniformity or 0.9, zone.tape_depth_m,
        zone.wet_band_m, zone.surface_run_minutes, zone.soil_ec_ds_m, zone.refill_at, zone.leave_room_mm,
        zone.shortest_run_minutes, zone.longest_run_minutes, zone.fill_time_minutes, zone.rain_capture,
        zone.runoff, zone.starting_deficit_mm, zone.longest_pulse_minutes,
    )  # fmt: skip


def some_days(name: str, rng: np.random.Generator) -> WeatherDays:
    """A year and a half of a record, now and then without wind."""
    record = g.recorded(name)
    begin = int(rng.integers(0, max(len(record) - 560, 1)))
    days = slice(begin, min(begin + 560, len(record)))
    columns = {
        field: getattr(record, field)[days].copy()
        for field in ("tmin_c", "tmax_c", "tdew_c", "rh_mean_pct", "rh_min_pct", "rh_max_pct", "wind_m_s",
                      "wind_height_m", "solar_mj_m2", "sunshine_h", "rain_mm", "rain_chance_pct")
    }  # fmt: skip
    for name in ("tmin_c", "tmax_c"):  # the slow model knows no day without temperatures
        last = np.maximum.accumulate(np.where(np.isnan(columns[name]), 0, np.arange(len(columns[name]))))
        columns[name] = columns[name][last]
    columns["tmax_c"] = np.maximum(columns["tmax_c"], columns["tmin_c"])
    if rng.random() < 0.3:
        columns["wind_m_s"][:] = np.nan
    return replace(record, first=record.first + timedelta(days=begin), came_from={}, **columns)


@pytest.mark.parametrize("seed", range(24))
def test_every_figure_of_a_garden_drawn_at_random(seed: int) -> None:
    rng = np.random.default_rng(seed)
    name = RECORDS[seed % len(RECORDS)]
    days = some_days(name, rng)
    first = days.first + timedelta(days=int(rng.integers(0, 60)))
    last = min(days.last, first + timedelta(days=400))
    site = g.location_of(name)
    et = fill(reference_et(days, site), max(first, days.first), last)
    record = stored(days, et)
    zones = tuple(replace(zone(rng, first), name=f"zone {k}") for k in range(3))
    zones = tuple(replace(z, valve=replace(z.valve, key=z.name)) for z in zones)
    supply = Supply(40.0, ec_ds_m=rng.uniform(0.5, 5) if rng.random() < 0.5 else None)
    begin = (first - days.first).days
    span = slice(begin, begin + (last - first).days + 1)
    laid_out = terms(
        zones, first, et.et0_mm[span], record.rain_mm[span], location=site, supply=supply, coefficient="dual",
        record=record,
    )  # fmt: skip
    starting = np.array([z.starting_deficit_mm for z in zones], dtype=np.float64)
    done = run(laid_out, starting_deficit=starting, rule=RefillRule.of(zones))
    assert done.apart is not None
    assert laid_out.ground is not None
    own = {
        "deficit_start_mm": done.deficit_start, "deficit_end_mm": done.deficit_end, "net_mm": done.irrigation,
        "minutes": done.minutes, "etc_mm": done.eta, "ks": done.ks, "percolation_mm": done.percolation,
        "evaporation_mm": done.apart.evaporation, "use_mm": done.apart.use, "kc": done.apart.kc,
        "surface_mm": done.apart.surface, "middle_mm": done.apart.middle, "sprinkle_mm": done.apart.sprinkle,
        "taw_mm": laid_out.taw, "raw_mm": laid_out.raw, "rain_eff_mm": laid_out.rain_eff,
        "kcb": laid_out.spread(laid_out.ground.kcb), "cover": laid_out.spread(laid_out.ground.cover),
        "short_use_mm": short_use(laid_out, done), "pulses": pulses(zones, laid_out, done),
        "ece_ds_m": done.apart.ece,
    }  # fmt: skip
    slow = m.Weather(
        days.first, np.nan_to_num(et.et0_mm).tolist(), record.rain_mm.tolist(), *(
            [None if np.isnan(v) else float(v) for v in column]
            for column in (record.tmin_c, record.tmax_c, record.wind_2m_m_s, record.rh_min_pct)
        ),
    )  # fmt: skip
    stood = 0
    for z, one in enumerate(zones):
        walk = m.Walk(slow_zone(one), slow, site.wind_2m_m_s, site.rh_min_pct, supply.ec_ds_m)
        for row in walk.run(first, last):
            d = (date.fromisoformat(str(row["date"])) - first).days
            assert laid_out.standing[d, z]
            for column, values in own.items():
                if column in row:
                    near = pytest.approx(row[column], rel=1e-9, abs=1e-9)
                    assert values[d, z] == near, (column, row["date"], row["day"], row["stage"], one.name)
            stood += 1
    assert stood == int(laid_out.standing.sum()) > 100
