"""Which single change of the supply would have carried a season: the season planned again with each."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta
from typing import Literal

import numpy as np

from scheduler.core.balance.short_use import stressed
from scheduler.model import Garden, Hours, Supply, WateringDays, WeatherDays
from scheduler.planning.foresight import simulate_ahead

Change = Literal["longer hours", "every day", "more flow"]
MORE_MINUTES = (60, 120)
MORE_FLOW = (1.1, 1.25, 1.5)
ENOUGH = 0.1
"""With at most this share of the stressed days left a change counts as mending (own choice)."""


@dataclass(frozen=True, slots=True)
class SeasonChange:
    """One change by itself, and the days on which a crop was short of water, summed over zones."""

    change: Change
    amount: float  # minutes a day, or L/min more; 0 for every day
    before: int
    after: int

    @property
    def enough(self) -> bool:
        return self.after <= ENOUGH * self.before


def season_changes(garden: Garden, weather: WeatherDays, first: date, last: date) -> list[SeasonChange]:
    """The best first: of each kind the smallest that mends the season, else its largest; [] without stress.

    Each zone by its own trigger within hours, days, caps and flow, on the weather that came: not the plans
    that were really made.
    """

    def days_short(supply: Supply) -> int:
        season = simulate_ahead(replace(garden, supply=supply), weather, "none", first=first, last=last)
        return int(np.count_nonzero(stressed(season.terms, season.balance)))

    before = days_short(garden.supply)
    best: dict[Change, SeasonChange] = {}
    for change, amount, supply in _trials(garden.supply) if before else ():
        if change not in best or not best[change].enough:
            best[change] = SeasonChange(change, amount, before, days_short(supply))
    return sorted(best.values(), key=lambda one: (not one.enough, one.after))


def _trials(supply: Supply) -> Iterator[tuple[Change, float, Supply]]:
    for more in MORE_MINUTES:
        if (hours := _longer(supply.hours, more)) is not None:
            yield "longer hours", more, replace(supply, hours=hours)
    if supply.days != WateringDays():
        yield "every day", 0.0, replace(supply, days=WateringDays())
    for factor in MORE_FLOW:
        yield (
            "more flow",
            supply.usable_lpm * (factor - 1),
            replace(supply, flow_lpm=supply.flow_lpm * factor),
        )


def _longer(hours: tuple[Hours, ...], minutes: int) -> tuple[Hours, ...] | None:
    """The last window ends later; None where that would pass midnight."""
    last = hours[-1]
    if last.until <= last.begin:
        return None
    until = datetime.combine(date.min, last.until) + timedelta(minutes=minutes)
    if until.date() != date.min or until.time() == time(0):
        return None
    return (*hours[:-1], last._replace(until=until.time()))
