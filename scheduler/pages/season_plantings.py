"""What each planting of a season came to: what it asked for, went short of, and is expected to yield."""

from __future__ import annotations

from scheduler.core.arrays import Mm
from scheduler.core.balance.yields import worth_telling
from scheduler.model import Garden
from scheduler.pages.rounding import rounded
from scheduler.planning.season import Season
from scheduler.planning.season_yields import PlantingUse, planting_uses
from scheduler.shapes.season import SeasonPlanting

DECIMALS = 6


def plantings_of(garden: Garden, season: Season, short_use: Mm) -> list[SeasonPlanting]:
    """By date of planting, then as the zones stand in garden.yaml; short_use: (day, zone)."""
    return [_planting(garden, use) for use in planting_uses(season, short_use)]


def _planting(garden: Garden, use: PlantingUse) -> SeasonPlanting:
    planting, found = use.stand.planting, use.expected
    return {
        "zone": garden.zones[use.stand.zone].name,
        "crop": planting.crop.name,
        "planted": planting.planted.isoformat(),
        "etc_mm": rounded(use.asked_mm, DECIMALS),
        "short_use_mm": rounded(use.short_mm, DECIMALS),
        "ece_ds_m": rounded(use.ece.mean(), DECIMALS) if len(use.ece) else None,
        "yield_water": _share(found.water),
        "yield_salt": _share(found.salt),
        "yield": _share(found.both),
        "yield_told": worth_telling(planting.crop, found.both),
    }


def _share(value: float | None) -> float | None:
    return None if value is None else rounded(value, DECIMALS)
