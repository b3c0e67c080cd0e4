"""The check as text."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from typing import TYPE_CHECKING

from scheduler.cli.text.base import Row, table, wrap
from scheduler.show import (
    Display,
    show_area,
    show_depth,
    show_flow,
    show_length,
    show_minutes,
    show_pressure,
    show_volume,
)

if TYPE_CHECKING:
    from scheduler.shapes.check import CheckPage, Saving, SeasonWater, ZoneFlow

INDENT = 6
INCH_M = 0.0254
HEADS = ("tape", "area", "flow", "lowest pressure", "uniformity", "hottest day")
WIDTHS = (10, 13, 11, 17, 12, 13)


TAPE_HEADS = ("tape lies", "wet on top", "wets seed", "most at once", "longest pulse", "feed travels")
"""most at once: net, of one event, which the longest pulse gives."""
TAPE_WIDTHS = (10, 11, 10, 13, 14, 13)


def check_text(page: CheckPage, display: Display, width: int) -> str:
    return "\n".join(_lines(page, display, width))


def _lines(page: CheckPage, display: Display, width: int) -> Iterator[str]:
    yield from wrap(f"{page['config']} reads well; data in {page['data']}", width, INDENT, cut=False)
    yield f"Supply {show_flow(page['supply_lpm'], display)}, usable {show_flow(page['usable_lpm'], display)}"
    for name, meters in page["longest_tape_m"].items():
        text = f"  feeds at most {show_length(meters, display)} of tape {name} at once"
        yield from wrap(text, width, INDENT)
    yield ""
    rows = [_zone(name, zone, display) for name, zone in page["zones"].items()]
    yield from table([("zone", HEADS), *rows], width, label=14, cells=WIDTHS)
    yield ""
    tapes = [_tape(name, zone, display) for name, zone in page["zones"].items()]
    yield from table([("zone", TAPE_HEADS), *tapes], width, label=14, cells=TAPE_WIDTHS)
    if any(zone["season_water"] for zone in page["zones"].values()):
        yield ""
        yield from wrap("A season's water, and what one change alone would make of it:", width, INDENT)
    for name, zone in page["zones"].items():
        yield from _savings(name, zone, display, width)
    yield ""
    yield from _sections(page, display, width)
    for tried in page.get("sources", ()):
        yield from wrap(f"{' ' if tried['ok'] else '!'} {tried['name']}: {tried['text']}", width, INDENT)
    yield from _problems(page, width)
    for notice in page["notices"]:
        yield from wrap(f"- {notice}", width, INDENT)
    yield ""
    for caution in page["cautions"]:
        yield from wrap(f"Caution: {caution}", width, INDENT)


def _zone(name: str, zone: ZoneFlow, display: Display) -> Row:
    return (
        name,
        (
            show_length(zone["tape_m"], display),
            show_area(zone["planted_m2"], display),
            show_flow(zone["flow_lpm"], display),
            "?" if zone["lowest_kpa"] is None else show_pressure(zone["lowest_kpa"], display),
            f"{zone['uniformity']:.2f}",
            "?" if zone["peak_minutes"] is None else show_minutes(zone["peak_minutes"]),
        ),
    )


def _tape(name: str, zone: ZoneFlow, display: Display) -> Row:
    travel = zone["feed_travel_minutes"]
    return (
        name,
        (
            _depth(zone["tape_depth_m"], display),
            _short(zone["wet_band_m"], display) if zone["wets_seed"] else "nothing",
            "yes" if zone["wets_seed"] else "no",
            show_depth(zone["event_net_mm"], display),
            show_minutes(zone["event_minutes"]),
            "?" if travel is None else show_minutes(travel),
        ),
    )


def _savings(name: str, zone: ZoneFlow, display: Display, width: int) -> Iterator[str]:
    """What the planting takes as it is, and each change alone."""
    season = zone["season_water"]
    if season is None:
        return
    days = _span(date.fromisoformat(season["first"]), date.fromisoformat(season["last"]))
    here = f"{show_volume(season['liters'], display)}{_by_hand(season['sprinkle_days'])}"
    said = "; ".join(_saving(one, season, display) for one in zone["savings"])
    yield from wrap(f"  {name}, {days}, {here}: {said}", width, INDENT)


def _saving(change: Saving, season: SeasonWater, display: Display) -> str:
    what = "under straw" if change["mulch"] else f"tape {_depth(change['tape_depth_m'], display)}"
    liters, all_of_it = change["liters"], season["liters"]
    share = f" ({abs(liters) / all_of_it:.0%})" if all_of_it else ""
    less = "less" if liters >= 0 else "more"
    sprinkled = (
        "" if change["sprinkle_days"] == season["sprinkle_days"] else _by_hand(change["sprinkle_days"])
    )
    return f"{what} {show_volume(abs(liters), display)}{share} {less}{sprinkled}"


def _by_hand(days: int) -> str:
    return f", seed rows sprinkled by hand on {days} day{'s' if days > 1 else ''}" if days else ""


def _depth(m: float, display: Display) -> str:
    """Such as "on top" or "4 in deep"."""
    return f"{_short(m, display)} deep" if m else "on top"


def _short(m: float, display: Display) -> str:
    """Whole inches or centimetres, which is as near as anybody lays or sees it."""
    return f"{m / INCH_M:.0f} in" if display == "us" else f"{m * 100:.0f} cm"


def _problems(page: CheckPage, width: int) -> Iterator[str]:
    """The same of several zones once."""
    zones_of: dict[tuple[str, str, str], list[str]] = {}
    for problem in page["problems"]:
        key = (problem["level"], problem["text"], problem["mend"])
        zones_of.setdefault(key, []).extend([problem["zone"]] if problem["zone"] else [])
    for (level, text, mend), zones in zones_of.items():
        where = f"{', '.join(zones)}: " if zones else ""
        yield from wrap(f"{'!' if level == 'problem' else '-'} {where}{text}", width, INDENT)
        yield from wrap(f"    to mend it: {mend}", width, INDENT)
    if not page["problems"]:
        yield "Nothing stands in the way."


def _sections(page: CheckPage, display: Display, width: int) -> Iterator[str]:
    count = len(page["sections"])
    head = f"{count} section{'s' if count != 1 else ''}, one after another (what may run together):"
    yield from wrap(head, width, INDENT)
    for number, (names, flow) in enumerate(zip(page["sections"], page["section_flows_lpm"], strict=True), 1):
        yield from wrap(f"  {number}: {', '.join(names)} ({show_flow(flow, display)})", width, INDENT)
    needed, given, week = page["hottest_week_minutes"], page["hours_minutes"], page["hottest_week"]
    if needed is None or given is None or week is None:
        text = "  hottest week not known: no weather stored yet (or give --weather FILE)"
        yield from wrap(text, width, INDENT)
        return
    days = _span(date.fromisoformat(week["first"]), date.fromisoformat(week["last"]))
    minutes = f"{show_minutes(needed)} a morning, of {show_minutes(given)} allowed"
    yield from wrap(f"  hottest week, {days}: {minutes}", width, INDENT)
    if not week["summer_on_record"]:
        yield from wrap(
            "- the record has no summer: its hottest week will ask for more. A summer is needed to judge "
            "the hours: --weather FILE, with one in it",
            width,
            INDENT,
        )


def _span(first: date, last: date) -> str:
    """Such as "9 to 15 Jul 2015"."""
    end = f"{last.day} {last:%b} {last.year}"
    if first.year != last.year:
        return f"{first.day} {first:%b} {first.year} to {end}"
    return f"{first.day} to {end}" if first.month == last.month else f"{first.day} {first:%b} to {end}"
