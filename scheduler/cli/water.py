"""`rowwater water ZONE DURATION`: a run by hand."""

from __future__ import annotations

from collections.abc import Sequence

import click

from scheduler.cli import common
from scheduler.cli.complete import ZONE
from scheduler.errors import BadInput, CouldNot


@click.command(name="water")
@click.argument("zone", type=ZONE)
@click.argument("duration", nargs=-1, required=True)
@common.place_options
@click.pass_context
def command(ctx: click.Context, zone: str, duration: Sequence[str]) -> None:
    """Water ZONE for DURATION, such as "20 min", "45 s"; a bare number is minutes. The service does it.

    Exit status: 0 where the valve is open, 1 where it is not and will not be, 3 where nobody knows yet.
    """
    from scheduler.service.ask import NoService, ask

    text = " ".join(duration)
    minutes = _minutes(text)
    try:
        status, said = ask(common.data_folder(), {"do": "water", "zone": zone, "minutes": minutes})
    except NoService as error:
        common.config_path()  # no garden yet: that comes before any service
        raise CouldNot(
            "the service is not running: nobody would close the valve again",
            hint="start it: sudo systemctl start rowwater (or: rowwater serve)",
        ) from error
    if status == 1:
        raise CouldNot(said)
    click.echo(said)
    ctx.exit(status)


def _minutes(text: str) -> float:
    minutes = common.quantity("duration", text, "metric", bare=True)
    if minutes <= 0:
        raise BadInput(f'"{text}" is no time to water for - for example "20 min" or "45 s"')
    return minutes
