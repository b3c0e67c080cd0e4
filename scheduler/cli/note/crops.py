"""`rowwater note planted`, `note pulled`: what really stands in a zone."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import TYPE_CHECKING

import click

from scheduler.cli import common
from scheduler.cli.complete import CROP, ZONE
from scheduler.cli.note.doubts import ask_if_meant, date_doubt
from scheduler.cli.note.keeping import keep, on_day, planting_maker, site
from scheduler.cli.note.sightings import instead
from scheduler.dates import spoken

if TYPE_CHECKING:
    from scheduler.model import Note, Planting, Zone


@click.command()
@click.argument("zone", type=ZONE)
@click.argument("words", metavar="CROP", type=CROP, nargs=-1, required=True)
@on_day("it was planted")
def planted(zone: str, words: Sequence[str], day: date | None, sure: bool) -> None:
    """ZONE was really planted with CROP on this day."""
    from scheduler.planning.notes import planting_moved, standing_on, with_notes

    garden, now = site()
    name, when = common.zone_name(garden, zone), day or now.date()
    target = next(z for z in garden.zones if z.name == name)
    crop = planting_maker()(target, " ".join(words), when).crop.name
    with common.store(now) as store:
        ask_if_meant(date_doubt(store, when, now.date()), sure=sure)
        notes = store.notes()
    here = next(z for z in with_notes(garden.zones, notes, planting_maker()) if z.name == name)
    moved, before = planting_moved(here, crop, when), standing_on(here, when)
    said = f"{name}: {crop} planted{instead(moved.planted if moved else None, when)}"
    if before is not None and before is not moved and before.planted < when:
        said += f"; {before.crop.name} stands no more"
    keep(garden, now, "planted", when, name, {"crop": crop}, said=said)


@click.command()
@click.argument("zone", type=ZONE)
@on_day("it was pulled")
def pulled(zone: str, day: date | None, sure: bool) -> None:
    """The crop of ZONE was pulled on this day."""
    from scheduler.planning.notes import planting_pulled, with_notes

    garden, now = site()
    name, when = common.zone_name(garden, zone), day or now.date()
    with common.store(now) as store:
        ask_if_meant(date_doubt(store, when, now.date()), sure=sure)
        notes = store.notes()
    here = next(z for z in with_notes(garden.zones, notes, planting_maker()) if z.name == name)
    planting = planting_pulled(here, when)
    ask_if_meant(_gone_already(here, planting, when, notes), sure=sure)
    said = f"{name}: pulled"
    if planting is not None:
        said = f"{name}: {planting.crop.name} pulled{instead(planting.pulled, when)}"
    keep(garden, now, "pulled", when, name, {}, said=said)


def _gone_already(zone: Zone, planting: Planting | None, day: date, notes: Sequence[Note]) -> str | None:
    """The doubt about a crop that was never there by then, or that was noted as pulled before."""
    if planting is None:
        return f"nothing was planted in {zone.name} before {spoken(day)}"
    gone = planting.pulled
    noted = {note.day for note in notes if note.kind == "pulled" and note.zone == zone.name}
    if gone is None or gone >= day or gone not in noted:
        return None
    return f"{planting.crop.name} in {zone.name} was pulled on {spoken(gone)}, as you noted"
