"""The season page: totals per zone and one record per standing zone-day."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import numpy as np

from scheduler.core.arrays import FloatArray
from scheduler.core.balance import crop as crops
from scheduler.core.balance.et import METHODS
from scheduler.model import Garden
from scheduler.planning.season import Season

DECIMALS = 6
SUMMED = ("liters", "gross_mm", "net_mm", "rain_mm", "etc_mm", "percolation_mm")


def season_page(garden: Garden, season: Season) -> dict[str, Any]:
    columns = _columns(garden, season)
    names = [zone.name for zone in garden.zones]
    keep = season.terms.standing
    totals = {}
    for z, name in enumerate(names):
        mine = keep[:, z]
        minutes = columns["minutes"][mine, z]
        totals[name] = {key: round(float(columns[key][mine, z].sum()), DECIMALS) for key in SUMMED} | {
            "stress_days": int(np.count_nonzero(columns["ks"][mine, z] < 1)),
            "runs": int(np.count_nonzero(minutes > 0)),
            "minutes": float(minutes.sum()),
            "longest_minutes": float(minutes.max(initial=0)),
        }
    return {
        "garden": garden.name,
        "from": season.first.isoformat(),
        "to": season.last.isoformat(),
        "foresight": dict(season.foresight),
        "zones": totals,
        "days": _records(garden, season, columns),
        "notices": [{"level": "info", "text": text} for text in season.notices],
    }


def _columns(garden: Garden, season: Season) -> dict[str, FloatArray]:
    """(day, zone) arrays under the names of the page."""
    terms, balance = season.terms, season.balance
    flat = terms.flat
    flow = np.array([s.delivery.flow_lpm for s in terms.stands] + [0.0])[terms.stand]
    area = np.array([s.planting.rows.area_m2 for s in terms.stands] + [1.0])[terms.stand]
    fill = np.array([zone.fill_time_minutes for zone in garden.zones])
    shape = terms.stand.shape
    ones = np.ones(shape)
    return {
        "et0_mm": season.et.et0_mm[season.offset : season.offset + shape[0], None] * ones,
        "kc": terms.spread(flat.kc),
        "ks": balance.ks,
        "etc_mm": balance.eta,
        "rain_mm": season.rain_mm[:, None] * ones,
        "rain_eff_mm": terms.rain_eff,
        "root_depth_m": terms.spread(flat.root_depth),
        "taw_mm": terms.taw,
        "raw_mm": terms.raw,
        "deficit_start_mm": balance.deficit_start,
        "deficit_end_mm": balance.deficit_end,
        "net_mm": balance.irrigation,
        "gross_mm": np.maximum(balance.minutes - fill, 0) * flow / area,
        "liters": balance.minutes * flow,
        "minutes": balance.minutes,
        "percolation_mm": balance.percolation,
    }


def _records(garden: Garden, season: Season, columns: dict[str, FloatArray]) -> list[dict[str, Any]]:
    terms = season.terms
    day_no = terms.spread(terms.flat.day_no.astype(np.float64))
    stage = terms.spread(terms.flat.stage.astype(np.float64))
    days, zones = np.nonzero(terms.standing)
    values = {key: np.round(column[days, zones], DECIMALS).tolist() for key, column in columns.items()}
    numbers, stages = day_no[days, zones].astype(int).tolist(), stage[days, zones].astype(int).tolist()
    methods = [METHODS[code] for code in season.et.method[season.offset :][days]]
    stands = terms.stand[days, zones].tolist()
    dates = [(season.first + timedelta(days=i)).isoformat() for i in range(terms.stand.shape[0])]
    keys = list(values)
    return [
        {
            "date": dates[day],
            "zone": garden.zones[zone].name,
            "crop": terms.stands[stand].planting.crop.name,
            "stage": crops.STAGES[stage_no],
            "day": number,
            "et0_mm": row[0],
            "et0_method": method,
        }
        | dict(zip(keys[1:], row[1:], strict=True))
        for day, zone, stand, stage_no, number, method, *row in zip(
            days.tolist(), zones.tolist(), stands, stages, numbers, methods, *values.values(), strict=True
        )
    ]
