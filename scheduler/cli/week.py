"""`rowwater week`: the seven days ahead, as the daily job planned them."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import click

from scheduler.cli import common
from scheduler.cli.plot import plot_option, write_plot


@click.command(name="week")
@click.option("--date", "day", type=common.DATE, help="take this date as today")
@plot_option("deficits, water and rain of the week")
@click.option("--json", "as_json", is_flag=True, help="print as JSON")
@common.place_options
@click.pass_context
def command(ctx: click.Context, day: date | None, plot: Path | None, as_json: bool) -> None:
    """The 7 days ahead: minutes, expected deficit with its doubt, forecast rain.

    Shows the week that the last daily job planned, which is the one that today's water is part of, and says
    when it was made; nothing is worked out anew.  Exit status 3 where it is not of today, or something needs
    your eye; 1 where there is none yet.
    """
    from scheduler.clock import site_now
    from scheduler.pages.week import kept_week, needs_a_look
    from scheduler.planning.day_rules import today_and_now

    garden = common.garden()
    with common.store(site_now(garden.location.timezone)) as store:
        plan = store.newest_plan()
        page = kept_week(store.working(plan), garden.display) if plan else None
    if page is None:
        raise common.no_plan(None)
    today, _ = today_and_now(garden, day, site_now(garden.location.timezone))
    if plot:
        from scheduler.drawings.week import week

        write_plot(plot, week("week", page))
    if as_json:
        common.print_json(page)
    else:
        from scheduler.cli.text.week import week_text

        click.echo(week_text(page, today=today, width=common.terminal_width()))
    ctx.exit(3 if needs_a_look(page, today) else 0)
