"""`rowwater season`: the season simulated on a daily weather file."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import click

from scheduler.cli import common
from scheduler.cli.plot import plot_option, write_plot
from scheduler.errors import BadInput

if TYPE_CHECKING:
    from scheduler.model import Garden
    from scheduler.planning.foresight import Mode
    from scheduler.planning.season import Season


@click.command(name="season")
@click.option("--weather", required=True, metavar="FILE", type=click.Path(), help="daily weather CSV")
@click.option(
    "--from", "first", type=common.DATE_THIS_YEAR, help="first date (default: the earliest planting)"
)
@click.option("--to", "last", type=common.DATE_THIS_YEAR, help="last date (default: the last weather row)")
@click.option(
    "--foresight", type=click.Choice(["none", "forecast", "perfect"]), default="none", show_default=True
)
@click.option(
    "--forecast",
    metavar="FILE",
    type=click.Path(),
    help="forecast CSV: the weather file's columns, `issued` in front",
)
@click.option(
    "--unlimited", is_flag=True, help="leave hours, days, caps and the supply's flow aside (foresight none)"
)
@plot_option("each root zone, rain and water over the season")
@click.option("--json", "as_json", is_flag=True, help="print totals and every day as JSON")
@click.option("--csv", "as_csv", is_flag=True, help="print every day as CSV")
@common.place_options
@click.pass_context
def command(
    ctx: click.Context,
    weather: str,
    first: date | None,
    last: date | None,
    foresight: str,
    forecast: str | None,
    unlimited: bool,
    plot: Path | None,
    as_json: bool,
    as_csv: bool,
) -> None:
    """Minutes, water and stress of a whole season, day by day.

    Within hours, days, caps and the supply's flow. --foresight none: each zone by its own trigger, the driest
    first where not all fits. perfect, forecast: each morning the week ahead is planned, on the weather that
    really came, or on the forecast file's newest issue; the balance goes by the true weather.
    Exit status 3 where a crop's water ended by itself (`hold_last_stage: false`).
    """
    from scheduler.pages.season import season_page

    if (foresight == "forecast") != (forecast is not None):
        raise BadInput(
            "--foresight forecast and --forecast FILE go together",
            hint=common.FORECAST_HINT,
        )
    if unlimited and foresight != "none":
        raise BadInput(
            "--unlimited goes with --foresight none only",
            hint="with foresight a week within the limits is planned",
        )
    garden = common.garden()
    season = _simulated(garden, Path(weather), foresight, forecast, unlimited, first, last)
    page = season_page(garden, season)
    for notice in page["notices"]:
        click.echo(f"rowwater: {notice['text']}", err=True)
    if unlimited:
        click.echo("rowwater: hours, days, caps and the supply's flow are left aside", err=True)
    if plot:
        from scheduler.drawings.season import season as drawn

        write_plot(plot, drawn("season", page, garden.display))
    if as_json:
        common.print_json(page)
    elif as_csv:
        if page["days"]:
            common.print_csv(page["days"], list(dict.fromkeys(key for row in page["days"] for key in row)))
    else:
        from scheduler.cli.text.season import season_text

        click.echo(season_text(page, garden.display, common.terminal_width()))
    ctx.exit(3 if any(notice["level"] != "info" for notice in page["notices"]) else 0)


def _simulated(
    garden: Garden,
    weather: Path,
    foresight: str,
    forecast: str | None,
    unlimited: bool,
    first: date | None,
    last: date | None,
) -> Season:
    from scheduler.weather.files import daily as daily_file
    from scheduler.weather.files import forecast as forecast_file

    days = daily_file.read(weather)
    if unlimited:
        from scheduler.planning.season import simulate

        return simulate(garden, days, first, last)
    from scheduler.planning.foresight import simulate_ahead

    issues = forecast_file.read(Path(forecast)) if forecast else None
    mode: Mode = "forecast" if issues else ("perfect" if foresight == "perfect" else "none")
    return simulate_ahead(garden, days, mode, issues=issues, first=first, last=last)
