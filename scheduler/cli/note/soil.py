"""`rowwater note soil`: what a soil sensor says, and at once what it did to the deficit."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import TYPE_CHECKING

import click

from scheduler.cli import common
from scheduler.cli.complete import ZONE
from scheduler.cli.note.doubts import ask_if_meant, date_doubt
from scheduler.cli.note.keeping import SURE, Again, keep, site
from scheduler.errors import BadInput
from scheduler.show import show_depth

if TYPE_CHECKING:
    from scheduler.shapes.day import DayPage, ZoneLine


@click.command(name="soil")
@click.argument("zone", type=ZONE)
@click.argument("amount", nargs=-1, required=True)
@click.option("--depth", help="how deep the sensor sits, such as 8in")
@click.option("--at", help="when you read it (default: now)")
@click.option(
    "--instrument",
    type=click.Choice(["tensiometer", "block"]),
    help="block: a granular matrix sensor, which reads up to 200 cb",
)
@SURE
@common.place_options
def command(
    zone: str, amount: tuple[str, ...], depth: str | None, at: str | None, instrument: str | None, sure: bool
) -> None:
    """What a soil sensor in ZONE says: 35 cb, or 0.21 or 21% of water by volume."""
    from scheduler.planning.sensors import details_of, impossible, read_amount

    garden, now = site()
    name = common.zone_name(garden, zone)
    sensor = next(z for z in garden.zones if z.name == name).soil_sensor
    typed = " ".join(amount)
    said = read_amount(typed)
    read_at = common.moment_of("--at", at, now, garden.display) if at else now
    if read_at > now + timedelta(minutes=5):
        raise BadInput(f"--at {at} is still to come")
    with common.store(now) as store:
        ask_if_meant(date_doubt(store, read_at.date(), now.date()), sure=sure)
    depth_m = (
        common.quantity("length", depth, garden.display) if depth else sensor.depth_m if sensor else None
    )
    kind = instrument or (sensor.instrument if sensor else "tensiometer")
    details = details_of(said, read_at, depth_m=depth_m, instrument=kind)
    if why := impossible(said, depth_m, garden.display):
        raise BadInput(f"{typed}: {why}")
    again = keep(garden, now, "soil", read_at.date(), name, details, said=f"{name}: {typed} in the soil")
    click.echo(_effect(again, name, read_at))


def _effect(again: Again | None, name: str, read_at: datetime) -> str:
    """What the reading did: the deficit from and to, or why it was left aside, or when it counts."""
    if again is None:
        return "it counts from the next plan on"
    aside = _aside(again.after, name, read_at)
    if aside is not None:
        return f"set aside: {aside}"
    day = again.after["date"]
    if read_at.date().isoformat() == day and read_at.hour >= 12:
        return "read after noon: it counts from tomorrow morning on"
    was, now = (_line(page, name) for page in again)
    display = again.after["display"]
    before, after = (show_depth(line["deficit_mm"], display) for line in (was, now))
    if before == after:
        return f"deficit of {name} stays {after}"
    return f"deficit of {name} {before.split()[0]} -> {after}"


def _line(page: DayPage, name: str) -> ZoneLine:
    return next(zone for zone in page["zones"] if zone["zone"] == name)


def _aside(page: DayPage, name: str, read_at: datetime) -> str | None:
    for notice in page["notices"]:
        head, found, why = notice["text"].partition(f" on {read_at:%Y-%m-%d %H:%M} set aside: ")
        if found and head.startswith(f"{name}: "):
            return why
    return None
