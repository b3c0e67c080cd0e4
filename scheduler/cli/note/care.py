"""`rowwater note sprinkled`, `note dry-off`, `note feed`: what is done to a crop besides watering it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date, datetime
from typing import TYPE_CHECKING

import click

from scheduler.cli import common
from scheduler.cli.complete import ZONE
from scheduler.cli.note.doubts import ask_if_meant
from scheduler.cli.note.keeping import keep, on_day
from scheduler.cli.note.sightings import instead, not_sown, say_effect
from scheduler.cli.note.spot import Spot, site_of, spot_of
from scheduler.dates import spoken
from scheduler.errors import BadInput
from scheduler.phrases.days import feed_words
from scheduler.show import show_depth

if TYPE_CHECKING:
    from scheduler.shapes.day import DayPage


SOAKED = 1.5
"""So much more than a dry top layer takes up is soon given; beyond it, asked about (own choice)."""


@click.command()
@click.argument("zone", type=ZONE)
@click.argument("words", metavar="AMOUNT", nargs=-1, required=True)
@on_day("it was given")
def sprinkled(zone: str, words: Sequence[str], day: date | None, sure: bool) -> None:
    """Water given over the seed rows of ZONE besides the tape, such as 0.2in or 5mm."""
    from scheduler.planning.notes import sprinkled as all_sprinkled

    spot = spot_of(zone, day, sure=sure)
    display = spot.garden.display
    mm = common.quantity("depth", " ".join(words), display)
    if mm <= 0:
        raise BadInput(f'"{" ".join(words)}" is not above 0')
    ask_if_meant(not_sown(spot), sure=sure)
    before = [one for name, when, one in all_sprinkled(spot.notes) if (name, when) == (spot.name, spot.day)]
    ask_if_meant(_too_much(spot, mm) or _twice(spot, mm, before), sure=sure)
    said = f"{spot.name}: {show_depth(mm, display)} over the seed rows of {spot.crop}"
    if before:
        said += f"; {show_depth(mm + sum(before), display)} in all that day"
    keep(spot.garden, spot.now, "sprinkled", spot.day, spot.name, {"mm": mm}, said=said)
    say_effect(spot, "it wets the soil over the seed; what the roots lack stays as it was")


def _too_much(spot: Spot, mm: float) -> str | None:
    from scheduler.core.balance.surface import evaporable

    holds = evaporable(spot.zone.soil)[0]
    if mm <= SOAKED * holds:
        return None
    much, most = show_depth(mm, spot.garden.display), show_depth(holds, spot.garden.display)
    deep = "4 in" if spot.garden.display == "us" else "10 cm"
    return f"{much} is far more than the top {deep} of the soil takes up ({most})"


def _twice(spot: Spot, mm: float, before: Sequence[float]) -> str | None:
    if mm not in before:
        return None
    amount = show_depth(mm, spot.garden.display)
    return f"{amount} of {spoken(spot.day)} is noted already: this makes it {amount} more"


@click.command(name="dry-off")
@click.argument("zone", type=ZONE)
@on_day("it begins")
def dry_off(zone: str, day: date | None, sure: bool) -> None:
    """No more water for the crop of ZONE until it is lifted: bulbs cure, pods dry."""
    spot = spot_of(zone, day, sure=sure, may_come=True)
    ask_if_meant(_too_young(spot), sure=sure)
    before = spot.planting.dry_from if spot.planting else None
    said = f"{spot.name}: {spot.crop} dries off{instead(before, spot.day)}"
    keep(spot.garden, spot.now, "dry-off", spot.day, spot.name, {}, said=said)
    click.echo(f"from {spot.day} on {_no_water(spot)} until it is pulled (rowwater note pulled {spot.name})")


def _no_water(spot: Spot) -> str:

    planting = spot.planting
    rule = (
        None if planting is None else planting.crop.dry_off if planting.dry_off is None else planting.dry_off
    )
    if rule is None or rule.refill_at is None:
        return f"{spot.name} gets no water"
    return f"{spot.name} gets water only once it lacks {100 * rule.refill_at:.0f} % of what it can spare"


def _too_young(spot: Spot) -> str | None:
    """A crop that still grows."""
    planting = spot.planting
    if planting is None:
        return None
    ripe = site_of(spot).stage_dates(planting).get("mid-season", planting.planted)
    if spot.day >= ripe:
        return None
    return f"{spot.crop} in {spot.name} is still growing: mid-season from {spoken(ripe)}"


# --- feed ----------------------------------------------------------------------------------------


@click.command()
@click.argument("zone", type=ZONE)
@on_day("it is done", days=common.DATE_AHEAD)
def feed(zone: str, day: date | None, sure: bool) -> None:
    """ZONE is fed through the tape on this day: its run is made long enough for it."""
    spot = spot_of(zone, day, sure=sure, may_come=True)
    said = f"{spot.name}: feed through the tape"
    again = keep(spot.garden, spot.now, "feed", spot.day, spot.name, {}, said=said)
    for line in _feeding(spot, None if again is None else again.after):
        click.echo(line)


def _feeding(spot: Spot, page: DayPage | None) -> Iterator[str]:
    """When to inject, where the plan of that day is made; else when that will be said."""
    if page is None or page["date"] != spot.day.isoformat():
        if spot.day > spot.now.date():
            yield f"the plan of {spot.day} makes its run long enough, and says when to inject"
        return
    runs = [run for run in page["runs"] if run["zone"] == spot.name]
    if not runs:
        yield f"no run of {spot.name} is planned for that day: nothing to inject into"
        return
    last = max(runs, key=lambda run: run["stop"])
    begin, end = (datetime.fromisoformat(last[key]) for key in ("start", "stop"))
    if "feed" in last and end > spot.now:
        from scheduler.pages.feeding import FEED_CAUTIONS

        yield feed_words(last["feed"])
        yield FEED_CAUTIONS
    elif begin <= spot.now:
        done = "is over" if end <= spot.now else "is under way"
        yield (
            f"its run of that day {done} ({begin:%H:%M} to {end:%H:%M}) and stays as it was: to feed in the "
            f"next one, rowwater note feed {spot.name} --date tomorrow (note undo takes this one back)"
        )
