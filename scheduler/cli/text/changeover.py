"""The changeover as text: places along the line, holes, tape, parts."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

import click

from scheduler.cli.text.base import wrap
from scheduler.show import METERS_PER_FOOT, MM_PER_INCH, Display, show_length

if TYPE_CHECKING:
    from scheduler.shapes.changeover import (
        ChangeoverPage,
        Feed,
        HoleLine,
        Layout,
        ShiftLine,
        TapeLine,
        TapeWork,
        Work,
        ZoneChangeLine,
    )

WIDEST = 100
NARROW = 60
WORK = {
    "keep": "keep {length}",
    "cut back": "cut back to {length}",
    "extend": "extend by {cut} to {length}",
    "lay": "cut {length}",
}


def changeover_text(page: ChangeoverPage, display: Display, width: int) -> str:
    return "\n".join(_lines(page, display, min(width, WIDEST)))


def _lines(page: ChangeoverPage, display: Display, width: int) -> Iterator[str]:
    def fit(text: str, indent: int = 2) -> list[str]:
        return wrap(text, width, indent, first=2)

    for line in wrap(f"Supply line: from {page['from']} to {page['to']}", width, 2):
        yield click.style(line, bold=True)
    yield from fit(f"Places are measured from the feed ({page['feed']}): {page['convention']}.")
    yield from fit("Hold a tape measure to one hole that is there before you make the others.")
    for name, zone in page["zones"].items():
        yield ""
        yield from _zone(name, zone, page["feed"], display, width)
    yield ""
    yield click.style("Parts in all", bold=True)
    yield from _parts(page, display, width)
    for problem in page["problems"]:
        places = f"{show_place(problem['needs_m'], display)} of {show_place(problem['has_m'], display)}"
        yield from fit(f"! {problem['zone']}: {problem['text']} ({places}); {problem['mend']}", 4)
    for notice in page["notices"]:
        yield from fit(notice, 4)
    yield from fit("Shut the water off and let the pressure go before you open the line.", 4)


def _zone(name: str, zone: ZoneChangeLine, feed: Feed, display: Display, width: int) -> Iterator[str]:
    head = wrap(f"{name}: {_rows(zone['from'], display)} -> {_rows(zone['to'], display)}", width, 2)
    yield head[0].replace(name, click.style(name, bold=True), 1)
    yield from head[1:]
    states = [hole["state"] for hole in zone["holes"]]
    if not zone["changes"]:
        yield from wrap(f"  no change: all {len(states)} holes stay, and their tape", width, 4)
        return
    yield _columns("from the feed", "hole", "old row", "new row", width)
    for hole in zone["holes"]:
        yield _hole(hole, display, width)
    counts = f"{states.count('stays')} stay, {states.count('plug')} to plug, {states.count('new')} new"
    yield from wrap(f"  {counts}", width, 4)
    for rows, count, work in tape_lines(zone["tapes"]):
        length, cut = show_length(work["length_m"], display), show_length(work["cut_m"], display)
        which = "row" if rows.isdigit() else "rows"
        tapes = "1 tape" if count == 1 else f"{count} tapes"
        what = WORK[work["work"]].format(length=length, cut=cut)
        yield from wrap(f"  tape of {which} {rows}: {what} ({tapes})", width, 4)
    if zone["shift"]:
        yield from wrap(_shift(zone["shift"], feed, display), width, 4)


def _columns(place: str, state: str, old: str, new: str, width: int) -> str:
    if width < NARROW:
        return f"{place:>18} {state:<5} {old:>7} {new:>7}"
    return f"  {place:>20}  {state:<5}  {old:>7}  {new:>7}"


def _hole(hole: HoleLine, display: Display, width: int) -> str:
    place = f"{hole['branch'] or ''} {show_place(hole['from_feed_m'], display)}".strip()
    old, new = (str(row or "-") for row in (hole["row_from"], hole["row_to"]))
    return _columns(place, hole["state"], old, new, width)


def _shift(shift: ShiftLine, feed: Feed, display: Display) -> str:
    move, stay = shift["by_m"], shift["stays"]
    ways = ("away from the feed", "towards the feed") if feed == "end" else ("to the right", "to the left")
    holes = "1 hole" if stay == 1 else f"{stay} holes"
    way = ways[move < 0]
    return f"  moving all new rows {show_place(abs(move), display)} {way} would let {holes} stay"


def _rows(layout: Layout | None, display: Display) -> str:
    if layout is None:
        return "nothing"
    tapes = f", {layout['tapes']} tapes each" if layout["tapes"] > 1 else ""
    crop = f"{layout['crop']}, " if layout["crop"] else ""
    rows = "1 row" if layout["count"] == 1 else f"{layout['count']} rows"
    return f"{crop}{rows} {show_length(layout['spacing_m'], display)} apart{tapes}"


def _parts(page: ChangeoverPage, display: Display, width: int) -> Iterator[str]:
    for text in _part_lines(page, display):
        yield from wrap(text, width, 8)


def _part_lines(page: ChangeoverPage, display: Display) -> Iterator[str]:
    parts = page["parts"]
    tape, whole, lifted = (
        show_length(metres, display)
        for metres in (parts["tape_m"], parts["tape_with_waste_m"], parts["lifted_m"])
    )
    freed = "come free, to use again if sound"
    yield f"  {parts['row_starts']:>4}  row starts (take-off fittings; {parts['row_starts_freed']} {freed})"
    yield f"  {parts['plugs']:>4}  goof plugs"
    yield f"  {parts['couplings']:>4}  couplings"
    yield f"  {parts['end_closures']:>4}  end closures ({parts['end_closures_freed']} {freed})"
    yield f"        {tape} of tape, {whole} with {page['waste']:.0%} waste; {lifted} is taken up"


# --- places and rows ---


def show_place(m: float, display: Display) -> str:
    """A place to be found with a tape measure: to half an inch or a centimetre.

    >>> show_place(1.143, "us"), show_place(1.143, "metric")
    ('3 ft 9 in', '1.14 m')
    """
    if display == "metric":
        return f"{m:.2f} m"
    halves = round(m * 1000 / MM_PER_INCH * 2)
    feet, rest = divmod(halves, round(METERS_PER_FOOT * 1000 / MM_PER_INCH) * 2)
    inches = f"{rest / 2:g} in"
    return inches if not feet else f"{feet} ft {inches}" if rest else f"{feet} ft"


def tape_lines(tapes: Sequence[TapeLine]) -> list[tuple[str, int, TapeWork]]:
    """Tapes that ask for the same, together: ("1-4, 6", how many tapes, the work), in order of the rows."""
    groups: dict[tuple[Work, float, float], list[int]] = {}
    for tape in tapes:
        groups.setdefault((tape["work"], tape["length_m"], tape["cut_m"]), []).append(tape["row"])
    return [
        (_ranges(rows), len(rows), {"work": work, "length_m": length_m, "cut_m": cut_m})
        for (work, length_m, cut_m), rows in groups.items()
    ]


def _ranges(rows: Sequence[int]) -> str:
    spans: list[list[int]] = []
    for row in sorted(set(rows)):
        if spans and row == spans[-1][1] + 1:
            spans[-1][1] = row
        else:
            spans.append([row, row])
    return ", ".join(str(a) if a == b else f"{a}-{b}" for a, b in spans)
