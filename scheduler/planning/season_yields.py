"""What each planting of a season asked for, went short of, and is expected to yield (model M15)."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from scheduler.core.arrays import BoolArray, FloatArray, Mm
from scheduler.core.balance.short_use import asked
from scheduler.core.balance.stands import Stand
from scheduler.core.balance.yields import Yield, expected_yield
from scheduler.planning.season import Season


@dataclass(frozen=True, slots=True)
class PlantingUse:
    stand: Stand
    asked_mm: float  # outside drying off, as is short_mm
    short_mm: float
    ece: FloatArray  # dS/m of all its days; empty where no salt is reckoned with
    expected: Yield


def planting_uses(season: Season, short_use: Mm) -> Iterator[PlantingUse]:
    """By date of planting, then as the zones stand in garden.yaml; short_use: (day, zone) mm."""
    terms = season.terms
    wanted = asked(terms, season.balance)
    drying = terms.sowing.drying
    dry = np.zeros(len(terms.flat.day), dtype=bool) if drying is None else drying
    order = sorted(
        range(len(terms.stands)), key=lambda k: (terms.stands[k].planting.planted, terms.stands[k].zone)
    )
    for k in order:
        yield _use(season, k, dry[terms.flat.days_of(k)], wanted, short_use)


def _use(season: Season, k: int, dry: BoolArray, wanted: Mm, short_use: Mm) -> PlantingUse:
    """Of stand k; dry: its days of drying off, which count nowhere but in the salt."""
    terms, apart = season.terms, season.balance.apart
    stand = terms.stands[k]
    days = slice(stand.begin, stand.end)
    etc, short = wanted[days, stand.zone][~dry], short_use[days, stand.zone][~dry]
    ece = np.zeros(0) if terms.salt is None or apart is None else apart.ece[days, stand.zone]
    stage = terms.flat.response_stage[terms.flat.days_of(k)][~dry]
    found = expected_yield(stand.planting.crop, short_use=short, asked=etc, stage=stage, ece=ece)
    return PlantingUse(stand, float(etc.sum()), float(short.sum()), ece, found)
