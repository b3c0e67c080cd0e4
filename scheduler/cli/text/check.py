"""The check as text."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from typing import Any

from scheduler.show import show_area, show_flow, show_length, show_minutes, show_pressure


def check_text(page: dict[str, Any], display: Any, width: int) -> str:
    return "\n".join(_lines(page, display, width))


def _lines(page: dict[str, Any], display: Any, width: int) -> Iterator[str]:
    yield f"{page['config']} reads well; data in {page['data']}"
    yield f"Supply {show_flow(page['supply_lpm'], display)}, usable {show_flow(page['usable_lpm'], display)}"
    for name, meters in page["longest_tape_m"].items():
        yield f"  feeds at most {show_length(meters, display)} of tape {name} at once"
    yield ""
    yield "zone           tape       area      flow   lowest pressure  uniformity  hottest day"
    for name, zone in page["zones"].items():
        lowest = "?" if zone["lowest_kpa"] is None else show_pressure(zone["lowest_kpa"], display)
        peak = "?" if zone["peak_minutes"] is None else show_minutes(zone["peak_minutes"])
        yield (
            f"{name[:11]:<11} {show_length(zone['tape_m'], display):>8}"
            f" {show_area(zone['planted_m2'], display):>11} {show_flow(zone['flow_lpm'], display):>9}"
            f" {lowest:>14} {zone['uniformity']:>11.2f} {peak:>12}"
        )
    yield ""
    yield from _sections(page, display, width)
    said: dict[tuple[str, str, str], list[str]] = {}
    for problem in page["problems"]:
        key = (problem["level"], problem["text"], problem["mend"])
        said.setdefault(key, []).extend([problem["zone"]] if problem["zone"] else [])
    for (level, text, mend), zones in said.items():
        where = f"{', '.join(zones)}: " if zones else ""
        yield from _wrap(f"{'!' if level == 'problem' else '-'} {where}{text}", width)
        yield from _wrap(f"    to mend it: {mend}", width)
    if not page["problems"]:
        yield "Nothing stands in the way."
    for notice in page["notices"]:
        yield from _wrap(f"- {notice}", width)
    yield ""
    for caution in page["cautions"]:
        yield from _wrap(f"Caution: {caution}", width)


def _sections(page: dict[str, Any], display: Any, width: int) -> Iterator[str]:
    count = len(page["sections"])
    yield f"{count} section{'s' if count != 1 else ''}, one after another (what may run together):"
    for number, (names, flow) in enumerate(zip(page["sections"], page["section_flows_lpm"], strict=True), 1):
        yield from _wrap(f"  {number}: {', '.join(names)} ({show_flow(flow, display)})", width)
    needed, given = page["hottest_week_minutes"], page["hours_minutes"]
    if needed is None:
        yield "  hottest week not known: no weather stored yet (or give --weather FILE)"
    else:
        yield f"  hottest week: {show_minutes(needed)} a morning, of {show_minutes(given)} allowed"


def _wrap(text: str, width: int) -> list[str]:
    return textwrap.wrap(text, width, subsequent_indent="      ", break_on_hyphens=False)
