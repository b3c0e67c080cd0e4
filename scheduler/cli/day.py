"""`rowwater day`: the daily job once."""

from __future__ import annotations

from datetime import date

import click

from scheduler.cli import common


@click.command(name="day")
@click.option("--date", "day", type=common.DATE, help="take this date as today")
@click.option("--json", "as_json", is_flag=True, help="print the day's page as JSON")
@click.option("--same-garden", is_flag=True, help="the records are this garden's, under whatever new name")
@click.option(
    "--records-are-right", is_flag=True, help="the records are older than what was done: go on by them"
)
@common.place_options
@click.pass_context
def command(
    ctx: click.Context, day: date | None, as_json: bool, same_garden: bool, records_are_right: bool
) -> None:
    """Weather, reference ET, balance, plan, schedule files."""
    from scheduler.clock import site_now
    from scheduler.daily import owner_of, run_day
    from scheduler.pages.day import exit_status
    from scheduler.planning.day_rules import today_and_now
    from scheduler.store import older

    garden = common.garden()
    today, now = today_and_now(garden, day, site_now(garden.location.timezone))
    with common.store(now, of_any_garden=same_garden) as store:
        if same_garden:
            store.keep_for(owner_of(garden, common.places()), same=True)
        if records_are_right:
            older.give_word(store, now)
        page = run_day(garden, store, today, now=now, places=common.places())
    if as_json:
        common.print_json(page)
    else:
        from scheduler.cli.text.day import day_text

        click.echo(day_text(page, common.terminal_width()))
    ctx.exit(exit_status(page))
