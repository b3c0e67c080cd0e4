"""The week as text: days across, zones down."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime
from typing import TYPE_CHECKING

from scheduler.cli.text.base import Row, mark, table, wrap
from scheduler.phrases.days import age
from scheduler.show import MM_PER_INCH

if TYPE_CHECKING:
    from scheduler.shapes.week import WeekPage, ZoneDay

LABEL, CELL = 16, 9


def week_text(page: WeekPage, *, today: date, width: int) -> str:
    return "\n".join(line.rstrip() for line in _lines(page, today, width))


def _lines(page: WeekPage, today: date, width: int) -> Iterator[str]:
    first, made = date.fromisoformat(page["date"]), datetime.fromisoformat(page["made_at"])
    title = f"{page['garden']}, the week from {first:%a} {first.day} {first:%b %Y}"
    said = f"made {made:%Y-%m-%d %H:%M}"
    if len(title) + 2 + len(said) > width:
        yield from (*wrap(title, width, 2), said)
    else:
        yield title + said.rjust(width - len(title))
    if old := age(first, today):
        yield from wrap(f"! This week is {old}. Run: rowwater day", width, 2)
    yield ""
    dates = [day["date"] for day in page["weather"]]
    unit = "in" if page["display"] == "us" else "mm"
    rows: list[Row | None] = [
        ("", [_day(text) for text in dates]),
        (f"rain, {unit}", [_depth(page, day["rain_mm"]) for day in page["weather"]]),
        ("chance of it", [_chance(day["rain_chance"]) for day in page["weather"]]),
        (f"ET0, {unit}", [_depth(page, day["et0_mm"]) for day in page["weather"]]),
    ]
    zones = list(dict.fromkeys(day["zone"] for day in page["days"]))
    for zone in zones:
        rows += [None, *_zone(page, zone, dates, unit)]
    yield from table(rows, width, label=LABEL, cells=[CELL] * len(dates))
    if not zones:
        yield ""
        yield "No crop stands this week."
    yield from _remarks(page, bool(zones), width)


def _zone(page: WeekPage, zone: str, dates: list[str], unit: str) -> Iterator[Row]:
    by_date = {day["date"]: day for day in page["days"] if day["zone"] == zone}
    days = [by_date.get(text) for text in dates]
    yield zone, [_minutes(day) for day in days]
    yield f"  deficit, {unit}", [_deficit(page, day) for day in days]
    yield "  +/-", [_depth(page, day["deficit_sd_mm"]) if day else "" for day in days]
    yield "  trigger", [_depth(page, day["trigger_mm"]) if day else "" for day in days]


def _day(text: str) -> str:
    day = date.fromisoformat(text)
    return f"{day:%a} {day.day}"


def _minutes(day: ZoneDay | None) -> str:
    if day is None:
        return ""
    return f"{day['minutes']:.0f} min" if day["minutes"] else "-"


def _deficit(page: WeekPage, day: ZoneDay | None) -> str:
    """With a * from the trigger on, and ! past the readily available water."""
    if day is None:
        return ""
    lacks, trigger = day["deficit_mm"], day["trigger_mm"]
    mark = "!" if lacks > day["raw_mm"] else "*" if trigger is not None and lacks >= trigger else " "
    return _depth(page, lacks) + mark


def _depth(page: WeekPage, mm: float | None) -> str:
    if mm is None:
        return "?"
    return f"{mm / MM_PER_INCH:.2f}" if page["display"] == "us" else f"{mm:.1f}"


def _chance(share: float | None) -> str:
    return "?" if share is None else f"{share * 100:.0f}%"


def _remarks(page: WeekPage, zones: bool, width: int) -> Iterator[str]:
    if zones:
        yield ""
        yield from wrap(
            "Deficits are those of the evening, +/- one standard deviation (two in three evenings lie within "
            "it). * from the trigger on: water is due next morning. ! past the water that is easily used. "
            "Later days are a plan: each morning makes it anew.",
            width,
            0,
        )
    for unmet in page["unmet"]:
        yield ""
        lacks = f"{_depth(page, unmet['net_mm'])} {'in' if page['display'] == 'us' else 'mm'}"
        yield from wrap(
            f"! {unmet['zone']}: {lacks} net unmet from {unmet['date']}: {unmet['why']}", width, 2
        )
    for notice in page["notices"]:
        yield from wrap(f"{mark(notice['level'])}{notice['text']}", width, 2)
