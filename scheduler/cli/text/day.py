"""What `rowwater day` prints: the runs, what does not fit, and what needs an eye."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from typing import TYPE_CHECKING

from scheduler.cli.text.base import mark, wrap
from scheduler.phrases.days import feed_words
from scheduler.show import show_depth, show_minutes, show_volume

if TYPE_CHECKING:
    from scheduler.shapes.day import DayPage


def day_text(page: DayPage, width: int) -> str:
    return "\n".join(_lines(page, width))


def _lines(page: DayPage, width: int) -> Iterator[str]:
    display = page["display"]
    count = len(page["runs"])
    yield from wrap(
        f"{page['garden']}, {page['date']}: {count} run{'s' if count != 1 else ''} planned", width, 2
    )
    for run in page["runs"]:
        start, stop = datetime.fromisoformat(run["start"]), datetime.fromisoformat(run["stop"])
        when, zone = f"  {start:%H:%M}-{stop:%H:%M}", run["zone"]
        minutes, liters = show_minutes(run["minutes"]), show_volume(run["liters"], display)
        net = f"{show_depth(run['net_mm'], display)} net"
        line = f"{when}  {zone:<14} {minutes:>10}  {liters:>8}  {net}"
        if len(line) <= width:
            yield line
        else:
            yield from wrap(f"{when}  {zone}", width, 4)
            yield from wrap(f"{minutes}, {liters}, {net}", width, 4, first=4)
        if "feed" in run:
            yield from wrap(feed_words(run["feed"]), width, 6, first=4)
    for unmet in page["unmet"]:
        lacks = f"{unmet['zone']} {show_depth(unmet['net_mm'], display)} net"
        yield from wrap(f"  unmet: {lacks}: {unmet['why']}", width, 4)
    for notice in page["notices"]:
        yield from wrap(f"  {mark(notice['level'])}{notice['text']}", width, 4)
    for credit in page["sources"]["credits"]:
        yield from wrap(credit, width, 2, cut=False)
