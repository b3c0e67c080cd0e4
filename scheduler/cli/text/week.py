"""The week as text: days across, zones down, 80 columns."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from datetime import date, datetime
from typing import Any

from scheduler.show import MM_PER_INCH

Page = dict[str, Any]
WIDTH = 80
LABEL, CELL = 16, 9


def week_text(page: Page, *, today: date) -> str:
    return "\n".join(line.rstrip() for line in _lines(page, today))


def _lines(page: Page, today: date) -> Iterator[str]:
    first, made = date.fromisoformat(page["date"]), datetime.fromisoformat(page["made_at"])
    title = f"{page['garden']}, the week from {first:%a} {first.day} {first:%b %Y}"
    said = f"made {made:%Y-%m-%d %H:%M}"
    yield title[: WIDTH - len(said) - 2] + " " * max(WIDTH - len(title) - len(said), 2) + said
    if first != today:
        days = (today - first).days
        age = f"{days} day{'s' if days > 1 else ''} old" if days > 0 else "for a day to come"
        yield f"! This week is {age}. Run: rowwater day"
    yield ""
    dates = [day["date"] for day in page["weather"]]
    unit = "in" if page["display"] == "us" else "mm"
    yield _row("", [_day(text) for text in dates])
    yield _row(f"rain, {unit}", [_depth(page, day["rain_mm"]) for day in page["weather"]])
    yield _row("chance of it", [_chance(day["rain_chance"]) for day in page["weather"]])
    yield _row(f"ET0, {unit}", [_depth(page, day["et0_mm"]) for day in page["weather"]])
    zones = list(dict.fromkeys(day["zone"] for day in page["days"]))
    for zone in zones:
        yield from _zone(page, zone, dates, unit)
    if not zones:
        yield ""
        yield "No crop stands this week."
    yield from _remarks(page, bool(zones))


def _zone(page: Page, zone: str, dates: list[str], unit: str) -> Iterator[str]:
    by_date = {day["date"]: day for day in page["days"] if day["zone"] == zone}
    days = [by_date.get(text) for text in dates]
    yield ""
    yield _row(zone, [_minutes(day) for day in days])
    yield _row(f"  deficit, {unit}", [_deficit(page, day) for day in days])
    yield _row("  +/-", [_depth(page, day["deficit_sd_mm"]) if day else "" for day in days])
    yield _row("  trigger", [_depth(page, day["trigger_mm"]) if day else "" for day in days])


def _row(label: str, cells: list[str]) -> str:
    return label[: LABEL - 1].ljust(LABEL) + "".join(cell.rjust(CELL) for cell in cells)


def _day(text: str) -> str:
    day = date.fromisoformat(text)
    return f"{day:%a} {day.day}"


def _minutes(day: Page | None) -> str:
    if day is None:
        return ""
    return f"{day['minutes']:.0f} min" if day["minutes"] else "-"


def _deficit(page: Page, day: Page | None) -> str:
    """With a * from the trigger on, and ! past the readily available water."""
    if day is None:
        return ""
    lacks, trigger = day["deficit_mm"], day["trigger_mm"]
    mark = "!" if lacks > day["raw_mm"] else "*" if trigger is not None and lacks >= trigger else " "
    return _depth(page, lacks) + mark


def _depth(page: Page, mm: float | None) -> str:
    if mm is None:
        return "?"
    return f"{mm / MM_PER_INCH:.2f}" if page["display"] == "us" else f"{mm:.1f}"


def _chance(share: float | None) -> str:
    return "?" if share is None else f"{share * 100:.0f}%"


def _remarks(page: Page, zones: bool) -> Iterator[str]:
    if zones:
        yield ""
        yield from _fit(
            "Deficits are those of the evening, +/- one standard deviation (two in three evenings lie within "
            "it). * from the trigger on: water is due next morning. ! past the water that is easily used. "
            "Later days are a plan: each morning makes it anew.",
            0,
        )
    for unmet in page["unmet"]:
        yield ""
        lacks = f"{_depth(page, unmet['net_mm'])} {'in' if page['display'] == 'us' else 'mm'}"
        yield from _fit(f"! {unmet['zone']}: {lacks} net unmet from {unmet['date']}: {unmet['why']}", 2)
    for notice in page["notices"]:
        yield from _fit(f"{'' if notice['level'] == 'info' else '! '}{notice['text']}", 2)


def _fit(text: str, indent: int) -> list[str]:
    return textwrap.wrap(text, WIDTH, subsequent_indent=" " * indent, break_on_hyphens=False)
