"""What the pictures share: the frame with title and description, axes, lines, words."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from datetime import date, timedelta
from typing import Literal, NamedTuple
from xml.sax.saxutils import escape

import svg

from scheduler.drawings.scale import Scale
from scheduler.shapes.base import Display
from scheduler.show import MM_PER_INCH

Elements = list[svg.Element]
WIDTH = 480
"""Read at 360 pixels wide on a phone as well as on a sheet of paper."""
LEFT, RIGHT = 50, 8
LETTER = 7.4
"""About the width of a letter."""
LINE_HEIGHT = 17


def picture(name: str, height: float, title: str, description: str, elements: Elements) -> str:
    """The whole SVG; `name` tells its ids from those of other pictures on the page.

    Words are escaped here and in `text`: the library that writes the elements leaves them as they are.
    """
    ids = f"{name}-title", f"{name}-words"
    named: Elements = [
        svg.Title(id=ids[0], text=escape(title)),
        svg.Desc(id=ids[1], text=escape(description)),
    ]
    return str(
        svg.SVG(
            viewBox=svg.ViewBoxSpec(0, 0, WIDTH, round(height)),
            class_=["picture"],
            extra={"role": "img", "aria-labelledby": " ".join(ids)},
            elements=[*named, *elements],
        )
    )


def text(x: float, y: float, words: str, *, anchor: str = "start", kind: str = "words") -> svg.Text:
    return svg.Text(x=round(x, 1), y=round(y, 1), text=escape(words), class_=[kind], text_anchor=anchor)  # type: ignore[arg-type]  # a literal


def rect(x: float, y: float, width: float, height: float, kind: str) -> svg.Rect:
    x, y, width, height = (round(value, 1) for value in (x, y, width, height))
    return svg.Rect(x=x, y=y, width=width, height=height, class_=[kind])


def rows(values: Sequence[float], at: Callable[[float], float], show: Callable[[float], str]) -> Elements:
    """Level lines across the picture, each with its value at the left."""
    found: Elements = []
    for value in values:
        y = at(value)
        found.append(svg.Line(x1=LEFT, x2=WIDTH - RIGHT, y1=y, y2=y, class_=["level"]))
        found.append(text(LEFT - 5, y + 4, show(value), anchor="end"))
    return found


def line(points: Iterable[tuple[float, float] | None], kind: str) -> Elements:
    """A line through the points; None breaks it."""
    pieces: list[list[svg.Point]] = [[]]
    for point in points:
        if point is None:
            pieces.append([])
        else:
            pieces[-1].append(svg.Point(*point))
    return [svg.Polyline(points=piece, class_=["line", kind]) for piece in pieces if len(piece) > 1]


class Entry(NamedTuple):
    """Of a legend."""

    kind: str
    words: str
    mark: Literal["line", "patch"] = "line"


def legend(entries: Iterable[Entry], top: float = 0) -> tuple[Elements, float]:
    """Each kind's mark and words, in as many rows as they take; and where they end."""
    found: Elements = []
    x, y = float(LEFT), top + 14
    for entry in entries:
        width = 26 + LETTER * len(entry.words) + 14
        if x > LEFT and x + width > WIDTH + 14:
            x, y = float(LEFT), y + LINE_HEIGHT
        if entry.mark == "patch":
            found.append(rect(x, y - 9, 20, 9, entry.kind))
        else:
            found.append(
                svg.Line(x1=round(x, 1), x2=round(x + 22, 1), y1=y - 4, y2=y - 4, class_=["line", entry.kind])
            )
        found.append(text(x + 26, y, entry.words))
        x += width
    return found, y + 8


def depth_unit(display: Display) -> tuple[str, float]:
    """The unit of a depth of water, and its mm."""
    return ("in", MM_PER_INCH) if display == "us" else ("mm", 1.0)


def with_unit(unit: str, scale: Scale) -> Callable[[float], str]:
    """Shows an axis' values, the last one with its unit."""
    return lambda value: f"{value:g} {unit}" if value == scale.high else f"{value:g}"


SHORT_SPAN = 45
"""Days up to which an axis names more than the first of each month."""


def days_axis(first: date, last: date, x: Scale, top: float, bottom: float) -> Elements:
    """The first of each month named under the picture; of a short span weeks or days."""
    span = (last - first).days
    step = next(k for k in (1, 2, 7, 14) if span / k <= 6 or k == 14)
    days = [first + timedelta(days=k) for k in range(span + 1)]
    named = days[::step] if span <= SHORT_SPAN else [day for day in days if day.day == 1]
    every = 2 if len(named) > 8 else 1
    found: Elements = []
    for day in named[::every]:
        place = x((day - first).days)
        words = f"{day.day} {day:%b}"
        found.append(svg.Line(x1=place, x2=place, y1=top, y2=bottom + 4, class_=["level"]))
        found.append(text(min(place, WIDTH - LETTER * len(words) / 2), bottom + 17, words, anchor="middle"))
    return found
