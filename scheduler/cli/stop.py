"""`rowwater stop [ZONE]`: close now. Works with the service, and without it."""

from __future__ import annotations

import os
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from scheduler.cli import common
from scheduler.cli.complete import ZONE
from scheduler.clock import site_now
from scheduler.errors import CouldNot, RowwaterError

if TYPE_CHECKING:
    from scheduler.service.stopped import Stopped

TRY_FOR_S = 10.0  # then a person has to hear that it does not close
MAY_OPEN = (
    "it closed, but the open that was sent before may still take effect until {:%H:%M:%S %Z}, and nobody "
    "waits for that: `rowwater stop` once more then"
)
HINT = "hand valve first, power second, software last"


@click.command(name="stop")
@click.argument("zone", required=False, type=ZONE)
@common.place_options
@click.pass_context
def command(ctx: click.Context, zone: str | None) -> None:
    """Close every valve now, or that of ZONE, and keep it dry until tomorrow.

    After midnight, in hours that began the evening before: until the next watering hours begin.
    A valve that is turned by hand cannot be closed from here: it is named, and the exit status is not 0.
    """
    from scheduler.service.ask import NoService, ask
    from scheduler.service.stopped import COULD_NOT

    data = common.data_folder()
    try:
        status, said = ask(data, {"do": "stop", "zone": zone})
    except NoService:
        stopped = _without_service(data, zone)
        status, said = stopped.status, stopped.said("; the service is not running")
    if status == COULD_NOT:
        raise CouldNot(said, hint=HINT)
    click.echo(said)
    ctx.exit(status)


def _without_service(data: Path, zone: str | None) -> Stopped:
    """Straight to the drivers of the valves that the service knew, and of those that garden.yaml names."""
    from scheduler.relays import quiet
    from scheduler.relays.closing import Closing
    from scheduler.service.stopped import Stopped, may_open_until
    from scheduler.store import trace

    specs, by_hand, unread = _valves(data, zone)
    chosen = [spec for spec in specs if zone is None or zone in spec["zones"]]
    closing = Closing(chosen, os.environ, limit_s=TRY_FOR_S)
    try:
        left = closing.wait()
    finally:
        if closing.failed or closing.running:
            quiet.begin_unlisted(data)
    for key, until in may_open_until(chosen, trace.unclosed(data), _now()).items():
        left.setdefault(key, MAY_OPEN.format(until))
    names = {str(spec["key"]): tuple(spec["zones"]) or (str(spec["key"]),) for spec in chosen}
    return Stopped(
        closed=tuple(name for key, zones in names.items() if key not in left for name in zones),
        unconfirmed={", ".join(names[key]): why for key, why in left.items()} | unread,
        by_hand=tuple(name for name in by_hand if zone is None or name == zone),
    )


def _now() -> datetime:
    try:
        return site_now(common.site().timezone)
    except RowwaterError:
        return site_now("UTC")


def _valves(data: Path, zone: str | None) -> tuple[list[Any], tuple[str, ...], dict[str, str]]:
    """Valves to close, zones turned by hand, and what is not known where garden.yaml cannot be read."""
    from scheduler.relays.specs import VALVES, load

    try:
        specs: list[Any] = load(data / VALVES)
    except CouldNot:  # none yet, or for the service's eyes only: an address may hold a secret
        specs = []
    covered = {name for spec in specs for name in spec["zones"]}
    try:
        site = common.site()
        if zone is not None and zone not in covered:
            common.known_zone(site.zones, zone)
        if set(site.zones) - covered - set(site.by_hand):
            specs += _specs_of_garden({str(spec["key"]) for spec in specs})
    except RowwaterError as error:
        if not specs or (zone is not None and zone not in covered):
            raise
        return specs, (), {} if zone else {"other valves": f"garden.yaml: {error}"}
    return specs, site.by_hand, {}


def _specs_of_garden(known: set[str]) -> list[dict[str, Any]]:
    from scheduler.relays.specs import specs_of

    return [s for s in specs_of(common.garden()) if s["driver"] != "by_hand" and s["key"] not in known]
