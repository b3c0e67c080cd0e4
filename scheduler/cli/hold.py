"""`rowwater hold ZONE until DATE`: keep a zone dry till a date."""

from __future__ import annotations

from collections.abc import Sequence

import click

from scheduler.cli import common


@click.command(name="hold")
@click.argument("zone")
@click.argument("word", metavar="until", type=click.Choice(["until"]))
@click.argument("typed", metavar="DATE", nargs=-1, required=True)
@common.place_options
def command(zone: str, word: str, typed: Sequence[str]) -> None:  # noqa: ARG001 - "until" is said, not read
    """Keep ZONE dry until DATE, when water may run again; a date that has passed ends a hold."""
    from scheduler.cli.note import keep
    from scheduler.clock import site_now

    until = common.date_of(" ".join(typed), "future")
    garden = common.garden()
    name = common.zone_name(garden, zone)
    now = site_now(garden.location.timezone)
    keep(
        garden,
        now,
        "hold",
        now.date(),
        name,
        {"until": until.isoformat()},
        said=f"{name} kept dry until {until}",
    )
