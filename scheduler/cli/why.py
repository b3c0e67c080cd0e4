"""`rowwater why ZONE`: the working of the plan as it was made."""

from __future__ import annotations

from datetime import date
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from scheduler.cli import common
from scheduler.cli.complete import ZONE
from scheduler.cli.plot import plot_option, write_plot
from scheduler.errors import CouldNot

if TYPE_CHECKING:
    from scheduler.model import StoredPlan
    from scheduler.shapes.root_zone import RootZone
    from scheduler.store.store import Store


@click.command(name="why")
@click.argument("zone", type=ZONE)
@click.option("--date", "day", type=common.DATE, help="the plan of this date (default: the newest)")
@plot_option("the zone's root zone over its season, and the week ahead")
@click.option("--season", is_flag=True, help="with --json: its root zone day by day, and the week ahead")
@click.option("--json", "as_json", is_flag=True, help="print the working as JSON")
@common.place_options
def command(zone: str, day: date | None, plot: Path | None, season: bool, as_json: bool) -> None:
    """Every number behind ZONE's minutes, with formula, inputs, unit and source."""
    from scheduler.clock import site_now
    from scheduler.pages.why import why_page

    site = common.site()
    with common.store(site_now(site.timezone)) as store:
        plan = store.plan(day) if day else store.newest_plan()
        if plan is None:
            common.known_zone(site.zones, zone)
            raise common.no_plan(day)
        working = store.working(plan)
        if not working:
            raise CouldNot(
                f"the working of {plan.day} was not brought along: only what was planned is on record here",
                hint="rowwater log has that",
            )
        name = common.known_zone(list(dict.fromkeys([*site.zones, *working["zones"]])), zone)
        if name not in working["zones"]:
            raise CouldNot(
                f"{name} is not in the plan of {plan.day}, which was made before garden.yaml had it",
                hint="run: rowwater day",
            )
        page = why_page(plan, working, name, in_garden=name in site.zones)
        if plot or season:
            page["root_zone"] = _root_zone(store, plan, name)
    if plot:
        from scheduler.drawings.root_zone import root_zone

        own = page["root_zone"]
        write_plot(plot, root_zone("zone", name, own["days"], site.display, own["ahead"], own["morning"]))
    if as_json:
        common.print_json(page)
    else:
        from scheduler.cli.text.why import why_text

        click.echo(why_text(page, display=site.display, width=common.terminal_width()))


def _root_zone(store: Store, plan: StoredPlan, zone: str) -> RootZone:
    """The zone up to the evening before the plan, and the week that was planned then."""
    from scheduler.garden.file import planting_from_note
    from scheduler.pages.root_zone import root_zone_days

    make = partial(planting_from_note, common.config_path())
    return root_zone_days(common.garden(), store, plan, zone, make)
