"""`rowwater weather`: which value came from where, what was estimated, how forecasts have fared."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path

import click

from scheduler.cli import common
from scheduler.cli.plot import plot_option, write_plot
from scheduler.errors import BadInput, CouldNot

MOST_YEARS = 100
"""More than a lifetime of mornings takes longer than anybody waits."""


@click.command(name="weather")
@click.option("--from", "first", type=common.DATE, help="first date (default: a week back)")
@click.option("--to", "last", type=common.DATE_AHEAD, help="last date (default: a week ahead)")
@click.option("--date", "day", type=common.DATE, help="take this date as today")
@plot_option("temperatures, sun, rain and ET0")
@click.option("--json", "as_json", is_flag=True, help="print as JSON")
@common.place_options
@click.pass_context
def command(
    ctx: click.Context,
    first: date | None,
    last: date | None,
    day: date | None,
    plot: Path | None,
    as_json: bool,
) -> None:
    """Each day's ET0, its values and who said them, what was set aside and why, how forecasts have fared.

    Reads what the daily jobs stored, and asks no source.  Exit status 3 where a source is stale or a sensor
    is in doubt.
    """
    from scheduler.clock import site_now
    from scheduler.pages.weather import DAYS_AHEAD, DAYS_BACK, exit_status, weather_page
    from scheduler.planning.day_rules import today_and_now

    garden = common.garden()
    now = site_now(garden.location.timezone)
    today, now = today_and_now(garden, day or now.date(), now)
    first = first or min(today - timedelta(days=DAYS_BACK), last or today)
    last = last or max(today + timedelta(days=DAYS_AHEAD), first)
    if last < first:
        raise BadInput(f"nothing to show: from {first} to {last}")
    if (last - first).days > 366 * MOST_YEARS:
        raise BadInput(f"{first} to {last} is longer than {MOST_YEARS} years")
    with common.store(now) as store:
        if store.weather_span() is None:
            raise CouldNot("no weather stored yet", hint="run: rowwater day")
        page = weather_page(garden, store, first, last, today=today, now=now)
    if plot:
        from scheduler.drawings.weather import weather

        write_plot(plot, weather("weather", page, garden.display))
    if as_json:
        common.print_json(page)
    else:
        from scheduler.cli.text.weather import weather_text

        click.echo(weather_text(page, garden.display, common.terminal_width()))
    ctx.exit(exit_status(page))
