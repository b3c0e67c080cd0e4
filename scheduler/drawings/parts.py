"""What the pictures share: the frame with title and description, axes, words."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

import svg

Elements = list[svg.Element]
WIDTH = 720
LEFT, RIGHT = 52, 12


def picture(name: str, height: int, title: str, description: str, elements: Elements) -> str:
    """The whole SVG; `name` tells its ids from those of other pictures on the page."""
    ids = f"{name}-title", f"{name}-words"
    named: Elements = [svg.Title(id=ids[0], text=title), svg.Desc(id=ids[1], text=description)]
    return str(
        svg.SVG(
            viewBox=svg.ViewBoxSpec(0, 0, WIDTH, height),
            class_=["picture"],
            extra={"role": "img", "aria-labelledby": " ".join(ids)},
            elements=[*named, *elements],
        )
    )


def text(x: float, y: float, words: str, *, anchor: str = "start", kind: str = "words") -> svg.Text:
    return svg.Text(x=x, y=y, text=words, class_=[kind], text_anchor=anchor)  # type: ignore[arg-type]  # a literal


def rows(values: Sequence[float], at: Callable[[float], float], show: Callable[[float], str]) -> Elements:
    """Level lines across the picture, each with its value at the left."""
    found: Elements = []
    for value in values:
        y = at(value)
        found.append(svg.Line(x1=LEFT, x2=WIDTH - RIGHT, y1=y, y2=y, class_=["level"]))
        found.append(text(LEFT - 6, y + 4, show(value), anchor="end"))
    return found


def line(points: Iterable[tuple[float, float] | None], kind: str) -> Elements:
    """A line through the points; None breaks it."""
    pieces: list[list[svg.Point]] = [[]]
    for point in points:
        if point is None:
            pieces.append([])
        else:
            pieces[-1].append(svg.Point(*point))
    return [svg.Polyline(points=piece, class_=[kind]) for piece in pieces if len(piece) > 1]


def legend(entries: Iterable[tuple[str, str]], y: float) -> Elements:
    """(kind, words): a patch of the kind's paint, then its words, in one row."""
    found: Elements = []
    x: float = LEFT
    for kind, words in entries:
        found.append(svg.Rect(x=x, y=y - 9, width=14, height=10, class_=[kind, "patch"]))
        found.append(text(x + 19, y, words))
        x += 34 + 6.6 * len(words)
    return found
