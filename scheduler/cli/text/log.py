"""The log as text: a line for each date and zone, and the sum of each zone."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from scheduler.cli.text.base import wrap
from scheduler.phrases.water import outcome
from scheduler.show import Display, show_depth, show_volume

if TYPE_CHECKING:
    from scheduler.shapes.log import LogLine, LogPage, LogTotal


ONE_LINE = 79
"""Columns of a row with its remark; below so many it has two lines."""
ZONE = 14


def log_text(page: LogPage, display: Display, width: int) -> str:
    if not page["days"]:
        return "\n".join(wrap(f"nothing planned or given from {page['from']} to {page['to']}", width, 2))
    return "\n".join(_lines(page, display, width))


def _lines(page: LogPage, display: Display, width: int) -> Iterator[str]:
    if width >= ONE_LINE:
        yield "date        zone            planned   given      water    net depth"
    for row in page["days"]:
        yield from _day(row, display, width)
    for zone, total in page["zones"].items():
        yield from _total(zone, total, display, width)


def _day(row: LogLine, display: Display, width: int) -> list[str]:
    given = "?" if row["minutes"] is None else f"{row['minutes']:.0f} min"
    water = "" if row["liters"] is None else show_volume(row["liters"], display)
    net = "" if row["net_mm"] is None else show_depth(row["net_mm"], display)
    planned = f"{row['planned_minutes']:.0f} min"
    return _row(row["date"], row["zone"], (planned, given, water, net), outcome(row), width)


def _total(zone: str, total: LogTotal, display: Display, width: int) -> list[str]:
    planned, given = f"{total['planned_minutes']:.0f} min", f"{total['minutes']:.0f} min"
    water, net = show_volume(total["liters"], display), show_depth(total["net_mm"], display)
    return _row("in all", zone, (planned, given, water, net), "", width)


def _row(when: str, zone: str, figures: tuple[str, str, str, str], remark: str, width: int) -> list[str]:
    """One line, or two where it is narrow or the zone's name is long."""
    planned, given, water, net = figures
    line = f"{planned:>8} {given:>9} {water:>9} {net:>9}"
    if width >= ONE_LINE and len(zone) <= ZONE:
        return [f"{when:<10}  {zone:<{ZONE}} {line}  {remark}".rstrip()]
    head = wrap(f"{when}  {zone}{remark and f': {remark}'}", width, 2)
    if width >= ONE_LINE:
        return [*head, f"{'':<26} {line}"]
    told = [f"planned {planned}", f"given {given}", *(text for text in (water, net) if text)]
    return [*head, *wrap(", ".join(told), width, 4, first=2)]
