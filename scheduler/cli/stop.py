"""`rowwater stop [ZONE]`: close now. Works with the service, and without it."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import click

from scheduler.cli import common
from scheduler.errors import CouldNot

TRY_FOR_S = 10.0  # then a person has to hear that it does not close
NOT_CLOSED = "NOT confirmed closed: {}. Use the hand valve NOW"


@click.command(name="stop")
@click.argument("zone", required=False)
@common.place_options
def command(zone: str | None) -> None:
    """Close every valve now, or that of ZONE, and keep it dry until tomorrow."""
    from scheduler.service.ask import NoService, ask

    data = common.data_folder()
    try:
        done, said = ask(data, {"do": "stop", "zone": zone})
    except NoService:
        _without_service(data, zone)
        return
    if not done:
        raise CouldNot(said, hint="hand valve first, power second, software last")
    click.echo(said)


def _without_service(data: Path, zone: str | None) -> None:
    """Straight to the drivers, for the valves that the service knew, or else garden.yaml names."""
    from scheduler.relays.closing import Closing
    from scheduler.relays.specs import VALVES, load

    try:
        specs: list[Any] = load(data / VALVES)
    except CouldNot:  # none yet, or for the service's eyes only: an address may hold a secret
        specs = _specs_of_garden()
    chosen = [s for s in specs if zone is None or zone in s["zones"]]
    if zone is not None and not chosen:
        zone = common.zone_name(common.garden(), zone)
    names = [name for spec in chosen for name in spec["zones"]]
    left = Closing(chosen, os.environ, limit_s=TRY_FOR_S).wait()
    if left:
        raise CouldNot(NOT_CLOSED.format(", ".join(left)))
    click.echo(f"{', '.join(names) or 'every valve'} closed; the service is not running")


def _specs_of_garden() -> list[dict[str, Any]]:
    if not common.site().driven:
        return []
    from scheduler.relays.specs import spec_of

    garden = common.garden()
    broker = garden.service.get("broker")
    return [
        spec_of(zone.valve, zones=[zone.name], broker=broker)
        for zone in garden.zones
        if zone.valve.driver != "by_hand"
    ]
