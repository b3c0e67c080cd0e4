"""`rowwater note planted`, `note pulled`: what really stands in a zone."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

import click

from scheduler.cli import common
from scheduler.cli.complete import CROP, ZONE
from scheduler.cli.note.doubts import ask_if_meant, date_doubt
from scheduler.cli.note.keeping import keep, on_day, planting_maker, site


@click.command()
@click.argument("zone", type=ZONE)
@click.argument("words", metavar="CROP", type=CROP, nargs=-1, required=True)
@on_day("it was planted")
def planted(zone: str, words: Sequence[str], day: date | None, sure: bool) -> None:
    """ZONE was really planted with CROP on this day."""
    garden, now = site()
    name, when = common.zone_name(garden, zone), day or now.date()
    target = next(z for z in garden.zones if z.name == name)
    crop = planting_maker()(target, " ".join(words), when).crop.name
    with common.store(now) as store:
        ask_if_meant(date_doubt(store, when, now.date()), sure=sure)
    keep(garden, now, "planted", when, name, {"crop": crop}, said=f"{name}: {crop} planted")


@click.command()
@click.argument("zone", type=ZONE)
@on_day("it was pulled")
def pulled(zone: str, day: date | None, sure: bool) -> None:
    """The crop of ZONE was pulled on this day."""
    garden, now = site()
    name, when = common.zone_name(garden, zone), day or now.date()
    with common.store(now) as store:
        ask_if_meant(date_doubt(store, when, now.date()), sure=sure)
    keep(garden, now, "pulled", when, name, {}, said=f"{name}: pulled")
