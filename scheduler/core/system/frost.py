"""Crops that a night may have killed: the grower is asked, nothing is stopped (model M13)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from scheduler.core.balance.stands import stands
from scheduler.model import Location, Supply, Zone


@dataclass(frozen=True, slots=True)
class FrostNight:
    """A night colder than a standing crop is taken to bear."""

    zone: str
    crop: str
    morning: date  # on which the night ended
    tmin_c: float


def frost_nights(
    zones: Sequence[Zone], day: date, tmin_c: Mapping[date, float], location: Location, supply: Supply
) -> list[FrostNight]:
    """The crops to ask about on `day`: the night to it, or the one before, was below their `killed_below`.

    zones: with the plantings as they really were; a crop planted on `day` has not been out that night.
    tmin_c: minimum of each date, degC, taken to fall at its dawn; nan = unknown.  Of the night before more is
    known than on its own morning, when it was still a forecast.

    >>> from scheduler.model import Crop, Planting, Rows, Soil, Tape, Valve
    >>> bean = Crop("bean", 0.5, 1.05, 0.9, (15, 25, 25, 10), 0.15, 0.5, 0.45, killed_below_c=-1.0)
    >>> bed = Zone("bed", Tape("thin", 0.05), Soil("loam", 0.25, 0.12), None,
    ...            (Planting(bean, date(2026, 5, 1), None, Rows(4, 20, 0.6)),), Valve("by_hand", "x"), 0.6)
    >>> here, nights = Location(35.6, -82.4, 650.0, "UTC"), {date(2026, 5, 9): -1.5, date(2026, 5, 10): 3.0}
    >>> [found.morning.day for d in (9, 10, 11)
    ...  for found in frost_nights([bed], date(2026, 5, d), nights, here, Supply(30.0))]
    [9, 9]
    """
    found = []
    for stand in stands(zones, day, 1, location, supply):
        planting, limit = stand.planting, stand.planting.crop.killed_below_c
        for morning in (day, day - timedelta(days=1)):
            tmin = tmin_c.get(morning, float("nan"))
            if limit is not None and tmin < limit and planting.planted < morning:
                found.append(FrostNight(zones[stand.zone].name, planting.crop.name, morning, tmin))
                break
    return found
