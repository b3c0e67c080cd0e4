"""A lane of bars over a row of days: rain, or water given."""

from __future__ import annotations

from collections.abc import Sequence

from scheduler.drawings.parts import LETTER, WIDTH, Elements, rect, rows, text
from scheduler.drawings.scale import Scale, ticks
from scheduler.shapes.base import Display

TALL = 34
WIDEST = 20
LEAST = {"us": 0.2, "metric": 5.0}
"""A lane reaches so far at least: a drizzle must not look like a downpour."""


def lane(
    kind: str,
    bars: Sequence[tuple[float, float]],
    step: float,
    display: Display,
    top: float,
    said: Sequence[str] = (),
) -> tuple[Elements, float]:
    """Drawn, and where it ends. bars: where, and how much; step: from one day to the next; said: of each."""
    most = ticks(max([LEAST[display], *(value for _, value in bars)]), 1)[-1]
    up = Scale(0, most, top + 10 + TALL, top + 10)
    width = max(min(step * 0.7, WIDEST), 1)
    unit = "in" if display == "us" else "mm"
    found = rows([0.0, most], up, lambda value: f"{value:g} {unit}" if value else kind)
    found += [
        rect(x - width / 2, up(value), width, up.begin - up(value), kind) for x, value in bars if value > 0
    ]
    for (x, value), words in zip(bars, said, strict=False):
        if value > 0:
            right = x + width / 2 + 3
            room = right + LETTER * len(words) < WIDTH
            found.append(
                text(
                    right if room else x - width / 2 - 3,
                    up.begin - 4,
                    words,
                    anchor="start" if room else "end",
                )
            )
    return found, up.begin + 6
