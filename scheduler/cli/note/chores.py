"""`rowwater note filter`, `note tape`, `note repair`, `note chore`: upkeep that was done, or put off."""

from __future__ import annotations

from datetime import date

import click

from scheduler.cli import common
from scheduler.cli.complete import ZONE
from scheduler.cli.note.doubts import ask_if_meant, date_doubt
from scheduler.cli.note.keeping import keep, on_day, site
from scheduler.cli.text.note import CHORES


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
@on_day("it was done")
def repair(zone: str, day: date | None, sure: bool) -> None:
    """A leak, a tape or a fitting of ZONE was mended."""
    garden, now = site()
    name = common.zone_name(garden, zone)
    when = _day(day, now.date(), sure)
    keep(garden, now, "repair", when, name, {}, said=f"{name}: {CHORES['repair']}")
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


def _day(day: date | None, today: date, sure: bool) -> date:
    if day is None or day == today:
        return today
    garden, now = site()
    with common.store(now) as store:
        ask_if_meant(date_doubt(store, day, today), sure=sure)
    return day
