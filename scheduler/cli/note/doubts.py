"""Values that are possible and unlikely: asked about at a terminal, refused elsewhere unless `--yes` says so.

The limits are common practice, no source.
"""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

import click

from scheduler.cli import common
from scheduler.dates import spoken
from scheduler.errors import BadInput
from scheduler.show import show_depth, show_minutes, show_volume

if TYPE_CHECKING:
    from scheduler.model import Garden
    from scheduler.store.store import Store

MOST_RAIN_MM_A_DAY = 250.0
LONGEST_RUN_MINUTES = 360.0
DAY_MINUTES = 1440.0
MOST_SUPPLY_DAYS = 2.0
"""A volume that the supply brings in more days than that is not one day's, whatever else fed the zone."""
MOST_DAYS_BACK = 120
MOST_DAYS_AHEAD = 7


def ask_if_meant(doubt: str | None, *, sure: bool) -> None:
    """Go on where there is no doubt, or the grower says it is meant; BadInput, and nothing noted, else."""
    if doubt is None or sure:
        return
    if not common.asking_is_possible():
        raise BadInput(f"{doubt}: nothing was noted", hint="if it is meant, say so with --yes")
    if not click.confirm(f"{doubt}. Is that meant?"):
        raise BadInput("nothing was noted")


def date_doubt(store: Store, day: date, today: date) -> str | None:
    """Of a day long past or far ahead; a plan that was made for a day counts as being there."""
    newest = store.newest_plan()
    around = (today,) if newest is None else (today, newest.day)
    back, ahead = (min(around) - day).days, (day - max(around)).days
    if back > MOST_DAYS_BACK:
        return f"{spoken(day)} is {back} days ago"
    if ahead > MOST_DAYS_AHEAD:
        return f"{spoken(day)} is {ahead} days ahead"
    return None


def refuse_impossible_water(garden: Garden, minutes: float | None, liters: float | None) -> None:
    """BadInput for what no day can hold, meant or not."""
    if minutes is not None and minutes > DAY_MINUTES:
        raise BadInput(
            f"{show_minutes(minutes)} is longer than a day", hint="note each day's water by itself: --date"
        )
    most = MOST_SUPPLY_DAYS * DAY_MINUTES * garden.supply.flow_lpm
    if liters is not None and liters > most:
        volume, supply = (show_volume(amount, garden.display) for amount in (liters, most / MOST_SUPPLY_DAYS))
        raise BadInput(f"{volume} in a day cannot be: the whole supply brings {supply}")


def coming_doubt(day: date, today: date) -> str | None:
    """Of a day on which nobody can have seen anything yet."""
    return f"{spoken(day)} is still to come" if day > today else None


def rain_doubt(garden: Garden, mm: float, hours: float) -> str | None:
    if mm > MOST_RAIN_MM_A_DAY * max(hours / 24, 1):
        return (
            f"{show_depth(mm, garden.display)} of rain in {hours:.0f} h is more than almost any storm brings"
        )
    return None


def water_doubt(garden: Garden, minutes: float, liters: float, *, measured: bool) -> str | None:
    """Of one amount of water: longer than a long run, or more than the supply brings in that time."""
    if measured and liters > garden.supply.flow_lpm * LONGEST_RUN_MINUTES:
        volume = show_volume(liters, garden.display)
        return f"{volume} would take the whole supply {show_minutes(liters / garden.supply.flow_lpm)}"
    if minutes > LONGEST_RUN_MINUTES:
        return f"{show_minutes(minutes)} is a very long run"
    return None
