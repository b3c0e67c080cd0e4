"""What each planting of a season came to: what it asked for, went short of, and is expected to yield."""

from __future__ import annotations

import numpy as np

from scheduler.core.arrays import BoolArray, Mm
from scheduler.core.balance.short_use import asked
from scheduler.core.balance.yields import expected_yield, worth_telling
from scheduler.model import Garden
from scheduler.pages.rounding import rounded
from scheduler.planning.season import Season
from scheduler.shapes.season import SeasonPlanting

DECIMALS = 6


def plantings_of(garden: Garden, season: Season, short_use: Mm) -> list[SeasonPlanting]:
    """By date of planting, then as the zones stand in garden.yaml; short_use: (day, zone)."""
    terms = season.terms
    wanted = asked(terms, season.balance)
    drying = terms.sowing.drying
    dry = np.zeros(len(terms.flat.day), dtype=bool) if drying is None else drying
    order = sorted(
        range(len(terms.stands)), key=lambda k: (terms.stands[k].planting.planted, terms.stands[k].zone)
    )
    return [_planting(garden, season, k, dry[terms.flat.days_of(k)], wanted, short_use) for k in order]


def _planting(
    garden: Garden, season: Season, k: int, dry: BoolArray, wanted: Mm, short_use: Mm
) -> SeasonPlanting:
    """Of stand k; dry: its days of drying off, which count nowhere but in the salt."""
    terms, apart = season.terms, season.balance.apart
    stand = terms.stands[k]
    days = slice(stand.begin, stand.end)
    etc, short = wanted[days, stand.zone][~dry], short_use[days, stand.zone][~dry]
    ece = np.zeros(0) if terms.salt is None or apart is None else apart.ece[days, stand.zone]
    stage = terms.flat.response_stage[terms.flat.days_of(k)][~dry]
    found = expected_yield(stand.planting.crop, short_use=short, asked=etc, stage=stage, ece=ece)
    return {
        "zone": garden.zones[stand.zone].name,
        "crop": stand.planting.crop.name,
        "planted": stand.planting.planted.isoformat(),
        "etc_mm": rounded(etc.sum(), DECIMALS),
        "short_use_mm": rounded(short.sum(), DECIMALS),
        "ece_ds_m": rounded(ece.mean(), DECIMALS) if len(ece) else None,
        "yield_water": _share(found.water),
        "yield_salt": _share(found.salt),
        "yield": _share(found.both),
        "yield_told": worth_telling(stand.planting.crop, found.both),
    }


def _share(value: float | None) -> float | None:
    return None if value is None else rounded(value, DECIMALS)
