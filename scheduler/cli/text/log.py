"""The log as text: a line for each date and zone, and the sum of each zone."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from scheduler.show import Display, show_depth, show_volume

if TYPE_CHECKING:
    from scheduler.shapes.log import LogLine, LogPage, LogTotal


def log_text(page: LogPage, display: Display) -> str:
    if not page["days"]:
        return f"nothing planned or given from {page['from']} to {page['to']}"
    return "\n".join(_lines(page, display))


def _lines(page: LogPage, display: Display) -> Iterator[str]:
    yield "date        zone            planned   given      water    net depth"
    for row in page["days"]:
        yield _day(row, display)
    for zone, total in page["zones"].items():
        yield _total(zone, total, display)


def _day(row: LogLine, display: Display) -> str:
    given = "?" if row["minutes"] is None else f"{row['minutes']:.0f} min"
    water = "" if row["liters"] is None else show_volume(row["liters"], display)
    net = "" if row["net_mm"] is None else show_depth(row["net_mm"], display)
    remark = "  not answered" if row["minutes"] is None else ""
    if row["outcome"] in ("cut short", "interrupted"):
        remark = f"  {row['outcome']}"
    return (
        f"{row['date']}  {row['zone']:<14} {row['planned_minutes']:>4.0f} min {given:>9} {water:>9}"
        f" {net:>9}{remark}"
    )


def _total(zone: str, total: LogTotal, display: Display) -> str:
    return (
        f"in all      {zone:<14} {total['planned_minutes']:>4.0f} min {total['minutes']:>5.0f} min "
        f"{show_volume(total['liters'], display):>9} {show_depth(total['net_mm'], display):>9}"
    )
