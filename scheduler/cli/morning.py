"""`rowwater`, `rowwater morning`: the summary, from today.json and nothing else."""

from __future__ import annotations

from datetime import date

import click

from scheduler.cli.common import DATE, data_folder, print_json, terminal_width


@click.command(name="morning")
@click.option("--date", "day", type=DATE, help="take this date as today")
@click.option("--json", "as_json", is_flag=True, help="print the page as JSON")
@click.option("--all", "everything", is_flag=True, help="list every zone, however long the list")
@click.option("--config", hidden=True, expose_value=False)
@click.option("--data", metavar="DIR", help="folder of the database and the published files")
@click.pass_context
def command(ctx: click.Context, day: date | None, as_json: bool, everything: bool, data: str | None) -> None:
    """The morning summary."""
    from scheduler.cli.text.morning import morning_text, needs_a_look
    from scheduler.publish.files import read_today

    if data is not None:
        ctx.obj = {**(ctx.obj or {}), "data": data}
    page = read_today(data_folder())
    if page is None:
        from scheduler.cli.common import no_plan

        raise no_plan(None)
    now = None
    if day is None:
        from scheduler.clock import site_now

        now = site_now(page["timezone"])
        day = now.date()
    if as_json:
        print_json(page)
    else:
        text = morning_text(page, today=day, width=terminal_width(), everything=everything, now=now)
        click.echo(text)
    ctx.exit(3 if needs_a_look(page, day) else 0)
