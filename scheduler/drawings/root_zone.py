"""A zone's root zone over a season: what it lacked, how sure that is, when water was due, rain and water.

The week ahead, where it is given, stands at the end on another ground.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from datetime import date, timedelta
from typing import NamedTuple

import svg

from scheduler.drawings.lanes import WIDEST, lane
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
from scheduler.shapes.report import CurveDay
from scheduler.shapes.week import ZoneDay
from scheduler.show import show_depth

TALL = 150
ENTRIES = (
    Entry("deficit", "what the soil lacks"),
    Entry("doubt", "one sd of it", "patch"),
    Entry("trigger", "water is due"),
    Entry("raw", "easily used"),
    Entry("taw", "all it can hold"),
)


class Point(NamedTuple):
    """A morning; amounts in the unit shown. deficit: before that morning's water."""

    day: date
    deficit: float
    sd: float
    raw: float
    trigger: float | None
    taw: float | None


def root_zone(
    name: str, zone: str, days: Sequence[CurveDay], display: Display, ahead: Sequence[ZoneDay] = ()
) -> str:
    """SVG of the days on which a crop stood; "" without any. Dry is down, as in the soil.

    ahead: the zone's days of the week as planned, from today on; those that `days` has too are left out.
    """
    past = {day["date"] for day in days}
    ahead = [day for day in ahead if day["date"] not in past]
    unit, size = depth_unit(display)
    points = list(_points(days, ahead, size))
    if not points:
        return ""
    first, last = points[0].day, points[-1].day
    x = Scale(0, max((last - first).days, 1), LEFT + WIDEST / 2 + 2, WIDTH - RIGHT - WIDEST / 2 - 2)
    steps = ticks(max(max(point.deficit + point.sd, point.raw) for point in points))
    held = any(point.taw is not None and point.taw <= steps[-1] for point in points)
    drawn, begin = legend(ENTRIES if held else ENTRIES[:-1])
    lanes, top = _lanes([*days, *ahead], x, first, display, begin)
    soil = Scale(0, steps[-1], top + 6, top + 6 + TALL)
    if ahead:
        now = x((date.fromisoformat(ahead[0]["date"]) - first).days)
        drawn += [rect(now, begin, WIDTH - RIGHT - now, soil.end - begin, "ahead")]
    drawn += [*lanes, *rows(steps, soil, with_unit(unit, soil)), *_curves(points, x, soil)]
    if ahead:
        drawn.append(text(WIDTH - RIGHT - 2, soil.end - 6, "ahead", anchor="end"))
    drawn += days_axis(first, last, x, soil.begin, soil.end)
    title = f"{zone}: what the root zone lacked" + (", and the week ahead" if ahead else "")
    return picture(name, soil.end + 24, title, _words(days, ahead, display), drawn)


def _lanes(
    days: Sequence[CurveDay | ZoneDay], x: Scale, first: date, display: Display, top: float
) -> tuple[Elements, float]:
    """Rain and water of each day, and where they end."""
    _, size = depth_unit(display)
    places = [x((date.fromisoformat(day["date"]) - first).days) for day in days]
    rain = [(day["rain_mm"] or 0) / size for day in days]
    water = [day["net_mm"] / size for day in days]
    above, middle = lane("rain", list(zip(places, rain, strict=True)), x.step, display, top)
    below, bottom = lane("water", list(zip(places, water, strict=True)), x.step, display, middle)
    return [*above, *below], bottom


def _points(days: Sequence[CurveDay], ahead: Sequence[ZoneDay], size: float) -> Iterator[Point]:
    """Of the past its mornings; of the week ahead each evening, as the morning after."""
    for day in days:
        yield _point(date.fromisoformat(day["date"]), day, day["taw_mm"], size)
    for to_come in ahead:
        yield _point(date.fromisoformat(to_come["date"]) + timedelta(days=1), to_come, None, size)


def _point(at: date, day: CurveDay | ZoneDay, taw_mm: float | None, size: float) -> Point:
    trigger = day["trigger_mm"]
    return Point(
        day=at,
        deficit=day["deficit_mm"] / size,
        sd=day["deficit_sd_mm"] / size,
        raw=day["raw_mm"] / size,
        trigger=None if trigger is None else trigger / size,
        taw=None if taw_mm is None else taw_mm / size,
    )


MOST_GAP = timedelta(days=2)
"""Longer ones lie between two crops; from the last morning on record to the first evening ahead it is two."""


def _crops(points: Sequence[Point]) -> list[list[Point]]:
    found: list[list[Point]] = []
    for k, point in enumerate(points):
        if not k or point.day - points[k - 1].day > MOST_GAP:
            found.append([])
        found[-1].append(point)
    return found


def _curves(points: Sequence[Point], x: Scale, soil: Scale) -> Elements:
    """The doubt as an area, then the lines, crop by crop."""
    areas: Elements = []
    lines: Elements = []
    first = points[0].day
    for crop in _crops(points):
        places = [x((point.day - first).days) for point in crop]

        def through(
            kind: str,
            value: Callable[[Point], float | None],
            places: list[float] = places,
            crop: list[Point] = crop,
        ) -> Elements:
            heights = [_known(soil, value(point)) for point in crop]
            return line((None if y is None else (px, y) for px, y in zip(places, heights, strict=True)), kind)

        low = [svg.Point(px, soil(max(p.deficit - p.sd, 0))) for px, p in zip(places, crop, strict=True)]
        high = [svg.Point(px, soil(p.deficit + p.sd)) for px, p in zip(places, crop, strict=True)]
        areas.append(svg.Polygon(points=[*low, *reversed(high)], class_=["doubt"]))
        lines += through("taw", lambda point: point.taw)
        lines += through("raw", lambda point: point.raw)
        lines += through("trigger", lambda point: point.trigger)
        lines += through("deficit", lambda point: point.deficit)
    return [*areas, *lines]


def _known(soil: Scale, value: float | None) -> float | None:
    """Not shown where nothing is known, or where it lies off the picture."""
    return None if value is None or value > soil.high else soil(value)


def _words(days: Sequence[CurveDay], ahead: Sequence[ZoneDay], display: Display) -> str:
    said = []
    if days:
        worst = max(days, key=lambda day: day["deficit_mm"])
        given, rain = (show_depth(sum(day[key] for day in days), display) for key in ("net_mm", "rain_mm"))
        lacked, whole = (show_depth(worst[key], display) for key in ("deficit_mm", "taw_mm"))
        said.append(
            f"{days[0]['date']} to {days[-1]['date']}: {given} of water reached the roots, {rain} of rain "
            f"fell; "
            f"driest on {worst['date']}, when it lacked {lacked} of {whole}."
        )
    if ahead:
        given = show_depth(sum(day["net_mm"] for day in ahead), display)
        lacks = show_depth(ahead[-1]["deficit_mm"], display)
        said.append(f"Ahead, up to {ahead[-1]['date']}: {given} of water planned; it will then lack {lacks}.")
    return " ".join(said)
