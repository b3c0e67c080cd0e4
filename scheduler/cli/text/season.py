"""The season as text: a line for each zone."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from scheduler.cli.text.base import Row, table, wrap
from scheduler.show import Display, show_depth, show_volume

if TYPE_CHECKING:
    from scheduler.shapes.season import Foresight, SeasonPage


HEADS = ("runs", "minutes", "water", "net", "crop ET", "rain", "drained", "stress")
WIDTHS = (6, 9, 12, 9, 9, 9, 9, 8)


def season_text(page: SeasonPage, display: Display, width: int) -> str:
    return "\n".join(_lines(page, display, width))


def _lines(page: SeasonPage, display: Display, width: int) -> Iterator[str]:
    yield from wrap(f"{page['garden']}, {page['from']} to {page['to']}", width, 2)
    yield ""
    yield from table([("zone", HEADS), *_zones(page, display)], width, label=14, cells=WIDTHS)
    for text in (*_foresight_lines(page["foresight"]), *_limit_lines(page)):
        yield from wrap(text, width, 4) or [""]


def _zones(page: SeasonPage, display: Display) -> Iterator[Row]:
    for name, zone in page["zones"].items():
        depths = (zone["net_mm"], zone["etc_mm"], zone["rain_mm"], zone["percolation_mm"])
        yield (
            name,
            (
                str(zone["runs"]),
                f"{zone['minutes']:.0f}",
                show_volume(zone["liters"], display),
                *(show_depth(mm, display) for mm in depths),
                f"{zone['stress_days']} d",
            ),
        )


def _limit_lines(page: SeasonPage) -> list[str]:
    """What kept water from the zones, or that nothing did."""
    if page["unlimited"]:
        return ["", "Hours, days, caps and the supply's flow are left aside (--unlimited)."]
    short = {name: zone.get("short_days", 0) for name, zone in page["zones"].items()}
    told = [f"  {name}: {days} d" for name, days in short.items() if days]
    if told:
        return ["", "Watering days on which hours, caps or flow did not reach for the whole run:", *told]
    return []


def _foresight_lines(foresight: Foresight) -> list[str]:
    if foresight["mode"] == "none":
        return []
    by = ", ".join(f"{count} by {method}" for method, count in sorted(foresight["mornings"].items()))
    return ["", f"foresight: {foresight['mode']}; mornings planned: {by or 'none'}"]
