"""`rowwater why ZONE`: the working of the plan as it was made."""

from __future__ import annotations

from datetime import date

import click

from scheduler.cli import common
from scheduler.cli.complete import ZONE
from scheduler.errors import CouldNot


@click.command(name="why")
@click.argument("zone", type=ZONE)
@click.option("--date", "day", type=common.DATE, help="the plan of this date (default: the newest)")
@click.option("--json", "as_json", is_flag=True, help="print the working as JSON")
@common.place_options
def command(zone: str, day: date | None, as_json: bool) -> None:
    """Every number behind ZONE's minutes, with formula, inputs, unit and source."""
    from scheduler.clock import site_now
    from scheduler.pages.why import why_page

    site = common.site()
    name = common.known_zone(site.zones, zone)
    with common.store(site_now(site.timezone)) as store:
        plan = store.plan(day) if day else store.newest_plan()
        if plan is None:
            raise common.no_plan(day)
        working = store.working(plan)
        if not working:
            raise CouldNot(
                f"the working of {plan.day} was not brought along: only what was planned is on record here",
                hint="rowwater log has that",
            )
        page = why_page(plan, working, name)
    if as_json:
        common.print_json(page)
    else:
        from scheduler.cli.text.why import why_text

        click.echo(why_text(page, display=site.display, width=common.terminal_width()))
