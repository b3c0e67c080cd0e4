"""`rowwater log`: water really given, beside what was planned."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import click

from scheduler.cli import common

COLUMNS = ("date", "zone", "planned_minutes", "minutes", "liters", "gross_mm", "net_mm", "outcome")


@click.command(name="log")
@click.option("--zone", help="only this zone")
@click.option("--from", "first", type=common.DATE, help="first date (default: two weeks back)")
@click.option("--to", "last", type=common.DATE, help="last date (default: the newest)")
@click.option("--json", "as_json", is_flag=True, help="print as JSON")
@click.option("--csv", "as_csv", is_flag=True, help="print as CSV")
@common.place_options
def command(zone: str | None, first: date | None, last: date | None, as_json: bool, as_csv: bool) -> None:
    """Applied depth, litres and minutes; planned against real."""
    from scheduler.clock import site_now
    from scheduler.pages.log import log_page

    garden = common.garden()
    now = site_now(garden.location.timezone)
    name = common.zone_name(garden, zone) if zone else None
    with common.store(now) as store:
        newest = store.newest_plan()
        last = last or max(now.date() if newest is None else newest.day, first or date.min)
        first = first or max(last - timedelta(days=13), date.min)
        page = log_page(store, first, last, name)
    if as_json:
        common.print_json(page)
    elif as_csv:
        _print_csv(page)
    else:
        click.echo(_text(page, garden.display))


def _print_csv(page: dict[str, Any]) -> None:
    import csv
    import sys

    writer = csv.DictWriter(sys.stdout, COLUMNS, lineterminator="\n")
    writer.writeheader()
    writer.writerows({key: row[key] for key in COLUMNS} for row in page["days"])


def _text(page: dict[str, Any], display: Any) -> str:
    from scheduler.show import show_depth, show_volume

    if not page["days"]:
        return f"nothing planned or given from {page['from']} to {page['to']}"
    lines = ["date        zone            planned   given      water    net depth"]
    for row in page["days"]:
        given = "?" if row["minutes"] is None else f"{row['minutes']:.0f} min"
        water = "" if row["liters"] is None else show_volume(row["liters"], display)
        net = "" if row["net_mm"] is None else show_depth(row["net_mm"], display)
        unsaid = "  not answered" if row["minutes"] is None else ""
        if row["outcome"] in ("cut short", "interrupted"):
            unsaid = f"  {row['outcome']}"
        lines.append(
            f"{row['date']}  {row['zone']:<14} {row['planned_minutes']:>4.0f} min {given:>9} {water:>9}"
            f" {net:>9}{unsaid}"
        )
    for zone, total in page["zones"].items():
        lines.append(
            f"in all      {zone:<14} {total['planned_minutes']:>4.0f} min {total['minutes']:>5.0f} min "
            f"{show_volume(total['liters'], display):>9} {show_depth(total['net_mm'], display):>9}"
        )
    return "\n".join(lines)
