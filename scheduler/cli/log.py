"""`rowwater log`: water really given, beside what was planned."""

from __future__ import annotations

from datetime import date, timedelta

import click

from scheduler.cli import common
from scheduler.cli.complete import ZONE

COLUMNS = ("date", "zone", "planned_minutes", "minutes", "liters", "gross_mm", "net_mm", "outcome")


@click.command(name="log")
@click.option("--zone", type=ZONE, help="only this zone")
@click.option("--from", "first", type=common.DATE, help="first date (default: two weeks back)")
@click.option("--to", "last", type=common.DATE, help="last date (default: the newest)")
@click.option("--json", "as_json", is_flag=True, help="print as JSON")
@click.option("--csv", "as_csv", is_flag=True, help="print as CSV")
@common.place_options
def command(zone: str | None, first: date | None, last: date | None, as_json: bool, as_csv: bool) -> None:
    """Applied depth, litres and minutes; planned against real."""
    from scheduler.clock import site_now
    from scheduler.pages.log import log_month, log_page
    from scheduler.service.limits import rule_on

    site = common.site()
    now = site_now(site.timezone)
    with common.store(now) as store:
        newest = store.newest_plan()
        last = last or max(now.date() if newest is None else newest.day, first or date.min)
        first = first or max(last - timedelta(days=13), date.min)
        page = log_page(store, first, last, zone)
        if zone and not page["zones"]:  # one that garden.yaml had once is on record still
            common.known_zone(site.zones, zone)
        if as_json:
            rule = rule_on(site.rules, last)
            page["month"] = log_month(store, last, rule.daily_cap_l, rule.monthly_cap_l)
    if as_json:
        common.print_json(page)
    elif as_csv:
        common.print_csv(page["days"], COLUMNS)
    else:
        from scheduler.cli.text.log import log_text

        click.echo(log_text(page, site.display, common.terminal_width()))
