"""The weather page drawn: temperatures, sun under a clear sky's, rain, ET0; and how forecasts have fared."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from datetime import date
from typing import NamedTuple

import svg

from scheduler.drawings.bars import bars
from scheduler.drawings.parts import (
    LEFT,
    RIGHT,
    WIDTH,
    Elements,
    Entry,
    days_axis,
    depth_unit,
    legend,
    line,
    picture,
    rect,
    rows,
    text,
    with_unit,
)
from scheduler.drawings.scale import Scale, ticks
from scheduler.shapes.base import Display
from scheduler.shapes.weather import FlagLine, SkillLine, WeatherDay, WeatherPage
from scheduler.show import show_depth, show_temperature

TALL, APART = 80, 34


ENTRIES = (
    Entry("air", "lowest to highest", "patch"),
    Entry("sun", "sun"),
    Entry("clear", "sun of a clear sky"),
    Entry("rain", "rain", "patch"),
    Entry("known", "ET0", "patch"),
    Entry("guessed", "partly estimated", "patch"),
)


class _Days(NamedTuple):
    """Where each day stands."""

    days: Sequence[WeatherDay]
    first: date
    x: Scale

    @property
    def wide(self) -> float:
        return max(min(self.x.step * 0.7, 20), 1)

    def places(self) -> list[float]:
        return [self.x((date.fromisoformat(day["date"]) - self.first).days) for day in self.days]


def weather(name: str, page: WeatherPage, display: Display) -> str:
    """SVG of all the days that the page has; what lies ahead on another ground."""
    first, last = (date.fromisoformat(page["days"][k]["date"]) for k in (0, -1))
    days = _Days(page["days"], first, Scale(0, max((last - first).days, 1), LEFT + 14, WIDTH - RIGHT - 14))
    drawn, begin = legend(ENTRIES)
    panels, top = _air(days, display, begin + APART / 2)
    for made, bottom in (
        _sun(days, page["quality"], top + APART / 2),
        _rain(days, display, top + TALL + APART),
        _et0(days, display, top + 2 * TALL + 1.5 * APART),
    ):
        panels, top = [*panels, *made], bottom
    drawn += _ahead(days, date.fromisoformat(page["today"]), last, begin, top)
    drawn += [*days_axis(first, last, days.x, begin, top), *panels]
    title = f"{page['garden']}: weather, {first} to {last}"
    return picture(name, top + 26, title, _words(page, display), drawn)


def _ahead(days: _Days, today: date, last: date, top: float, bottom: float) -> Elements:
    if not days.first <= today <= last:
        return []
    now = days.x((today - days.first).days) - days.x.step / 2
    return [
        rect(now, top, WIDTH - RIGHT - now, bottom - top, "ahead"),
        text(WIDTH - RIGHT - 2, top + 12, "today and ahead", anchor="end"),
    ]


Panel = tuple[Elements, float]


def _air(days: _Days, display: Display, top: float) -> Panel:
    def shown(celsius: float) -> float:
        return celsius * 1.8 + 32 if display == "us" else celsius

    ends = [
        (place, shown(low), shown(high))
        for place, low, high in zip(
            days.places(), _values(days, "tmin_c"), _values(days, "tmax_c"), strict=True
        )
        if low is not None and high is not None
    ]
    least = min((low for _, low, _ in ends), default=0.0)
    most = max((high for _, _, high in ends), default=10.0)
    up = Scale(10 * math.floor(least / 10), 10 * math.ceil(most / 10), top + TALL, top)
    found = rows([up.low, up.high], up, lambda value: f"{value:g} {'F' if display == 'us' else 'C'}")
    found += [
        rect(x - days.wide / 4, up(high), days.wide / 2, up(low) - up(high), "air") for x, low, high in ends
    ]
    return found, top + TALL


def _sun(days: _Days, quality: Iterable[FlagLine], top: float) -> Panel:
    used = [day["used"].get("rs_mj_m2") for day in days.days]
    clear = [day["used"].get("rso_mj_m2") for day in days.days]
    aside = {
        flag["date"]: flag["value"]
        for flag in quality
        if flag["field"] == "solar_mj_m2" and not flag["since"]
    }
    most = max([1.0, *(v for v in (*used, *clear, *aside.values()) if v is not None)])
    up = Scale(0, ticks(most, 2)[-1], top + TALL, top)
    found = rows([0, up.high], up, lambda value: f"{value:g} MJ" if value else "sun")
    for kind, values in (("clear", clear), ("sun", used)):
        pairs = zip(days.places(), values, strict=True)
        found += line((None if value is None else (x, up(value)) for x, value in pairs), kind)
    for x, day in zip(days.places(), days.days, strict=True):
        if day["date"] in aside:
            found.append(svg.Circle(cx=x, cy=up(aside[day["date"]]), r=4, class_=["line", "sun"]))
    return found, top + TALL


def _rain(days: _Days, display: Display, top: float) -> Panel:
    unit, size = depth_unit(display)
    values = [(value or 0) / size for value in _values(days, "rain_mm")]
    return _bars(days, values, ["rain"] * len(values), max([5.0 / size, *values]), unit, "rain", top)


def _et0(days: _Days, display: Display, top: float) -> Panel:
    unit, size = depth_unit(display)
    values = [(day["et0_mm"] or 0) / size for day in days.days]
    kinds = ["guessed" if day["estimated"] else "known" for day in days.days]
    return _bars(days, values, kinds, max([5.0 / size, *values]), unit, "ET0", top)


def _bars(
    days: _Days, values: Sequence[float], kinds: Sequence[str], most: float, unit: str, words: str, top: float
) -> Panel:
    up = Scale(0, ticks(most, 2)[-1], top + TALL, top)
    found = rows([0, up.high], up, lambda value: with_unit(unit, up)(value) if value else words)
    for x, value, kind in zip(days.places(), values, kinds, strict=True):
        if value > 0:
            found.append(rect(x - days.wide / 2, up(value), days.wide, up.begin - up(value), kind))
    return found, top + TALL


def _values(days: _Days, field: str) -> list[float | None]:
    return [day["values"][field]["value"] if field in day["values"] else None for day in days.days]


def _words(page: WeatherPage, display: Display) -> str:
    def ends(field: str, pick: Callable[[list[float]], float]) -> str:
        found = [day["values"][field]["value"] for day in page["days"] if field in day["values"]]
        return show_temperature(pick(found), display) if found else "unknown"

    rain = sum(day["values"]["rain_mm"]["value"] for day in page["days"] if "rain_mm" in day["values"])
    et0 = sum(day["et0_mm"] or 0 for day in page["days"])
    guessed = sum(bool(day["estimated"]) for day in page["days"])
    return (
        f"{len(page['days'])} days: {ends('tmin_c', min)} to {ends('tmax_c', max)}, rain "
        f"{show_depth(rain, display)}, ET0 {show_depth(et0, display)}, on {guessed} days partly estimated."
    )


FIELDS = {"et0_mm": "ET0", "rain_mm": "Rain"}
KINDS = ("water", "asked", "timer", "rain")
"""Paint of the sources, in their order."""


def forecasts(name: str, skill: Iterable[SkillLine], field: str, display: Display) -> str:
    """SVG: how far forecasts of ET0 or rain were off (root mean square), by days ahead; "" without pairs."""
    unit, size = depth_unit(display)
    found = [row for row in skill if row["field"] == field and row["pairs"]]
    leads = sorted({row["lead_days"] for row in found})
    sources = list(dict.fromkeys(row["source"] for row in found))[: len(KINDS)]
    if not leads:
        return ""
    off = {(row["source"], row["lead_days"]): row["root_mean_square"] / size for row in found}
    kinds = {
        kind: (source, [off.get((source, lead), 0.0) for lead in leads])
        for kind, source in zip(KINDS, sources, strict=False)
    }
    title = f"{FIELDS[field]}: how far forecasts were off, {unit}, by days ahead"
    words = "; ".join(
        f"{source} {lead} days ahead {off[source, lead]:.2g} {unit}"
        for source in sources
        for lead in leads
        if (source, lead) in off
    )
    return bars(name, title, words, [f"{lead} d" for lead in leads], kinds, lambda value: f"{value:g}")
