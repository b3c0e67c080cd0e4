"""`rowwater note list`, `note undo`: what was noted, and what of it is taken back."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import click

from scheduler.cli import common
from scheduler.cli.note.keeping import plan_again, site, told_at
from scheduler.errors import BadInput

if TYPE_CHECKING:
    from scheduler.store.told import Told


@click.command(name="list")
@click.option("--json", "as_json", is_flag=True, help="print as JSON")
@common.place_options
def list_(as_json: bool) -> None:
    """All that was noted, numbered; also water booked by hand, and what was taken back."""
    from scheduler.cli.text.note import list_text
    from scheduler.clock import site_now
    from scheduler.pages.notes import notes_page
    from scheduler.store.told import told

    known = common.site()
    with common.store(site_now(known.timezone)) as store:
        found = told(store)
    if as_json:
        common.print_json(notes_page(found))
    else:
        width = common.terminal_width()
        click.echo(list_text(found, display=known.display, timezone=known.timezone, width=width))


@click.command(name="undo")
@click.argument("number", metavar="[N]", required=False, type=click.IntRange(min=1))
@common.place_options
def undo(number: int | None) -> None:
    """Take back note N (default: the latest); nothing is deleted, and an undo can be undone by its number."""
    from scheduler.cli.text.note import told_text
    from scheduler.store.told import told, withdraw

    garden, now = site()
    with common.store(now) as store:
        found = told(store)
        one = _latest(found) if number is None else _numbered(found, number)
        withdraw(store, one, told_at(store, now))
        click.echo(f"taken back: {told_text(one, found, garden.display, garden.location.timezone)}")
        for again in _counts_again(found, told(store), one):
            click.echo(f"counts again: {told_text(again, found, garden.display, garden.location.timezone)}")
        plan_again(garden, store, now, one.day)


def _counts_again(before: Sequence[Told], after: Sequence[Told], one: Told) -> list[Told]:
    """Rain readings that what was taken back had corrected."""
    if one.note is None or one.note.kind not in ("rain", "undo"):
        return []
    from scheduler.planning.weather import rain_in_force

    def in_force(found: Sequence[Told]) -> set[int]:
        rain = [(told.number, told.note) for told in found if told.in_force and told.note]
        return rain_in_force(rain)

    return [told for told in after if told.number in in_force(after) - in_force(before)]


def _latest(found: Sequence[Told]) -> Told:
    """What was told last and counts; an undo is undone only by its number."""
    one = next((one for one in reversed(found) if one.in_force and one.withdraws is None), None)
    if one is None:
        raise BadInput("there is no note to take back")
    return one


def _numbered(found: Sequence[Told], number: int) -> Told:
    if number > len(found):
        raise BadInput(f"there is no note {number}", hint="rowwater note list")
    one = found[number - 1]
    if one.withdrawn_by is not None:
        raise BadInput(
            f"note {number} was taken back already",
            hint=f"to have it count again: rowwater note undo {one.withdrawn_by}",
        )
    return one
