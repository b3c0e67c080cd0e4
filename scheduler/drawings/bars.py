"""Months side by side: a group of bars for each."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import svg

from scheduler.drawings.parts import LEFT, RIGHT, WIDTH, Elements, legend, picture, rows, text
from scheduler.drawings.scale import Scale, ticks

TOP, TALL = 30, 160


def bars(
    name: str,
    title: str,
    words: str,
    groups: Sequence[str],
    kinds: Mapping[str, tuple[str, Sequence[float]]],
    show: Callable[[float], str],
) -> str:
    """SVG. groups: under the axis; kinds: paint -> (words of the legend, a value for each group)."""
    most = max((value for _, values in kinds.values() for value in values), default=0.0)
    up = Scale(0, ticks(most)[-1], TOP + TALL, TOP)
    wide = (WIDTH - LEFT - RIGHT) / max(len(groups), 1)
    each = min(wide * 0.8 / max(len(kinds), 1), 40)
    drawn: Elements = rows(ticks(most), up, show)
    for k, group in enumerate(groups):
        left = LEFT + wide * (k + 0.5) - each * len(kinds) / 2
        drawn.append(text(LEFT + wide * (k + 0.5), TOP + TALL + 18, group, anchor="middle"))
        for j, (kind, (_, values)) in enumerate(kinds.items()):
            top = up(values[k])
            drawn.append(
                svg.Rect(x=round(left + j * each, 1), y=top, width=round(each * 0.9, 1),
                         height=round(TOP + TALL - top, 1), class_=[kind])
            )  # fmt: skip
    drawn += legend([(kind, said) for kind, (said, _) in kinds.items()], 14)
    return picture(name, TOP + TALL + 28, title, words, drawn)
