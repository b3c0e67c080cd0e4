"""What `rowwater day` prints: the runs, what does not fit, and what needs an eye."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from typing import TYPE_CHECKING

from scheduler.cli.text.base import mark
from scheduler.show import show_depth, show_minutes, show_volume

if TYPE_CHECKING:
    from scheduler.shapes.day import DayPage


def day_text(page: DayPage) -> str:
    return "\n".join(_lines(page))


def _lines(page: DayPage) -> Iterator[str]:
    display = page["display"]
    yield f"{page['garden']}, {page['date']}: {len(page['runs'])} runs planned"
    for run in page["runs"]:
        start, stop = datetime.fromisoformat(run["start"]), datetime.fromisoformat(run["stop"])
        yield (
            f"  {start:%H:%M}-{stop:%H:%M}  {run['zone']:<14} {show_minutes(run['minutes']):>10}"
            f"  {show_volume(run['liters'], display):>8}  {show_depth(run['net_mm'], display)} net"
        )
    for unmet in page["unmet"]:
        yield f"  unmet: {unmet['zone']} {show_depth(unmet['net_mm'], display)} net: {unmet['why']}"
    for notice in page["notices"]:
        yield f"  {mark(notice['level'])}{notice['text']}"
    yield from page["sources"]["credits"]
