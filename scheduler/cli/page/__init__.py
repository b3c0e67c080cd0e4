"""`rowwater page ...`: the page for phones, pairing them, and taking them off."""

from __future__ import annotations

import os
import sys

import click

from scheduler.cli import common
from scheduler.cli.page import paired
from scheduler.cli.page.place import for_people, for_the_manager
from scheduler.errors import BadInput

__all__ = ["command"]


@click.group(name="page", invoke_without_command=True)
@click.option(
    "--idle",
    "idle_s",
    type=click.FloatRange(0.1, 86400),
    default=None,
    metavar="SECONDS",
    help="end after so long without a request (default: 900 under the service manager, else never)",
)
@common.place_options
@click.pass_context
def command(ctx: click.Context, idle_s: float | None) -> None:
    """Serve the page for phones: the morning, each zone, the week, and answers from the row.

    Where garden.yaml has no `page:` this computer alone reaches it; without any garden it shows the shipped
    example. Ctrl-C ends it. A phone is paired by a code that is shown here alone.
    """
    if ctx.invoked_subcommand is not None:
        return
    from scheduler.web.app import application
    from scheduler.web.certificate import Unusable, look_at_certificate
    from scheduler.web.server import IDLE_S, handed_over, own_socket, serve

    log_to_stderr()
    door = handed_over(os.environ, os.getpid())
    with for_people() if door is None else for_the_manager() as settings:
        try:
            look_at_certificate(settings)
        except Unusable as error:
            raise BadInput(f"{where(error.which)}: {error.text}") from error
        app = application(settings)
        if door is None:
            door = own_socket(settings)
            paired.say_how_to_begin(settings)
            sys.stdout.flush()
        elif idle_s is None:
            idle_s = IDLE_S
        try:
            serve(app, settings, door, idle_s)
        except KeyboardInterrupt:
            click.echo("", err=True)


def where(key: str) -> str:
    """`garden.yaml:41: page.certificate`."""
    from scheduler.garden.sheet import Sheet

    path = common.config_path()
    line = Sheet(path.read_bytes(), path.name).line(("page", key))
    return f"{path.name}:{line}: page.{key}"


def log_to_stderr() -> None:
    """Each action with the phone's name; of the server only what went wrong."""
    import logging

    logging.basicConfig(stream=sys.stderr, level=logging.WARNING, format="%(levelname)s %(message)s")
    logging.getLogger("rowwater.page").setLevel(logging.INFO)


for _one in (paired.pair, paired.phones):
    command.add_command(_one)
