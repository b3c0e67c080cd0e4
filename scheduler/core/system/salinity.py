"""What salty water asks of the grower beside leaching (model M12)."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date, timedelta

import numpy as np

from scheduler.core.arrays import Mm
from scheduler.model import Planting, Zone

SALTY_DS_M = 0.7
"""From this ECw on salt restricts the use of water slightly to moderately (FAO-29, Table 1; from memory)."""
DRY_SPELL_DAYS, DRY_SPELL_MM = 10, 2.0
"""A dry spell: so many days with no more rain together (own choice)."""
LIGHT_RAIN_MM = (1.0, 12.7)
"""Enough to move the salt at the strip's edge, too little to wash it below the roots (own choice)."""
TOLD_BEFORE_PLANTING_DAYS = 3


def is_salty(water_ec_ds_m: float | None) -> bool:
    """Whether salt is to be thought of at all; False where the salinity of the water is not given.

    >>> [is_salty(ec) for ec in (None, 0.3, 0.7)]
    [False, False, True]
    """
    return water_ec_ds_m is not None and water_ec_ds_m >= SALTY_DS_M


def light_rain_after_dry_spell(before: Mm, today_mm: float) -> bool:
    """Whether today's rain would carry the salt at the strip's edge to the roots and leave it there.

    before: (day,) mm of the days up to yesterday, DRY_SPELL_DAYS of them at least; nan counts as 0.
    From memory: the drip is run through such a rain.

    >>> dry = np.zeros(10)
    >>> [light_rain_after_dry_spell(dry, mm) for mm in (0.5, 4.0, 30.0)]
    [False, True, False]
    >>> light_rain_after_dry_spell(np.array([0.0] * 9 + [5.0]), 4.0)
    False
    """
    lightest, heaviest = LIGHT_RAIN_MM
    if len(before) < DRY_SPELL_DAYS or not lightest <= today_mm <= heaviest:
        return False
    return bool(np.nansum(before[-DRY_SPELL_DAYS:]) <= DRY_SPELL_MM)


def planted_soon(zones: Sequence[Zone], day: date) -> Iterator[tuple[Zone, Planting]]:
    """Plantings of today and of the next TOLD_BEFORE_PLANTING_DAYS days."""
    until = day + timedelta(days=TOLD_BEFORE_PLANTING_DAYS)
    for zone in zones:
        yield from ((zone, planting) for planting in zone.plantings if day <= planting.planted <= until)
