"""A zone's root zone over a season: what it lacked, how sure that is, when water was due, rain and water."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta

import svg

from scheduler.drawings.parts import LEFT, RIGHT, WIDTH, Elements, legend, line, picture, rows, text
from scheduler.drawings.scale import Scale, ticks
from scheduler.shapes.base import Display
from scheduler.shapes.report import CurveDay
from scheduler.show import MM_PER_INCH, show_depth

WATER_TOP, WATER_HEIGHT = 30, 50
SOIL_TOP, SOIL_HEIGHT = 96, 150
HEIGHT = SOIL_TOP + SOIL_HEIGHT + 34


def root_zone(name: str, zone: str, days: Sequence[CurveDay], display: Display) -> str:
    """SVG of the days on which a crop stood; "" without any. Dry is down, as in the soil."""
    if not days:
        return ""
    unit, size = ("in", MM_PER_INCH) if display == "us" else ("mm", 1.0)
    at = [date.fromisoformat(day["date"]) for day in days]
    x = Scale(0, max((at[-1] - at[0]).days, 1), LEFT + 4, WIDTH - RIGHT - 4)
    most = max(max(day["deficit_mm"] + day["deficit_sd_mm"], day["raw_mm"]) for day in days) / size
    soil_ticks = ticks(most)
    soil = Scale(0, soil_ticks[-1], SOIL_TOP, SOIL_TOP + SOIL_HEIGHT)
    places = [x((day - at[0]).days) for day in at]
    drawn = [
        *rows(soil_ticks, soil, lambda value: f"{value:g} {unit}" if value == soil.high else f"{value:g}"),
        *_water(days, places, size, unit),
        *_band(days, at, places, soil, size),
        *line(_through(at, places, [soil(day["raw_mm"] / size) for day in days]), "raw"),
        *line(_through(at, places, [_known(soil, day["trigger_mm"], size) for day in days]), "trigger"),
        *line(_through(at, places, [soil(day["deficit_mm"] / size) for day in days]), "deficit"),
        *_months(at, x),
        *legend(
            [("deficit", "what the soil lacks"), ("doubt", "one sd"), ("trigger", "water is due"),
             ("raw", "easily used"), ("water", "water"), ("rain", "rain")], 14,
        ),
    ]  # fmt: skip
    worst = max(days, key=lambda day: day["deficit_mm"])
    given, rain = (show_depth(sum(day[key] for day in days), display) for key in ("net_mm", "rain_mm"))
    lacked, whole = (show_depth(worst[key], display) for key in ("deficit_mm", "taw_mm"))
    words = (
        f"{at[0]} to {at[-1]}: {given} of water reached the roots, {rain} of rain fell; driest on "
        f"{worst['date']}, when it lacked {lacked} of {whole}."
    )
    return picture(name, HEIGHT, f"{zone}: what the root zone lacked", words, drawn)


def _known(soil: Scale, value: float | None, size: float) -> float | None:
    """Not shown where no deficit makes water due, or where it lies off the picture."""
    return None if value is None or value / size > soil.high else soil(value / size)


def _through(
    at: Sequence[date], places: Sequence[float], heights: Sequence[float | None]
) -> list[tuple[float, float] | None]:
    """Points, broken where days are missing between crops or nothing is known."""
    found: list[tuple[float, float] | None] = []
    for k, (x, y) in enumerate(zip(places, heights, strict=True)):
        if k and at[k] - at[k - 1] > timedelta(days=1):
            found.append(None)
        found.append(None if y is None else (x, y))
    return found


def _band(
    days: Sequence[CurveDay], at: Sequence[date], places: Sequence[float], soil: Scale, size: float
) -> Elements:
    """One standard deviation to each side, a shape for each crop."""
    shapes: list[list[int]] = []
    for k in range(len(days)):
        if not k or at[k] - at[k - 1] > timedelta(days=1):
            shapes.append([])
        shapes[-1].append(k)
    found: Elements = []
    for shape in shapes:
        low = [
            (places[k], soil(max(days[k]["deficit_mm"] - days[k]["deficit_sd_mm"], 0) / size)) for k in shape
        ]
        high = [(places[k], soil((days[k]["deficit_mm"] + days[k]["deficit_sd_mm"]) / size)) for k in shape]
        points = [svg.Point(*point) for point in (*low, *reversed(high))]
        found.append(svg.Polygon(points=points, class_=["doubt"]))
    return found


def _water(days: Sequence[CurveDay], places: Sequence[float], size: float, unit: str) -> Elements:
    """Water and rain of each day as bars over the soil."""
    most = max((max(day["net_mm"], day["rain_mm"]) for day in days), default=0.0) / size
    up = Scale(0, ticks(most, 2)[-1], WATER_TOP + WATER_HEIGHT, WATER_TOP)
    width = max(min(640 / max(len(days), 1) / 2, 6), 1.2)
    found: Elements = rows([0.0, up.high], up, lambda value: f"{value:g} {unit}" if value else "")
    for day, x in zip(days, places, strict=True):
        for value, kind, left in ((day["net_mm"], "water", x - width), (day["rain_mm"], "rain", x)):
            if value > 0:
                top = up(value / size)
                height = round(WATER_TOP + WATER_HEIGHT - top, 1)
                found.append(
                    svg.Rect(x=round(left, 1), y=top, width=round(width, 1), height=height, class_=[kind])
                )
    return found


def _months(at: Sequence[date], x: Scale) -> Elements:
    """The first of each month, named; of a short span its first day too."""
    firsts = [at[0]] if (at[-1] - at[0]).days < 45 else []
    firsts += [day for k in range((at[-1] - at[0]).days + 1) if (day := at[0] + timedelta(days=k)).day == 1]
    bottom = SOIL_TOP + SOIL_HEIGHT
    found: Elements = []
    for day in firsts:
        place = x((day - at[0]).days)
        found.append(svg.Line(x1=place, x2=place, y1=SOIL_TOP, y2=bottom + 4, class_=["level"]))
        found.append(text(place + 2, bottom + 16, f"{day.day} {day:%b}"))
    return found
