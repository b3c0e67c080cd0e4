"""The check as text."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from typing import TYPE_CHECKING

from scheduler.cli.text.base import Row, table, wrap
from scheduler.show import Display, show_area, show_flow, show_length, show_minutes, show_pressure

if TYPE_CHECKING:
    from scheduler.shapes.check import CheckPage, ZoneFlow

INDENT = 6
HEADS = ("tape", "area", "flow", "lowest pressure", "uniformity", "hottest day")
WIDTHS = (10, 13, 11, 17, 12, 13)


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
