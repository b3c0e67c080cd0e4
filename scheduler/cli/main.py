"""Entry point: finds the command, and turns every expected failure into words and an exit status."""

from __future__ import annotations

import io
import os
import sys
from contextlib import suppress
from importlib import import_module
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from click.shell_completion import CompletionItem

from scheduler.errors import RowwaterError, printable
from scheduler.nearest import did_you_mean

COMMANDS = {
    "morning": "the morning summary (also: rowwater alone)",
    "init": "write a commented starter garden.yaml",
    "check": "is the garden file right, and can the supply carry it",
    "crops": "the crop table, or what a word finds in it",
    "completion": "completion of commands, zones and crops in your shell",
    "bucket": "flow of a timed bucket, and how much tape it feeds",
    "changeover": "holes, tape and parts between two crops' layouts",
    "parts": "tape, fittings and valves to buy for a garden not built yet",
    "day": "the daily job once: weather, balance, plan",
    "week": "the 7 days ahead: minutes, expected deficit, forecast rain",
    "weather": "each value and who said it, and how forecasts have fared",
    "history": "daily weather of past years, fetched or from a file",
    "why": "every number behind a zone's minutes",
    "note": "what you saw or did: rain, water given, planting, chores",
    "hold": "keep a zone dry until a date",
    "log": "water given: planned against real",
    "facts": "all that is on record as one text file, out or in",
    "serve": "the service: opens and closes the valves by the plan",
    "page": "the page for phones in the house's own network",
    "water": "a run by hand, now",
    "stop": "close every valve now",
    "valve-test": "the first, watched run of every valve",
    "season": "a season simulated on a weather file",
    "study": "variants of the garden in many years: what is enough",
    "report": "a season's water in one file, with advice for the next",
    "selfcheck": "published examples done anew on this machine",
}


def plain_terminal() -> bool:
    """Whether no escape code is wanted: $NO_COLOR with any text in it, or a terminal that knows none."""
    return bool(os.environ.get("NO_COLOR")) or os.environ.get("TERM") == "dumb"


class Rowwater(click.Group):
    """Commands by name, imported when called, so that the morning summary answers at once."""

    def make_context(self, *args: Any, **extra: Any) -> click.Context:
        if plain_terminal():
            extra["color"] = False
        return super().make_context(*args, **extra)

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002 - click's
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002 - click's
        if cmd_name not in COMMANDS:
            return None
        command: click.Command = import_module(f"scheduler.cli.{cmd_name.replace('-', '_')}").command
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        if args and args[0] not in COMMANDS and not args[0].startswith("-"):
            hint = did_you_mean(args[0], COMMANDS, "")
            raise click.UsageError(f'no command "{args[0]}"{hint and f" - {hint}"}', ctx)
        return super().resolve_command(ctx, args)

    def shell_complete(self, ctx: click.Context, incomplete: str) -> list[CompletionItem[str]]:
        from click.shell_completion import CompletionItem

        names = [
            CompletionItem(name, help=text) for name, text in COMMANDS.items() if name.startswith(incomplete)
        ]
        return names + click.Command.shell_complete(self, ctx, incomplete)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:  # noqa: ARG002 - click's
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))


@click.group(
    cls=Rowwater, invoke_without_command=True, context_settings={"help_option_names": ["-h", "--help"]}
)
@click.option("--config", metavar="PATH", type=click.Path(), help="garden.yaml to use")
@click.option(
    "--data", metavar="DIR", type=click.Path(), help="folder of the database and the published files"
)
@click.version_option(package_name="rowwater", prog_name="rowwater")
@click.pass_context
def cli(ctx: click.Context, config: str | None, data: str | None) -> None:
    """Which drip-tape rows get water today, how long and when."""
    ctx.obj = {"config": config, "data": data}
    if ctx.invoked_subcommand is None:
        morning = cli.get_command(ctx, "morning")
        assert morning is not None
        ctx.exit(ctx.invoke(morning) or 0)


def main(args: list[str] | None = None) -> None:
    """Run, and exit: 0 done, 1 could not, 2 wrong input, 3 done but look."""
    _open_closed_streams()
    try:
        status = _run(args)
        sys.stdout.flush()
    except BrokenPipeError:  # the reader has what it wanted
        _write_no_more()
        status = 0
    except OSError as error:
        _write_no_more()
        _say(f"rowwater: {error.strerror or error}" + (f": {error.filename}" if error.filename else ""))
        status = 1
    sys.exit(status)


def _run(args: list[str] | None) -> int:
    try:
        return cli.main(args, prog_name="rowwater", standalone_mode=False) or 0
    except RowwaterError as error:
        _say(f"rowwater: {error.text}" if len(error.text.splitlines()) == 1 else error.text)
        if error.hint:
            _say(f"  hint: {error.hint}")
        return error.exit_status
    except click.ClickException as error:
        said = io.StringIO()
        error.show(said)
        _say(printable(said.getvalue().rstrip("\n")))  # it quotes what was typed, or pasted
        return error.exit_code
    except click.exceptions.Abort:
        _say("rowwater: stopped")
        return 1
    except SystemExit as end:  # click ends so where the reader of a pipe has gone, and after a completion
        if end.code == 1:
            raise BrokenPipeError from None
        raise


def _open_closed_streams() -> None:
    """What the shell closed (`>&-`) leads nowhere; else the next file opened would stand in its place."""
    for number, name in enumerate(("stdin", "stdout", "stderr")):
        if getattr(sys, name) is not None:
            continue
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDWR)  # takes the lowest number that is free
        setattr(sys, name, open(os.devnull, "r" if number == 0 else "w"))  # noqa: SIM115, PTH123 - open to the end


def _write_no_more() -> None:
    """Nobody reads on: keep Python from complaining again at exit."""
    sys.stdout = open(os.devnull, "w")  # noqa: SIM115, PTH123 - open to the end


def _say(text: str) -> None:
    with suppress(OSError):  # nobody listens
        click.echo(text, err=True)


if __name__ == "__main__":
    main()
