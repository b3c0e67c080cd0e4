"""The season page: totals per zone and one record per standing zone-day."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import timedelta
from typing import Any, cast

import numpy as np

from scheduler.core.arrays import BoolArray, CodeArray, FloatArray, IntArray
from scheduler.core.balance import crop as crops
from scheduler.core.balance.et import METHODS
from scheduler.core.balance.pulses import pulses
from scheduler.core.balance.short_use import short_use, stressed
from scheduler.core.balance.terms import Terms
from scheduler.model import Garden
from scheduler.pages.rounding import known, rounded
from scheduler.pages.season_plantings import plantings_of
from scheduler.planning.season import Season
from scheduler.planning.timer import flow_lpm
from scheduler.shapes.season import SeasonDay, SeasonPage, SeasonTotal

DECIMALS = 6


def season_page(garden: Garden, season: Season) -> SeasonPage:
    columns = _columns(garden, season)
    return {
        "garden": garden.name,
        "from": season.first.isoformat(),
        "to": season.last.isoformat(),
        "foresight": season.foresight,
        "unlimited": season.unlimited,
        "zones": {zone.name: _total(season, columns, z, zone.name) for z, zone in enumerate(garden.zones)},
        "plantings": plantings_of(garden, season, columns["short_use_mm"]),
        "days": _records(garden, season, columns),
        "notices": [{"level": n.level, "text": n.text, "kind": n.kind} for n in season.notices],
    }


def _total(season: Season, columns: Mapping[str, FloatArray], z: int, name: str) -> SeasonTotal:
    """Of one zone, on the days on which a crop stands."""
    standing = season.terms.standing[:, z]

    def total(column: str) -> float:
        return rounded(columns[column][standing, z].sum(), DECIMALS) if column in columns else 0.0

    def days(column: str) -> int:
        return int(np.count_nonzero(columns[column][standing, z])) if column in columns else 0

    minutes = columns["minutes"][standing, z]
    found: SeasonTotal = {
        "liters": total("liters"),
        "gross_mm": total("gross_mm"),
        "net_mm": total("net_mm"),
        "rain_mm": total("rain_mm"),
        "etc_mm": total("etc_mm"),
        "percolation_mm": total("percolation_mm"),
        "short_use_mm": total("short_use_mm"),
        "evaporation_mm": total("evaporation_mm"),
        "stress_days": int(np.count_nonzero(stressed(season.terms, season.balance)[:, z])),
        "sprinkle_days": days("sprinkle_mm"),
        "runs": days("minutes"),
        "minutes": float(minutes.sum()),
        "longest_minutes": float(minutes.max(initial=0)),
    }
    if season.short is not None:
        found["short_days"] = season.short.get(name, 0)
    return found


def _columns(garden: Garden, season: Season) -> dict[str, FloatArray]:
    """(day, zone) arrays under the names of the page."""
    terms, balance = season.terms, season.balance
    flat = terms.flat
    flow = flow_lpm(terms)
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
        **_of_surface(season),
        "short_use_mm": short_use(terms, balance),
        "pulses": pulses(garden.zones, terms, balance).astype(np.float64),
        "dry_off": _days_laid_out(terms, terms.sowing.drying),
        **({} if terms.salt is None or balance.apart is None else {"ece_ds_m": balance.apart.ece}),
    }


def _of_surface(season: Season) -> dict[str, FloatArray]:
    """Evaporation and the crop's own use, where they are kept apart."""
    terms, ground, apart = season.terms, season.terms.ground, season.balance.apart
    if ground is None or apart is None:
        return {}
    return {
        "kc": apart.kc,
        "kcb": terms.spread(ground.kcb),
        "cover": terms.spread(ground.cover),
        "evaporation_mm": apart.evaporation,
        "use_mm": apart.use,
        "surface_mm": apart.surface,
        "middle_mm": apart.middle,
        "seedbed": _days_laid_out(terms, terms.sowing.seedbed),
        "sprinkle_mm": apart.sprinkle,
    }


def _days_laid_out(terms: Terms, flat: BoolArray | None) -> FloatArray:
    """(day, zone) 1 on such days, else 0."""
    return np.zeros(terms.stand.shape) if flat is None else terms.spread(flat.astype(np.float64))


WHOLE: dict[str, type] = {"pulses": int, "seedbed": bool, "dry_off": bool}


def _records(garden: Garden, season: Season, columns: Mapping[str, FloatArray]) -> list[SeasonDay]:
    """Day after day, in each the zones in which a crop stands."""
    terms = season.terms
    days, zones = np.nonzero(terms.standing)
    dates = [(season.first + timedelta(days=i)).isoformat() for i in range(terms.stand.shape[0])]
    names = [zone.name for zone in garden.zones]
    stands = [terms.stands[stand] for stand in terms.stand[days, zones].tolist()]
    methods = season.et.method[season.offset :][days]
    texts: dict[str, list[Any]] = {
        "date": [dates[day] for day in days.tolist()],
        "zone": [names[zone] for zone in zones.tolist()],
        "crop": [stand.planting.crop.name for stand in stands],
        "stage": [crops.STAGES[stage] for stage in _whole(terms, terms.flat.stage)],
        "day": _whole(terms, terms.flat.day_no),
    }
    numbers = {
        name: np.round(column[days, zones], DECIMALS).astype(WHOLE.get(name, float)).tolist()
        for name, column in columns.items()
    }
    values = {
        **texts,
        "et0_mm": numbers.pop("et0_mm"),
        "et0_method": [METHODS[code] for code in methods.tolist()],
        **numbers,
    }
    rows = [dict(zip(values, row, strict=True)) for row in zip(*values.values(), strict=True)]
    triggers = season.terms.trigger[days, zones].tolist()
    for row, trigger in zip(rows, triggers, strict=True):
        row["trigger_mm"] = known(trigger)
    for row, stand, x in zip(rows, stands, _standing(terms, terms.flat.x).tolist(), strict=True):
        if stand.fixed.pace.sums is not None:
            row["heat_c"] = round(x, DECIMALS)
    return cast("list[SeasonDay]", rows)  # the columns are named as its keys


def _standing(terms: Terms, flat: FloatArray) -> FloatArray:
    """The standing days' values in the order of the records."""
    return terms.spread(flat)[terms.standing]


def _whole(terms: Terms, flat: IntArray | CodeArray) -> list[int]:
    """Whole numbers of the standing days, from their flat form."""
    found: list[int] = _standing(terms, flat.astype(np.float64)).astype(int).tolist()
    return found
