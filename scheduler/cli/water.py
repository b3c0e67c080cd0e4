"""`rowwater water ZONE DURATION`: a run by hand."""

from __future__ import annotations

import re
from collections.abc import Sequence

import click

from scheduler.cli import common
from scheduler.errors import BadInput, CouldNot


@click.command(name="water")
@click.argument("zone")
@click.argument("duration", nargs=-1, required=True)
@common.place_options
def command(zone: str, duration: Sequence[str]) -> None:
    """Water ZONE for DURATION, such as "20 min", "45 s"; a bare number is minutes. The service does it."""
    from scheduler.service.ask import NoService, ask

    text = " ".join(duration)
    minutes = _minutes(text)
    try:
        done, said = ask(common.data_folder(), {"do": "water", "zone": zone, "minutes": minutes})
    except NoService as error:
        raise CouldNot(
            "the service is not running: nobody would close the valve again",
            hint="start it: sudo systemctl start rowwater (or: rowwater serve)",
        ) from error
    if not done:
        raise CouldNot(said)
    click.echo(said)


_USUAL = re.compile(r"\s*(\d+(?:\.\d+)?)\s*(s|sec|seconds?|min|minutes?|h|hours?)?\s*", re.IGNORECASE)
_MINUTES = {"s": 1 / 60, "m": 1.0, "h": 60.0}


def _minutes(text: str) -> float:
    """The usual spellings at once (the unit library takes its time to load), all others by `units`."""
    from scheduler.units import BadQuantity, read

    usual = _USUAL.fullmatch(text)
    try:
        if usual:
            minutes = float(usual[1]) * _MINUTES[(usual[2] or "m")[0].lower()]
            if minutes > 0:
                return minutes
        minutes = read("duration", text, display="metric", bare=True)
    except BadQuantity as error:
        raise BadInput(str(error)) from None
    if minutes <= 0:
        raise BadInput(f'"{text}" is no time to water for - for example "20 min" or "45 s"')
    return minutes
