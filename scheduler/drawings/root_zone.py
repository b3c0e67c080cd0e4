"""A zone's root zone over a season: what it lacked, how sure that is, when water was due, rain and water.

The week ahead, where it is given, stands at the end on another ground.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
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
from scheduler.shapes.root_zone import Morning
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


class ZoneDays(NamedTuple):
    """ahead: its days of the week as planned, from today on; those that `days` has too are left out.

    morning: of the first day ahead, before its water.
    """

    days: Sequence[CurveDay] = ()
    ahead: Sequence[ZoneDay] = ()
    morning: Morning | None = None

    def to_come(self) -> list[ZoneDay]:
        past = {day["date"] for day in self.days}
        return [day for day in self.ahead if day["date"] not in past]


def root_zone(
    name: str,
    zone: str,
    days: Sequence[CurveDay],
    display: Display,
    ahead: Sequence[ZoneDay] = (),
    morning: Morning | None = None,
) -> str:
    """SVG of the days on which a crop stood; "" without any. Dry is down, as in the soil."""
    own = ZoneDays(days, ahead, morning)
    points = list(_points(own, depth_unit(display)[1]))
    if not points:
        return ""
    drawn, top = legend(_entries(points))
    panel, bottom = _panel(own, points, display, top)
    title = f"{zone}: what the root zone lacked" + (", and the week ahead" if own.to_come() else "")
    return picture(name, bottom, title, _words(own, display), [*drawn, *panel])


def root_zones(name: str, title: str, zones: Mapping[str, ZoneDays], display: Display) -> str:
    """SVG of several, one below the other; zones without a crop are left out."""
    points = {zone: list(_points(own, depth_unit(display)[1])) for zone, own in zones.items()}
    drawn, top = legend(_entries([point for some in points.values() for point in some]))
    words = []
    for zone, own in zones.items():
        if points[zone]:
            drawn.append(text(4, top + 14, zone, kind="name"))
            panel, top = _panel(own, points[zone], display, top + 14)
            drawn += panel
            words.append(f"{zone}, {_words(own, display)}")
    return picture(name, top, title, " ".join(words), drawn)


def _entries(points: Sequence[Point]) -> list[Entry]:
    """Of what is drawn at all."""
    most = max((point.raw for point in points), default=0.0)
    seen = {
        "doubt": any(point.sd for point in points),
        "trigger": any(point.trigger is not None for point in points),
        "taw": any(point.taw is not None and point.taw <= most for point in points),
    }
    return [entry for entry in ENTRIES if seen.get(entry.kind, True)]


def _panel(own: ZoneDays, points: Sequence[Point], display: Display, top: float) -> tuple[Elements, float]:
    """Lanes of rain and water over the soil, and where they end."""
    unit, _ = depth_unit(display)
    first, last = points[0].day, points[-1].day
    ahead = own.to_come()
    if ahead:
        first = min(first, date.fromisoformat(ahead[0]["date"]))
    x = Scale(0, max((last - first).days, 1), LEFT + WIDEST / 2 + 2, WIDTH - RIGHT - WIDEST / 2 - 2)
    steps = ticks(max(max(point.deficit + point.sd, point.raw) for point in points))
    lanes, under = _lanes([*own.days, *ahead], x, first, display, top)
    soil = Scale(0, steps[-1], under + 6, under + 6 + TALL)
    drawn: Elements = []
    if ahead and own.days:
        now = x((date.fromisoformat(ahead[0]["date"]) - first).days) - WIDEST / 2 - 2
        drawn.append(rect(now, top, WIDTH - RIGHT - now, soil.end - top, "ahead"))
    drawn += days_axis(first, last, x, soil.begin, soil.end)
    drawn += [*lanes, *rows(steps, soil, with_unit(unit, soil)), *_curves(points, first, x, soil)]
    if ahead and own.days:
        drawn.append(text(WIDTH - RIGHT - 2, soil.end - 6, "ahead", anchor="end"))
    return drawn, soil.end + 26


def _lanes(
    days: Sequence[CurveDay | ZoneDay], x: Scale, first: date, display: Display, top: float
) -> tuple[Elements, float]:
    """Rain and water of each day, and where they end."""
    _, size = depth_unit(display)
    places = [x((date.fromisoformat(day["date"]) - first).days) for day in days]
    rain = [(day["rain_mm"] or 0) / size for day in days]
    water = [day["net_mm"] / size for day in days]
    chance, minutes = _said(days)
    above, middle = lane("rain", list(zip(places, rain, strict=True)), x.step, display, top, chance)
    below, bottom = lane("water", list(zip(places, water, strict=True)), x.step, display, middle, minutes)
    return [*above, *below], bottom


FEW_DAYS = 8
"""So many at most have room for words."""


def _said(days: Sequence[CurveDay | ZoneDay]) -> tuple[list[str], list[str]]:
    """The chance of rain and the minutes of water of each day, where there is room to say them."""
    if len(days) > FEW_DAYS:
        return [], []
    chances = [day.get("rain_chance") for day in days]
    minutes = [day.get("minutes") for day in days]
    return (
        ["" if chance is None else f"{chance:.0%}" for chance in chances],
        ["" if value is None else f"{value:.0f} min" for value in minutes],
    )


def _points(own: ZoneDays, size: float) -> Iterator[Point]:
    """Of the past its mornings; of the week ahead each evening, as the morning after."""
    for day in own.days:
        yield _point(date.fromisoformat(day["date"]), day, day["taw_mm"], size)
    if own.morning and own.to_come():
        yield _point(date.fromisoformat(own.morning["date"]), own.morning, None, size)
    for to_come in own.to_come():
        yield _point(date.fromisoformat(to_come["date"]) + timedelta(days=1), to_come, None, size)


def _point(at: date, day: CurveDay | ZoneDay | Morning, taw_mm: float | None, size: float) -> Point:
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
"""Longer ones lie between two crops; where this morning is not known, the first evening ahead is two off."""


def _crops(points: Sequence[Point]) -> list[list[Point]]:
    found: list[list[Point]] = []
    for k, point in enumerate(points):
        if not k or point.day - points[k - 1].day > MOST_GAP:
            found.append([])
        found[-1].append(point)
    return found


def _curves(points: Sequence[Point], first: date, x: Scale, soil: Scale) -> Elements:
    """The doubt as an area, then the lines, crop by crop."""
    areas: Elements = []
    lines: Elements = []
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


def _words(own: ZoneDays, display: Display) -> str:
    days, ahead = own.days, own.to_come()
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
