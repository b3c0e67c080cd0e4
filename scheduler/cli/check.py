"""`rowwater check`: is garden.yaml right, where do things live, and can the supply feed each zone."""

from __future__ import annotations

from datetime import date
from typing import Any

import click

from scheduler.cli import common


@click.command(name="check")
@click.option("--date", "day", type=common.DATE, help="take this date as today")
@click.option("--json", "as_json", is_flag=True, help="print as JSON")
@common.places
@click.pass_context
def command(ctx: click.Context, day: date | None, as_json: bool) -> None:
    """Validates the YAML, and says what the supply can feed."""
    from scheduler.clock import today_and_now
    from scheduler.pages.check import check_page

    garden = common.garden()
    page = check_page(garden, today_and_now(garden, day)[0])
    page["config"], page["data"] = str(common.config_path()), str(common.data_folder())
    if as_json:
        common.print_json(page)
    else:
        click.echo(_text(page, garden.display))
    ctx.exit(3 if page["problems"] else 0)


def _text(page: dict[str, Any], display: Any) -> str:
    from scheduler.show import show_area, show_flow, show_length

    lines = [
        f"{page['config']} reads well; data in {page['data']}",
        f"supply {show_flow(page['supply_lpm'], display)}, usable {show_flow(page['usable_lpm'], display)}",
    ]
    for name, meters in page["longest_tape_m"].items():
        lines.append(f"  feeds at most {show_length(meters, display)} of {name} at once")
    for name, zone in page["zones"].items():
        verdict = "fits" if zone["fits_supply"] else "too much for the supply"
        lines.append(
            f"  {name:<14} {zone['crop']:<16} {show_length(zone['tape_m'], display):>9} of tape"
            f" {show_area(zone['planted_m2'], display):>12} {show_flow(zone['flow_lpm'], display):>9}"
            f"  {verdict}"
        )
    lines += [f"! {p['zone']}: {p['text']}; {p['mend']}" for p in page["problems"]]
    lines += [f"  {notice}" for notice in page["notices"]]
    return "\n".join(lines)
