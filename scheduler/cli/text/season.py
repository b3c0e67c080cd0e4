"""The season as text: a line for each zone."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from scheduler.cli.text.base import Row, table, wrap
from scheduler.show import Display, show_depth, show_volume

if TYPE_CHECKING:
    from scheduler.shapes.season import Foresight, SeasonPage, SeasonPlanting


HEADS = ("runs", "minutes", "water", "net", "crop ET", "rain", "drained", "stress")
WIDTHS = (6, 9, 12, 9, 9, 9, 9, 8)
PLANTING_HEADS = ("planted", "asked for", "went short of", "yield")
PLANTING_WIDTHS = (14, 13, 16, 13)
MOST_PLANTINGS = 24
"""More are too many to read: the latest stand here, --json has all."""


def season_text(page: SeasonPage, display: Display, width: int) -> str:
    return "\n".join(_lines(page, display, width))


def _lines(page: SeasonPage, display: Display, width: int) -> Iterator[str]:
    yield from wrap(f"{page['garden']}, {page['from']} to {page['to']}", width, 2)
    yield ""
    yield from table([("zone", HEADS), *_zones(page, display)], width, label=14, cells=WIDTHS)
    yield from _evaporated(page, display, width)
    if page["plantings"]:
        yield ""
        plantings = list(_plantings(page, display))
        yield from table([("planting", PLANTING_HEADS), *plantings], width, label=24, cells=PLANTING_WIDTHS)
    for text in (*_yield_lines(page["plantings"]), *_foresight_lines(page["foresight"]), *_limit_lines(page)):
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


def _evaporated(page: SeasonPage, display: Display, width: int) -> Iterator[str]:
    told = [
        f"{name} {show_depth(zone['evaporation_mm'], display)}"
        for name, zone in page["zones"].items()
        if zone["evaporation_mm"] > 0
    ]
    if told:
        yield ""
        yield from wrap(f"Of the crop ET, evaporated from the ground: {', '.join(told)}.", width, 4)


def _plantings(page: SeasonPage, display: Display) -> Iterator[Row]:
    """The latest plantings, a row each."""
    for one in page["plantings"][-MOST_PLANTINGS:]:
        told = one["yield"] if one["yield_told"] else None
        yield (
            f"{one['zone']}: {one['crop']}",
            (
                one["planted"],
                show_depth(one["etc_mm"], display),
                show_depth(one["short_use_mm"], display),
                "-" if told is None else f"about {100 * told:.0f}%",
            ),
        )


def _yield_lines(plantings: Sequence[SeasonPlanting]) -> list[str]:
    left_out = len(plantings) - MOST_PLANTINGS
    more = ["", f"{left_out} earlier plantings: see --json."] if left_out > 0 else []
    if not any(one["yield_told"] for one in plantings[-MOST_PLANTINGS:]):
        return more
    by_salt = any(one["yield_salt"] is not None for one in plantings)
    how = "by what the crop went short of at each stage (FAO-33)" + (
        " and the salt in its strip (Maas and Hoffman)" if by_salt else ""
    )
    return [*more, "", f"Yield: of what the place gives with water enough, {how}."]


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
