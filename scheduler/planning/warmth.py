"""How far back temperatures are read: where a crop's stages or emergence go by warmth (models M10, M11)."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import date, timedelta

from scheduler.core.balance.heat import LEAST_YEARS
from scheduler.core.balance.sowing import MOST_SEEDBED_DAYS, started_by
from scheduler.model import Planting, Zone

SHORT_YEAR = timedelta(days=365)


def first_warm_day(zones: Iterable[Zone], start: date, last: date, stored_from: date) -> date:
    """The first day whose temperatures the days start..last need; `start` where none are needed before.

    stored_from: the first day with any weather.  Years are read only where a crop's heat is to be calibrated
    on them, and enough of them may be stored.
    """
    return min(
        (day for zone in zones for day in _wanted(zone.plantings, start, last, stored_from)), default=start
    )


def _wanted(plantings: Sequence[Planting], start: date, last: date, stored_from: date) -> Iterator[date]:
    for planting in _standing(plantings, start, last):
        heat = planting.crop.heat if planting.heat else None
        if planting.planted < stored_from:
            continue
        if heat is not None and heat.stages is None and _years(planting.planted, stored_from) >= LEAST_YEARS:
            yield stored_from
        if heat is not None or _may_be_a_seedbed(planting, start):
            yield min(planting.planted, start)


def _standing(plantings: Sequence[Planting], start: date, last: date) -> Iterator[Planting]:
    """Those that may stand on a day of start..last; the next planting ends one for good (model M3)."""
    for k, planting in enumerate(plantings):
        followers = [later.planted for later in plantings[k + 1 : k + 2]]
        over = min((end for end in (planting.pulled, *followers) if end is not None), default=None)
        if planting.planted <= last and (over is None or over > start):
            yield planting


def _years(planted: date, stored_from: date) -> int:
    """Most windows of a year each that may lie between, begun ones counted."""
    return (planted - stored_from) // SHORT_YEAR + 1


def _may_be_a_seedbed(planting: Planting, start: date) -> bool:
    return started_by(planting) == "seed" and start - planting.planted <= timedelta(days=MOST_SEEDBED_DAYS)
