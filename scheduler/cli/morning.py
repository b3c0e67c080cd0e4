"""`rowwater`, `rowwater morning`: the summary, from today.json and nothing else."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING, cast

import click

from scheduler.cli.common import (
    DATE,
    config_path,
    data_folder,
    no_plan,
    place_options,
    print_json,
    terminal_width,
)

if TYPE_CHECKING:
    from scheduler.shapes.day import TodayFile


@click.command(name="morning")
@click.option("--date", "day", type=DATE, help="take this date as today")
@click.option("--json", "as_json", is_flag=True, help="print the page as JSON")
@click.option("--all", "everything", is_flag=True, help="every zone and every remark, however long the list")
@place_options
@click.pass_context
def command(ctx: click.Context, day: date | None, as_json: bool, everything: bool) -> None:
    """The morning summary."""
    from scheduler.publish.files import read_today, refuse_other_shape

    page = read_today(data_folder())
    if page is None:
        config_path()  # no garden yet: that comes before any plan
        raise no_plan(None)
    try:
        look = _show(cast("TodayFile", page), day, as_json=as_json, everything=everything)
    except (LookupError, TypeError, ValueError, AttributeError):
        refuse_other_shape(data_folder(), page)
        raise
    ctx.exit(3 if look else 0)


def _show(page: TodayFile, day: date | None, *, as_json: bool, everything: bool) -> bool:
    """Whether something needs the grower's eye."""
    from scheduler.cli.text.morning import morning_text, needs_a_look
    from scheduler.phrases.morning import day_of

    now = None
    if day is None:
        from scheduler.clock import site_now

        now = site_now(page["timezone"])
        day = day_of(page, now)
    look = needs_a_look(page, day)
    if as_json:
        print_json(page)
    else:
        click.echo(morning_text(page, today=day, width=terminal_width(), everything=everything, now=now))
    return look
