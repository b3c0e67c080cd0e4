"""`rowwater hold ZONE until DATE`: keep a zone dry till a date."""

from __future__ import annotations

from collections.abc import Sequence

import click

from scheduler.cli import common
from scheduler.cli.complete import ZONE


@click.command(name="hold")
@click.argument("zone", type=ZONE)
@click.argument("word", metavar="until", type=click.Choice(["until"]))
@click.argument("typed", metavar="DATE", nargs=-1, required=True, shell_complete=common.DATE.shell_complete)
@common.place_options
def command(zone: str, word: str, typed: Sequence[str]) -> None:  # noqa: ARG001 - "until" is said, not read
    """Keep ZONE dry until DATE, when water may run again; a date that has passed ends a hold."""
    from scheduler.cli.note import keep
    from scheduler.clock import site_now
    from scheduler.pages.hold import when_again
    from scheduler.planning.day_rules import watering_day

    until = common.date_of(" ".join(typed), "future")
    garden = common.garden()
    name = common.zone_name(garden, zone)
    now = site_now(garden.location.timezone)
    key = next(one.valve.key for one in garden.zones if one.name == name)
    names = ", ".join(one.name for one in garden.zones if one.valve.key == key)
    today = watering_day(garden, now)
    held = f"{names} kept dry until {until}" if until > today else f"{name} is not on hold"
    said = f"{held}; {when_again(garden, max(until, today))}"
    keep(garden, now, "hold", now.date(), name, {"until": until.isoformat()}, said=said)
