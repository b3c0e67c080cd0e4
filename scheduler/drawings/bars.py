"""Groups side by side, a bar for each kind in them."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import svg

from scheduler.drawings.parts import LEFT, RIGHT, WIDTH, Entry, legend, picture, rect, rows, text
from scheduler.drawings.scale import Scale, ticks

TALL = 150


def bars(
    name: str,
    title: str,
    words: str,
    groups: Sequence[str],
    kinds: Mapping[str, tuple[str, Sequence[float]]],
    show: Callable[[float], str],
    *,
    rim: tuple[str, float] | None = None,
) -> str:
    """SVG. groups: under the axis; kinds: paint -> (words of the legend, a value for each group).

    rim: what no bar should pass, and its words.
    """
    marks = [Entry(kind, said, "patch") for kind, (said, _) in kinds.items()]
    drawn, top = legend([*marks, *([Entry("rim", rim[0])] if rim else [])])
    most = max((value for _, values in kinds.values() for value in values), default=0.0)
    steps = ticks(max(most, rim[1] if rim else 0.0))
    up = Scale(0, steps[-1], top + TALL, top)
    drawn += rows(steps, up, show)
    wide = (WIDTH - LEFT - RIGHT) / max(len(groups), 1)
    each = min(wide * 0.8 / max(len(kinds), 1), 40)
    for k, group in enumerate(groups):
        left = LEFT + wide * (k + 0.5) - each * len(kinds) / 2
        drawn.append(text(LEFT + wide * (k + 0.5), top + TALL + 17, group, anchor="middle"))
        for j, (kind, (_, values)) in enumerate(kinds.items()):
            drawn.append(rect(left + j * each, up(values[k]), each * 0.9, top + TALL - up(values[k]), kind))
    if rim:
        drawn.append(svg.Line(x1=LEFT, x2=WIDTH - RIGHT, y1=up(rim[1]), y2=up(rim[1]), class_=["rim"]))
    return picture(name, top + TALL + 26, title, words, drawn)
