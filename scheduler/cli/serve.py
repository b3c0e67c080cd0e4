"""`rowwater serve`: the service that opens and closes the valves."""

from __future__ import annotations

import json
import os
import sys

import click

from scheduler.cli import common


@click.command(name="serve")
@click.option(
    "--heartbeat",
    "beat_s",
    type=click.FloatRange(0.2, 300),
    default=30.0,
    show_default=True,
    metavar="SECONDS",
    help="how often an open valve is recorded: how exactly an interrupted run is known",
)
@click.option("--tick", "tick_s", type=click.FloatRange(0.02, 1.0), default=0.5, hidden=True)
@click.option("--in-flight", "in_flight_s", type=float, default=None, hidden=True)
@click.option("--acts-within", "acts_within_s", type=float, default=None, hidden=True)
@click.option("--look", "look_open_s", type=float, default=None, hidden=True)
@click.option("--witness", type=click.Path(), hidden=True)
@common.place_options
def command(
    beat_s: float,
    tick_s: float,
    in_flight_s: float | None,
    acts_within_s: float | None,
    look_open_s: float | None,
    witness: str | None,
) -> None:
    """Waters by the plan, unattended, until it is stopped."""
    config = common.named_config()
    settings: dict[str, float | str | bool] = {"tick_s": tick_s, "beat_s": beat_s}
    times = {"in_flight_s": in_flight_s, "acts_within_s": acts_within_s, "look_open_s": look_open_s}
    settings |= {name: seconds for name, seconds in times.items() if seconds is not None}
    if witness is not None:
        settings |= {"witness": witness, "ask_kernel": False}
    order = {
        "data": str(common.data_folder().absolute()),
        "config": None if config is None else str(config),
        "settings": settings,
    }
    sys.stdout.flush()
    # the same process goes on without the command line's libraries: it stays for a season
    os.execv(sys.executable, [sys.executable, "-P", "-m", "scheduler.service.main", json.dumps(order)])
