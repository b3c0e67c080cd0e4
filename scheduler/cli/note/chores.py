"""`rowwater note filter`, `note tape`, `note repair`, `note chore`: upkeep that was done, or put off."""

from __future__ import annotations

from datetime import date, datetime
from typing import TYPE_CHECKING

import click

from scheduler.cli import common
from scheduler.cli.complete import ZONE
from scheduler.cli.note.doubts import ask_if_meant, date_doubt
from scheduler.cli.note.keeping import keep, on_day, planting_maker, site
from scheduler.cli.text.note import CHORES, repaired
from scheduler.errors import BadInput

if TYPE_CHECKING:
    from scheduler.model import Garden


@click.command(name="filter")
@on_day("it was done")
def filter_(day: date | None, sure: bool) -> None:
    """The filter was rinsed."""
    garden, now = site()
    when = _day(day, now.date(), sure)
    keep(garden, now, "filter", when, None, {}, said=CHORES["filter"])


@click.command()
@click.argument("zone", type=ZONE)
@on_day("it was laid")
def tape(zone: str, day: date | None, sure: bool) -> None:
    """New tape was laid in ZONE."""
    garden, now = site()
    name = common.zone_name(garden, zone)
    when = _day(day, now.date(), sure)
    keep(garden, now, "tape", when, name, {}, said=f"{name}: {CHORES['tape']}")


@click.command()
@click.argument("zone", type=ZONE)
@click.option("--row", type=click.IntRange(min=1), help="which row was cut; it took a coupling")
@on_day("it was done")
def repair(zone: str, row: int | None, day: date | None, sure: bool) -> None:
    """A leak or a fitting of ZONE was mended; with --row a cut of that row's tape, with a coupling.

    A row that has three of them is to be looked at; the morning says so until `note chore row`.
    """
    garden, now = site()
    name = common.zone_name(garden, zone)
    when = _day(day, now.date(), sure)
    if row is not None:
        _row_is_there(garden, now, name, row, when)
    details = {} if row is None else {"row": row}
    keep(garden, now, "repair", when, name, details, said=f"{name}: {repaired(details)}")
    click.echo("watch its next run from the start: dirt that got in leaves through the open line ends")


@click.command()
@click.argument("chore", type=click.Choice([one for one in CHORES if one != "repair"]))
@click.argument("later", required=False, metavar="[later]", type=click.Choice(["later"]))
@on_day("it was done")
def chore(chore: str, later: str | None, day: date | None, sure: bool) -> None:
    """A chore was done: bucket test, tape flushed, lines drained, filter; or put off: CHORE later."""
    from scheduler.core.system.upkeep import LATER_WATERINGS

    if chore == "tape" and not later:
        raise click.UsageError("say where: rowwater note tape ZONE")
    if chore == "drain" and later:
        raise click.UsageError("frost does not wait: shut the supply at its source and open the line ends")
    garden, now = site()
    when = _day(day, now.date(), sure)
    details: dict[str, object] = {"chore": chore, **({"later": True} if later else {})}
    said = f"{chore} put off: back after {LATER_WATERINGS} waterings" if later else CHORES[chore]
    keep(garden, now, "chore", when, None, details, said=said)


def _row_is_there(garden: Garden, now: datetime, name: str, row: int, day: date) -> None:
    """Raises BadInput for a row beyond those that lie in the zone on that day."""
    from scheduler.planning.notes import with_notes

    with common.store(now) as store:
        zones = with_notes(garden.zones, store.notes(), planting_maker())
    zone = next(one for one in zones if one.name == name)
    stood = [planting.rows for planting in zone.plantings if planting.planted <= day]
    rows = stood[-1] if stood else zone.rows or (zone.plantings[0].rows if zone.plantings else None)
    if rows is not None and row > rows.count:
        have = "1 row" if rows.count == 1 else f"{rows.count} rows"
        raise BadInput(f"{name} has {have}, no row {row}", hint="rows are counted from the feed outward")


def _day(day: date | None, today: date, sure: bool) -> date:
    if day is None or day == today:
        return today
    garden, now = site()
    with common.store(now) as store:
        ask_if_meant(date_doubt(store, day, today), sure=sure)
    return day
