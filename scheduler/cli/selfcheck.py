"""`rowwater selfcheck`: published examples and worked numbers, done anew on this machine."""

from __future__ import annotations

import click

from scheduler.cli import common
from scheduler.errors import CouldNot


@click.command("selfcheck")
@click.option("--all", "every", is_flag=True, help="each figure, not only the farthest of each example")
@click.option("--json", "as_json", is_flag=True, help="print as JSON")
@common.place_options
def command(every: bool, as_json: bool) -> int:
    """Published examples and worked numbers, done anew on this machine by what makes your plan.

    A line an example: of its figures the one that is farthest off, as printed, as worked out here, the
    difference, and how much the printed digits allow.  Needs no garden, reads no records, changes nothing.
    Exit status 1 where a figure is not as printed.
    """
    try:
        from scheduler.pages.selfcheck import selfcheck_page
    except ImportError as error:  # one of the things this looks for
        raise CouldNot(
            f"the selfcheck cannot even begin: {error}", hint="lay the program anew (deploy/upgrade.sh)"
        ) from error
    page = selfcheck_page()
    if as_json:
        common.print_json(page)
    else:
        from scheduler.cli.text.selfcheck import selfcheck_text

        click.echo(selfcheck_text(page, common.terminal_width(), every=every))
    return 0 if page["right"] else 1
