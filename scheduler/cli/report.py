"""`rowwater report`: a season's water in one file."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, timedelta
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from scheduler.cli import common
from scheduler.errors import BadInput, CouldNot

if TYPE_CHECKING:
    from scheduler.shapes.report import ReportPage

COLUMNS = ("table", "month", "zone", "what", "value")


@click.command(name="report")
@click.argument("file", required=False, metavar="FILE.html", type=click.Path())
@click.option("--from", "first", type=common.DATE, help="first date (default: 1 January)")
@click.option("--to", "last", type=common.DATE, help="last date (default: the last one on record)")
@click.option("--json", "as_json", is_flag=True, help="print all of it as JSON")
@click.option("--csv", "as_csv", is_flag=True, help="print the tables as CSV, a value a line")
@common.place_options
def command(file: str | None, first: date | None, last: date | None, as_json: bool, as_csv: bool) -> None:
    """Water given, asked and kept back, deficits, weather, what was done, and advice for next year.

    FILE.html opens in any browser, needs no network and prints on Letter and A4. From the store alone: no
    source is asked.
    """
    from scheduler.clock import site_now
    from scheduler.disk import write_atomic
    from scheduler.garden.file import planting_from_note
    from scheduler.pages.report import report_page
    from scheduler.planning.season_past import past

    if file is None and not (as_json or as_csv):
        raise BadInput("say where the report goes", hint="rowwater report season.html, or --json, or --csv")
    if file is not None and Path(file).suffix.lower() not in (".html", ".htm"):
        raise BadInput(f"{file}: the report is an .html")
    garden = common.garden()
    now = site_now(garden.location.timezone)
    with common.store(now) as store:
        newest = store.newest_plan()
        if newest is None or store.first_day is None:
            raise CouldNot("nothing is on record yet", hint="run: rowwater day")
        last = last or min(now.date(), newest.day) - timedelta(days=1)
        first = first or date(last.year, 1, 1)
        begin = max(first, store.first_day)
        if last < begin:
            raise BadInput(
                f"nothing is on record from {first} to {last}", hint=f"records begin on {store.first_day}"
            )
        if last >= now.date():
            raise BadInput(
                f"--to {last}: only days that are over", hint=f"the last is {now.date() - timedelta(days=1)}"
            )
        found = past(garden, store, begin, last, partial(planting_from_note, common.config_path()))
        page = report_page(found, store, now=now)
    if file is not None:
        from scheduler.html.report import report_html

        write_atomic(Path(file), report_html(page))
        click.echo(f"wrote {file}", err=True)
    if as_json:
        common.print_json(page)
    elif as_csv:
        common.print_csv(list(_values(page)), COLUMNS)


def _values(page: ReportPage) -> Iterator[dict[str, object]]:
    """Every number of the tables, a line each; names carry their units."""
    for table in ("months", "flow", "weather"):
        for line in page[table]:
            yield from _line(table, dict(line))
    for zone, totals in page["zones"].items():
        yield from _line("zones", {"zone": zone, **totals})


def _line(table: str, line: dict[str, object]) -> Iterator[dict[str, object]]:
    at = {"table": table, "month": line.pop("month", ""), "zone": line.pop("zone", "")}
    for what, value in line.items():
        yield {**at, "what": what, "value": value}
