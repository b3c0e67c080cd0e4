"""`rowwater changeover`: what is done to the supply line between two crops' layouts, and the parts for it."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import click

from scheduler.cli import common
from scheduler.errors import BadInput

if TYPE_CHECKING:
    from scheduler.core.system.upkeep import Noted
    from scheduler.model import Garden
    from scheduler.pages.changeover import Side


@click.command(name="changeover")
@click.option("--from", "before", required=True, metavar="DATE|FILE", help="the layout that lies now")
@click.option("--to", "after", required=True, metavar="DATE|FILE", help="the layout to change to")
@click.option("--tolerance", default="1 in", show_default=True, help="holes this near count as the same")
@click.option("--waste", default="5%", show_default=True, help="share of tape lost in cutting")
@click.option("--json", "as_json", is_flag=True, help="print as JSON")
@common.place_options
@click.pass_context
def command(ctx: click.Context, before: str, after: str, tolerance: str, waste: str, as_json: bool) -> None:
    """Holes of the supply line that stay, are plugged or new, and the parts between two layouts.

    DATE means the plantings that stand on it in garden.yaml and your notes: where none does, the latest
    before (--from) or the next of that year (--to).  FILE is another garden.yaml, at its first plantings.
    """
    from scheduler.pages.changeover import changeover_page

    sides = _sides(before, after)
    display = sides[1].garden.display
    page = changeover_page(
        *sides,
        tolerance_m=common.not_below_zero("--tolerance", "length", tolerance, display),
        waste=common.not_below_zero("--waste", "fraction", waste, display),
    )
    if as_json:
        common.print_json(page)
    else:
        from scheduler.cli.text.changeover import changeover_text

        click.echo(changeover_text(page, display, common.terminal_width()))
    ctx.exit(3 if page["problems"] else 0)


def _sides(before: str, after: str) -> tuple[Side, Side]:
    from scheduler.pages.changeover import Side

    days = [_date(text) for text in (before, after)]
    own = None
    if any(days):
        garden, noted = _own_garden()
        own = Side("", garden, None, noted)
    sides = [_side(text, day, own) for text, day in zip((before, after), days, strict=True)]
    return sides[0], sides[1]


def _side(text: str, day: date | None, own: Side | None) -> Side:
    from scheduler.garden.file import load
    from scheduler.pages.changeover import Side

    if day is not None and own is not None:
        return Side(day.isoformat(), own.garden, day, own.noted)
    return Side(text, load(Path(text).expanduser()), None)


def _date(text: str) -> date | None:
    if Path(text).expanduser().is_file():
        return None
    try:
        return common.date_of(text, "year")
    except BadInput as error:
        raise BadInput(
            f'"{text}" is neither a date nor a file: {error.text}',
            hint="a date such as 2026-08-20, or the path of a garden.yaml",
        ) from None


def _own_garden() -> tuple[Garden, Noted]:
    """The grower's garden with the notes of what was really planted and pulled, and when tape was laid."""
    from dataclasses import replace

    garden = common.garden()
    if not (common.data_folder() / "rowwater.db").is_file():
        return garden, {}
    from scheduler.clock import site_now
    from scheduler.core.system.upkeep import last_noted
    from scheduler.garden.file import planting_from_note
    from scheduler.planning.notes import with_notes

    with common.store(site_now(garden.location.timezone)) as store:
        notes = store.notes()
    path = common.config_path()
    zones = with_notes(garden.zones, notes, lambda zone, crop, day: planting_from_note(path, zone, crop, day))
    return replace(garden, zones=zones), last_noted(notes)
