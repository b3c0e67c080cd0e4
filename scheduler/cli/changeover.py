"""`rowwater changeover`: what is done to the supply line between two crops' layouts, and the parts for it."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from scheduler.cli import common
from scheduler.errors import BadInput

if TYPE_CHECKING:
    from scheduler.pages.changeover import Side

WORK = {
    "keep": "keep {length}",
    "cut back": "cut back to {length}",
    "extend": "extend by {cut} to {length}",
    "lay": "cut {length}",
}


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
        tolerance_m=_read("--tolerance", "length", tolerance, display),
        waste=_read("--waste", "fraction", waste, display),
    )
    if as_json:
        common.print_json(page)
    else:
        click.echo("\n".join(_lines(page, display, min(common.terminal_width(), 100))))
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
    try:
        return date.fromisoformat(text)
    except ValueError:
        pass
    if Path(text).expanduser().is_file():
        return None
    raise BadInput(
        f'"{text}" is neither a date nor a file',
        hint="a date such as 2026-08-20, or the path of a garden.yaml",
    )


def _own_garden() -> tuple[Any, Any]:
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


def _read(option: str, kind: Any, text: str, display: Any) -> float:
    from scheduler.units import BadQuantity, read

    try:
        value = read(kind, text, display=display)
    except BadQuantity as error:
        raise BadInput(f"{option}: {error}") from None
    if value < 0:
        raise BadInput(f'{option}: "{text}" is below 0')
    return value


def _lines(page: dict[str, Any], display: Any, width: int) -> Iterator[str]:
    def fit(text: str, indent: int = 2) -> list[str]:
        return textwrap.wrap(
            text, width, initial_indent="  ", subsequent_indent=" " * indent, break_on_hyphens=False
        )

    yield click.style(f"Supply line: from {page['from']} to {page['to']}", bold=True)
    yield from fit(f"Places are measured from the feed ({page['feed']}): {page['convention']}.")
    yield from fit("Hold a tape measure to one hole that is there before you make the others.")
    for name, zone in page["zones"].items():
        yield ""
        yield from _zone(name, zone, page["feed"], display)
    yield ""
    yield click.style("Parts in all", bold=True)
    yield from _parts(page, display)
    from scheduler.pages.changeover import show_place

    for problem in page["problems"]:
        places = f"{show_place(problem['needs_m'], display)} of {show_place(problem['has_m'], display)}"
        yield from fit(f"! {problem['zone']}: {problem['text']} ({places}); {problem['mend']}", 4)
    for notice in page["notices"]:
        yield from fit(notice, 4)
    yield from fit("Shut the water off and let the pressure go before you open the line.", 4)


def _zone(name: str, zone: dict[str, Any], feed: str, display: Any) -> Iterator[str]:
    from scheduler.pages.changeover import show_place, tape_lines
    from scheduler.show import show_length

    yield click.style(name, bold=True) + f": {_rows(zone['from'], display)} -> {_rows(zone['to'], display)}"
    counts = [hole["state"] for hole in zone["holes"]]
    if not zone["changes"]:
        yield f"  no change: all {len(counts)} holes stay, and their tape"
        return
    yield f"  {'from the feed':>20}  {'hole':<5}  {'old row':>7}  {'new row':>7}"
    for hole in zone["holes"]:
        place = f"{hole['branch'] or ''} {show_place(hole['from_feed_m'], display)}".strip()
        rows = [hole[key] or "-" for key in ("row_from", "row_to")]
        yield f"  {place:>20}  {hole['state']:<5}  {rows[0]:>7}  {rows[1]:>7}"
    yield f"  {counts.count('stays')} stay, {counts.count('plug')} to plug, {counts.count('new')} new"
    for rows_text, count, work in tape_lines(zone["tapes"]):
        lengths = {key: show_length(work[f"{key}_m"], display) for key in ("length", "cut")}
        which = "row" if rows_text.isdigit() else "rows"
        tapes = "1 tape" if count == 1 else f"{count} tapes"
        yield f"  tape of {which} {rows_text}: {WORK[work['work']].format(**lengths)} ({tapes})"
    if zone["shift"]:
        move, stay = zone["shift"]["by_m"], zone["shift"]["stays"]
        ways = (
            ("away from the feed", "towards the feed") if feed == "end" else ("to the right", "to the left")
        )
        holes = "1 hole" if stay == 1 else f"{stay} holes"
        way = ways[move < 0]
        yield f"  moving all new rows {show_place(abs(move), display)} {way} would let {holes} stay"


def _rows(layout: dict[str, Any] | None, display: Any) -> str:
    from scheduler.show import show_length

    if layout is None:
        return "nothing"
    tapes = f", {layout['tapes']} tapes each" if layout["tapes"] > 1 else ""
    crop = f"{layout['crop']}, " if layout["crop"] else ""
    rows = "1 row" if layout["count"] == 1 else f"{layout['count']} rows"
    return f"{crop}{rows} {show_length(layout['spacing_m'], display)} apart{tapes}"


def _parts(page: dict[str, Any], display: Any) -> Iterator[str]:
    from scheduler.show import show_length

    parts = page["parts"]
    tape, whole, lifted = (
        show_length(parts[key], display) for key in ("tape_m", "tape_with_waste_m", "lifted_m")
    )
    freed = "come free, to use again if sound"
    yield f"  {parts['row_starts']:>4}  row starts (take-off fittings; {parts['row_starts_freed']} {freed})"
    yield f"  {parts['plugs']:>4}  goof plugs"
    yield f"  {parts['couplings']:>4}  couplings"
    yield f"  {parts['end_closures']:>4}  end closures ({parts['end_closures_freed']} {freed})"
    yield f"        {tape} of tape, {whole} with {page['waste']:.0%} waste; {lifted} is taken up"
