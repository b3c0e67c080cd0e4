"""The season as text: a line for each zone."""

from __future__ import annotations

from typing import TYPE_CHECKING

from scheduler.show import Display, show_depth, show_volume

if TYPE_CHECKING:
    from scheduler.shapes.season import Foresight, SeasonPage


def season_text(page: SeasonPage, display: Display) -> str:
    lines = [
        f"{page['garden']}, {page['from']} to {page['to']}",
        "",
        f"{'zone':<14} {'runs':>5} {'minutes':>8} {'water':>11} {'net':>8} {'crop ET':>8} {'rain':>8}"
        f" {'drained':>8} {'stress':>7}",
    ]
    for name, zone in page["zones"].items():
        depths = (zone["net_mm"], zone["etc_mm"], zone["rain_mm"], zone["percolation_mm"])
        net, etc, rain, drained = (show_depth(mm, display) for mm in depths)
        lines.append(
            f"{name[:14]:<14} {zone['runs']:>5} {zone['minutes']:>8.0f}"
            f" {show_volume(zone['liters'], display):>11} {net:>8} {etc:>8} {rain:>8} {drained:>8}"
            f" {zone['stress_days']:>5} d"
        )
    return "\n".join([*lines, *_foresight_lines(page["foresight"]), *_limit_lines(page)])


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
