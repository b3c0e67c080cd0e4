"""`rowwater check`: is garden.yaml right, where do things live, and can the supply carry the garden."""

from __future__ import annotations

import math
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import click

from scheduler.cli import common
from scheduler.cli.plot import plot_option, write_plot

if TYPE_CHECKING:
    from scheduler.core.balance.et import ReferenceET
    from scheduler.model import Garden, WeatherDays


@click.command(name="check")
@click.option("--date", "day", type=common.DATE_THIS_YEAR, help="take this date as today")
@click.option(
    "--weather", metavar="FILE", type=click.Path(), help="daily weather CSV to take the hottest week from"
)
@plot_option("pressure along each row")
@click.option("--offline", is_flag=True, help="open no source of weather, nor any other file named")
@click.option("--json", "as_json", is_flag=True, help="print as JSON")
@common.place_options
@click.pass_context
def command(
    ctx: click.Context, day: date | None, weather: str | None, plot: Path | None, offline: bool, as_json: bool
) -> None:
    """Validates the YAML, and says whether supply, tape, pressure and hours can carry the garden."""
    from scheduler.clock import site_now
    from scheduler.core.system.check import check_garden, hottest_week
    from scheduler.core.system.tape_place import savings
    from scheduler.pages.allowance import allowance_problems
    from scheduler.pages.check import check_page
    from scheduler.planning.day_rules import today_and_now

    garden = _with_noted_plantings(common.garden())
    now = site_now(garden.location.timezone)
    today, now = today_and_now(garden, day or now.date(), now)
    known = _climate(garden, weather)
    et = known and known[1]
    found = check_garden(garden, today, math.nan if et is None else hottest_week(et.et0_mm))
    judged = [(zone.zone, zone.stand.planting) for zone in found.zones]
    page = check_page(garden, found, et, savings(garden, judged, *known) if known else None)
    page["problems"] += allowance_problems(garden, found, et, today)
    page["config"], page["data"] = str(common.config_path()), str(common.data_folder())
    if not offline:
        from scheduler.cli.tried import try_everything

        page["sources"] = try_everything(garden, today, now, common.data_folder())
    if plot:
        from scheduler.drawings.pressure import pressure

        write_plot(plot, pressure("pressure", page["zones"], garden.display))
    if as_json:
        common.print_json(page)
    else:
        from scheduler.cli.text.check import check_text

        click.echo(check_text(page, garden.display, common.terminal_width()))
    wrong = any(problem["level"] == "problem" for problem in page["problems"])
    ctx.exit(3 if wrong or not all(tried["ok"] for tried in page.get("sources", ())) else 0)


def _with_noted_plantings(garden: Garden) -> Garden:
    """The garden with what the grower noted of plantings since, where anything is on record."""
    if not (common.data_folder() / "rowwater.db").is_file():
        return garden
    from dataclasses import replace
    from functools import partial

    from scheduler.clock import site_now
    from scheduler.garden.file import planting_from_note
    from scheduler.planning.notes import with_notes

    make = partial(planting_from_note, common.config_path())
    with common.store(site_now(garden.location.timezone)) as store:
        return replace(garden, zones=with_notes(garden.zones, store.notes(), make))


def _climate(garden: Garden, weather: str | None) -> tuple[WeatherDays, ReferenceET] | None:
    """The given file's days, else the stored ones, with their ET0; None without either."""
    from scheduler.core.balance.et import reference_et

    if weather:
        from scheduler.weather.files import daily as daily_file

        days = daily_file.read(Path(weather))
        return days, reference_et(days, garden.location)
    if not (common.data_folder() / "rowwater.db").is_file():
        return None
    from scheduler.clock import site_now
    from scheduler.weather.days import join

    with common.store(site_now(garden.location.timezone)) as store:
        span = store.weather_span()
        if span is None:
            return None
        days = join(store.weather(*span), *span, [source.name for source in garden.sources])
    return days, reference_et(days, garden.location)
