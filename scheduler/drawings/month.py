"""Water of a month, day by day and summed up, against the caps on it."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from itertools import accumulate

import svg

from scheduler.drawings.parts import (
    LEFT,
    RIGHT,
    WIDTH,
    Elements,
    Entry,
    days_axis,
    legend,
    line,
    picture,
    rect,
    rows,
)
from scheduler.drawings.scale import Scale, ticks
from scheduler.shapes.base import Display
from scheduler.show import LITERS_PER_GALLON, show_volume

TALL = 90


def month(
    name: str,
    given_l: Mapping[date, float],
    display: Display,
    *,
    first: date,
    last: date,
    daily_cap_l: float | None = None,
    monthly_cap_l: float | None = None,
) -> str:
    """SVG. given_l: by day, those with water; first, last: of the month."""
    size = LITERS_PER_GALLON if display == "us" else 1.0
    days = [date.fromordinal(k) for k in range(first.toordinal(), last.toordinal() + 1)]
    given = [given_l.get(day, 0.0) / size for day in days]
    x = Scale(0, max(len(days) - 1, 1), LEFT + 10, WIDTH - RIGHT - 10)
    entries = [Entry("water", "each day", "patch"), Entry("sum", "summed up")]
    capped = daily_cap_l is not None or monthly_cap_l is not None
    drawn, top = legend([*entries, Entry("rim", "cap")] if capped else entries)
    panels, bottom = _daily(given, None if daily_cap_l is None else daily_cap_l / size, x, top + 6)
    drawn += panels
    until = max((k for k, value in enumerate(given) if value), default=-1)
    sums = list(accumulate(given[: until + 1]))
    panels, bottom = _summed(sums, None if monthly_cap_l is None else monthly_cap_l / size, x, bottom + 18)
    drawn = [*days_axis(first, last, x, top, bottom), *drawn, *panels]
    return picture(
        name, bottom + 26, f"Water from {first} to {last}, {'gal' if display == 'us' else 'L'}",
        _words(sum(given) * size, daily_cap_l, monthly_cap_l, display), drawn,
    )  # fmt: skip


def _daily(given: list[float], cap: float | None, x: Scale, top: float) -> tuple[Elements, float]:
    up = Scale(0, ticks(max([*given, cap or 0.0]), 2)[-1], top + TALL, top)
    found = rows([0, up.high], up, lambda value: f"{value:,g}")
    wide = x.step * 0.7
    found += [
        rect(x(k) - wide / 2, up(value), wide, up.begin - up(value), "water")
        for k, value in enumerate(given)
        if value
    ]
    return [*found, *_cap(cap, up)], top + TALL


def _summed(sums: list[float], cap: float | None, x: Scale, top: float) -> tuple[Elements, float]:
    up = Scale(0, ticks(max([*sums, cap or 0.0]), 2)[-1], top + TALL, top)
    found = rows([0, up.high], up, lambda value: f"{value:,g}")
    found += line([(x(k), up(value)) for k, value in enumerate(sums)], "sum")
    return [*found, *_cap(cap, up)], top + TALL


def _cap(cap: float | None, up: Scale) -> Elements:
    if cap is None:
        return []
    return [svg.Line(x1=LEFT, x2=WIDTH - RIGHT, y1=up(cap), y2=up(cap), class_=["rim"])]


def _words(given_l: float, daily_l: float | None, monthly_l: float | None, display: Display) -> str:
    words = f"{show_volume(given_l, display)} given"
    if monthly_l is not None:
        words += f" of {show_volume(monthly_l, display)} that the month may take"
    if daily_l is not None:
        words += f"; a day may take {show_volume(daily_l, display)}"
    return f"{words}."
