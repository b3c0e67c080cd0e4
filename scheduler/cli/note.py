"""`rowwater note ...`: what the grower saw or did, kept as facts; today's plan is made again with them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import suppress
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import click

from scheduler.cli import common
from scheduler.errors import BadInput

if TYPE_CHECKING:
    from scheduler.model import Applied, Garden, NoteKind
    from scheduler.store.store import Store


CHORES = {
    "bucket": "bucket test made", "flush": "tape flushed", "drain": "lines drained",
    "filter": "filter rinsed", "tape": "new tape laid",
}  # fmt: skip


@click.group(name="note")
@common.place_options
def command() -> None:
    """What you saw or did: kept for ever, and today's plan is made again with it."""


@command.command()
@click.argument("words", metavar="AMOUNT", nargs=-1, required=True)
@click.option("--since", help="when the gauge was last empty (default: 24 hours before --at)")
@click.option("--at", help="when you read it (default: now)")
@common.place_options
def rain(words: Sequence[str], since: str | None, at: str | None) -> None:
    """Rain in your own gauge, such as 0.6in; it beats every other source."""
    garden, now = _site()
    amount = " ".join(words)
    mm = common.quantity("depth", amount, garden.display)
    read_at = common.moment_of("--at", at, now, garden.display) if at else now
    if read_at > now + timedelta(minutes=5):
        raise BadInput(f"--at {at} is still to come")
    begin = (
        common.moment_of("--since", since, now, garden.display, day_alone=True)
        if since
        else _since_last_reading(garden, read_at, now)
    )
    if begin >= read_at:
        raise BadInput("--since must be before --at")
    details = {"mm": mm, "since": begin.isoformat(), "at": read_at.isoformat()}
    keep(
        garden,
        now,
        "rain",
        read_at.date(),
        None,
        details,
        said=f"{amount} of rain, {begin:%a %H:%M} to {read_at:%a %H:%M}",
    )


@command.command()
@click.argument("zone", required=False)
@click.argument("words", metavar="[AMOUNT]", nargs=-1)
@click.option("--as-planned", is_flag=True, help="every planned run not answered yet was given as planned")
@click.option("--date", "day", type=common.DATE, help="the day it was given (default: today)")
@click.option(
    "--total", is_flag=True, help="AMOUNT is all that the zone got that day: it corrects earlier records"
)
@common.place_options
def applied(zone: str | None, words: Sequence[str], as_planned: bool, day: date | None, total: bool) -> None:
    """Water that was really given: ZONE 45min, ZONE 120gal, or --as-planned."""
    from scheduler.planning.by_hand import as_planned_records, by_hand_record

    garden, now = _site()
    amount = " ".join(words)
    if as_planned == bool(zone) or (zone is not None and not amount):
        raise click.UsageError("give ZONE and AMOUNT, or --as-planned")
    with common.store(now) as store:
        if as_planned:
            records = as_planned_records(garden, store, now=now, day=day)
            if not records:
                raise BadInput("every planned run has been answered already", hint="rowwater log shows them")
        else:
            assert zone is not None
            name = common.zone_name(garden, zone)
            when = day or now.date()
            if when > now.date() and not store.plan(when):
                raise BadInput(f"{when} is still to come")
            minutes, liters = _minutes_or_liters(garden, amount)
            records = [
                by_hand_record(garden, store, name, when, minutes, liters, now=now, replaces_day=total)
            ]
        for record in records:
            store.add_applied(record)
            given = sum(a.minutes for a in _in_force(store, record.zone, record.day))
            more = (
                "" if given == record.minutes else f"; {given:.0f} min in all that day (--total corrects it)"
            )
            click.echo(
                f"{record.zone} {record.day}: {record.minutes:.0f} min, {record.net_mm:.1f} mm net{more}"
            )
        _plan_again(garden, store, now, min(record.day for record in records))


@command.command()
@click.argument("zone")
@click.argument("words", metavar="CROP", nargs=-1, required=True)
@click.option("--date", "day", type=common.DATE, help="planting date (default: today)")
@common.place_options
def planted(zone: str, words: Sequence[str], day: date | None) -> None:
    """ZONE was really planted with CROP on this day."""
    from scheduler.garden.file import planting_from_note

    garden, now = _site()
    name = common.zone_name(garden, zone)
    target = next(z for z in garden.zones if z.name == name)
    planting = planting_from_note(common.config_path(), target, " ".join(words), day or now.date())
    keep(
        garden,
        now,
        "planted",
        day or now.date(),
        name,
        {"crop": planting.crop.name},
        said=f"{name}: {planting.crop.name} planted",
    )


@command.command()
@click.argument("zone")
@click.option("--date", "day", type=common.DATE, help="the day it was pulled (default: today)")
@common.place_options
def pulled(zone: str, day: date | None) -> None:
    """The crop of ZONE was pulled on this day."""
    garden, now = _site()
    name = common.zone_name(garden, zone)
    keep(garden, now, "pulled", day or now.date(), name, {}, said=f"{name}: pulled")


@command.command(name="filter")
@click.option("--date", "day", type=common.DATE, help="the day it was done (default: today)")
@common.place_options
def filter_(day: date | None) -> None:
    """The filter was rinsed."""
    garden, now = _site()
    keep(garden, now, "filter", day or now.date(), None, {}, said="filter rinsed")


@command.command()
@click.argument("chore", type=click.Choice(list(CHORES)))
@click.argument("later", required=False, metavar="[later]", type=click.Choice(["later"]))
@click.option("--date", "day", type=common.DATE, help="the day it was done (default: today)")
@common.place_options
def chore(chore: str, later: str | None, day: date | None) -> None:
    """A chore was done: bucket test, tape flushed, lines drained, filter; or put off: CHORE later."""
    from scheduler.core.system.upkeep import LATER_WATERINGS

    if chore == "tape" and not later:
        raise click.UsageError("say where: rowwater note tape ZONE")
    if chore == "drain" and later:
        raise click.UsageError("frost does not wait: shut the supply at its source and open the line ends")
    garden, now = _site()
    details: dict[str, object] = {"chore": chore, **({"later": True} if later else {})}
    said = f"{chore} put off: back after {LATER_WATERINGS} waterings" if later else CHORES[chore]
    keep(garden, now, "chore", day or now.date(), None, details, said=said)


@command.command()
@click.argument("zone")
@click.option("--date", "day", type=common.DATE, help="the day it was laid (default: today)")
@common.place_options
def tape(zone: str, day: date | None) -> None:
    """New tape was laid in ZONE."""
    garden, now = _site()
    name = common.zone_name(garden, zone)
    keep(garden, now, "tape", day or now.date(), name, {}, said=f"{name}: new tape laid")


@command.command()
@click.argument("zone")
@click.argument("amount", nargs=-1, required=True)
@click.option("--depth", help="how deep the sensor sits, such as 8in")
@click.option("--at", help="when you read it (default: now)")
@click.option(
    "--instrument",
    type=click.Choice(["tensiometer", "block"]),
    help="block: a granular matrix sensor, which reads up to 200 cb",
)
@common.place_options
def soil(
    zone: str, amount: tuple[str, ...], depth: str | None, at: str | None, instrument: str | None
) -> None:
    """What a soil sensor in ZONE says: 35 cb, or 0.21 or 21% of water by volume."""
    from scheduler.planning.sensors import details_of, read_amount

    garden, now = _site()
    name = common.zone_name(garden, zone)
    sensor = next(z for z in garden.zones if z.name == name).soil_sensor
    typed = " ".join(amount)
    said = read_amount(typed)
    read_at = common.moment_of("--at", at, now, garden.display) if at else now
    if read_at > now + timedelta(minutes=5):
        raise BadInput(f"--at {at} is still to come")
    depth_m = (
        common.quantity("length", depth, garden.display) if depth else sensor.depth_m if sensor else None
    )
    kind = instrument or (sensor.instrument if sensor else "tensiometer")
    details = details_of(said, read_at, depth_m=depth_m, instrument=kind)
    keep(garden, now, "soil", read_at.date(), name, details, said=f"{name}: {typed} in the soil")


def _site() -> tuple[Garden, datetime]:
    from scheduler.clock import site_now

    garden = common.garden()
    return garden, site_now(garden.location.timezone)


def _minutes_or_liters(garden: Garden, text: str) -> tuple[float | None, float | None]:
    with suppress(BadInput):
        return None, common.quantity("volume", text, garden.display, bare=False)
    with suppress(BadInput):
        return common.quantity("duration", text, garden.display, bare=True), None
    raise BadInput(f'"{text}" is neither a time nor a volume - for example 45min or 120gal')


def _since_last_reading(garden: Garden, read_at: datetime, now: datetime) -> datetime:
    """24 hours back, but not into what an earlier reading has already told."""
    zone = ZoneInfo(garden.location.timezone)
    day_before = read_at - timedelta(hours=24)
    with common.store(now) as store:
        told = [datetime.fromisoformat(n.details["at"]).astimezone(zone) for n in store.notes(kind="rain")]
    return max([day_before, *(t for t in told if t < read_at)])


def _in_force(store: Store, zone: str, day: date) -> list[Applied]:
    from scheduler.store.store import effective_applied

    return effective_applied(store.applied(day, day, zone))


def keep(
    garden: Garden,
    now: datetime,
    kind: NoteKind,
    day: date,
    zone: str | None,
    details: Mapping[str, object],
    *,
    said: str,
) -> None:
    from scheduler.model import Note

    with common.store(now) as store:
        store.add_note(Note(kind, day, now, zone, details))
        click.echo(f"noted for {day}: {said}")
        _plan_again(garden, store, now, day)


def _plan_again(garden: Garden, store: Store, now: datetime, since: date) -> None:
    """Make the newest plan again if the note bears on it, and say what changed."""
    newest = store.newest_plan()
    if newest is None or newest.day < since:
        return
    from scheduler.clock import today_and_now
    from scheduler.daily import plan_again  # all that planning needs: not before it is needed

    day, moment = (newest.day, now) if newest.day == now.date() else today_and_now(garden, newest.day)
    before = {zone["zone"]: zone["minutes"] for zone in newest.page["zones"]}
    page = plan_again(garden, store, day, now=moment, places=common.places(), before=newest.page)
    changed = [
        f"{zone['zone']} {before.get(zone['zone'], 0):.0f} -> {zone['minutes']:.0f} min"
        for zone in page["zones"]
        if zone["minutes"] != before.get(zone["zone"], 0)
    ]
    if changed:
        click.echo(f"plan of {day} made again: {', '.join(changed)}")
