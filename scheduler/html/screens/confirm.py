"""Asks once more before a valve opens: for how long, how much water, the cap, and what else it touches."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TypedDict

from scheduler.html.screens.frame import Frame, render
from scheduler.phrases.days import clock_time, weekday
from scheduler.phrases.morning import dryness, overdue
from scheduler.shapes.base import RunLine
from scheduler.shapes.day import TodayFile, ZoneLine
from scheduler.show import show_flow, show_minutes, show_volume


class Asked(TypedDict):
    """page: today.json."""

    page: TodayFile
    zone: str
    minutes: float


def confirm(asked: Asked, frame: Frame) -> str:
    """No button where it would be refused.  LookupError: today.json knows no such zone."""
    page, minutes = asked["page"], asked["minutes"]
    line = next((one for one in page["zones"] if one["zone"] == asked["zone"]), None)
    if line is None:
        raise LookupError(asked["zone"])
    return render(
        "confirm.html", frame, line=line, minutes=minutes, refused=refusal(line, minutes),
        said=[*_amounts(page, line, minutes), *_touched(page, line, frame)],
    )  # fmt: skip


def refusal(zone: ZoneLine, minutes: float) -> str | None:
    """Why it cannot be watered so from here; None where it may be asked."""
    cap = zone.get("cap_minutes")
    if zone["by_hand"]:
        return f"{zone['zone']} is opened by hand: no valve there that the service can open."
    if not minutes > 0:
        return "Say for how many minutes."
    if cap is not None and minutes > cap:
        return f"{show_minutes(minutes)} is more than its valve may be open at once: {show_minutes(cap)}."
    return None


def _amounts(page: TodayFile, zone: ZoneLine, minutes: float) -> Iterator[tuple[str, str]]:
    display = page["display"]
    if (flow := zone.get("flow_lpm")) is not None:
        yield "Water", f"about {show_volume(flow * minutes, display)} at {show_flow(flow, display)}"
    if (cap := zone.get("cap_minutes")) is not None and not zone["by_hand"]:
        yield (
            "Cap",
            f"its valve may be open {show_minutes(cap)} at once; caps on the day's or month's water win",
        )
    if (dry := dryness(page, zone)) is not None:
        yield "Lacks now", f"{dry} of the trigger"


def _touched(page: TodayFile, zone: ZoneLine, frame: Frame) -> Iterator[tuple[str, str]]:
    if others := zone.get("opens_with"):
        yield "Opens with it", f"{', '.join(others)} (same valve)"
    if until := zone.get("held_until"):
        yield "On hold", f"until {weekday(until)}; it would be watered all the same"
    if runs := [run for run in page["runs"] if run["zone"] == zone["zone"]]:
        yield "Planned today", f"{_times(runs)}; what is still ahead is planned anew afterwards"
    opened = [
        f"{one['zone']} until {clock_time(one['until'])}" for one in frame.open if not overdue(one, frame.now)
    ]
    if opened:
        yield "Open now", f"{', '.join(opened)}; they share the supply's flow"


def _times(runs: Sequence[RunLine]) -> str:
    return ", ".join(f"{clock_time(run['start'])} to {clock_time(run['stop'])}" for run in runs)
