"""A study: the years of each variant as a box, and where two keys were varied which of them is enough."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import svg

from scheduler.drawings.parts import (
    LEFT,
    LETTER,
    LINE_HEIGHT,
    RIGHT,
    WIDTH,
    Elements,
    Entry,
    legend,
    picture,
    rect,
    text,
)
from scheduler.drawings.scale import Scale, ticks
from scheduler.shapes.base import Display
from scheduler.shapes.study import StudyGarden, StudyKey, StudyPage, StudySpread, StudyVariant
from scheduler.show import LITERS_PER_GALLON

MOST_ROWS = 30
"""Variants that have a box: the garden as it is and those that no other beats first."""
ROW = 36
BOX = 12
INSET = 12
LEAST_LOST = 5.0
"""Percent that the axis of the yield lost shows at least: less is little."""
MOST_CELLS = 12
"""Values of a key that a map has room for."""


def study(name: str, page: StudyPage, display: Display) -> str:
    """SVG; "" where no variant has a year. Of several gardens each as its file has it."""
    gardens = page["gardens"]
    if len(gardens) == 1:
        rows = [(one["variant"], one) for one in _chosen(gardens[0]["variants"])]
        title = f"{gardens[0]['garden']}: variants in {len(gardens[0]['years'])} years"
    else:
        rows = [
            (garden["garden"], one) for garden in gardens for one in garden["variants"] if not one["values"]
        ]
        title = f"{len(gardens)} gardens as they are"
    rows = [(label, one) for label, one in rows if one["liters"] is not None][:MOST_ROWS]
    if not rows:
        return ""
    unit, size = ("gal", LITERS_PER_GALLON) if display == "us" else ("L", 1.0)
    entries = [
        Entry("asked", "the middle half of the years", "patch"), Entry("line", "all years, the middle one"),
        Entry("trigger", "9 of 10 are below"),
    ]  # fmt: skip
    drawn, top = legend(entries)
    water = [(label, one["liters"]) for label, one in rows]
    some, top = _boxes(f"water, {unit}", water, "asked", top, lambda liters: liters / size)
    drawn += some
    if any(one["lost"] for _, one in rows):
        lost = [(label, one["lost"]) for label, one in rows]
        some, top = _boxes("yield lost, %", lost, "doubt", top, lambda share: 100 * share, LEAST_LOST)
        drawn += some
    if len(page["vary"]) == 2 and len(gardens) == 1:
        some, top = _map(page["vary"], gardens[0], top)
        drawn += some
    enough = " ".join(garden["enough"]["text"] for garden in gardens[:3])
    return picture(name, top + 6, title, enough, drawn)


def _chosen(variants: Sequence[StudyVariant]) -> list[StudyVariant]:
    if len(variants) <= MOST_ROWS:
        return list(variants)
    ranked = sorted(variants, key=lambda one: (bool(one["values"]), one["beaten"]))[:MOST_ROWS]
    return [one for one in variants if one in ranked]


def _boxes(
    title: str,
    rows: Sequence[tuple[str, StudySpread | None]],
    kind: str,
    top: float,
    value: Callable[[float], float],
    least: float = 0.0,
) -> tuple[Elements, float]:
    """A row for each, on an axis to `least` or beyond; and where they end."""
    marks = ticks(max([least, *(value(spread["most"]) for _, spread in rows if spread)]))
    x = Scale(0, marks[-1], INSET, WIDTH - RIGHT - 3 * INSET)
    drawn: Elements = [text(INSET, top + 18, title, kind="name")]
    begin = top + 26
    end = begin + ROW * len(rows)
    for mark in marks:
        drawn.append(svg.Line(x1=x(mark), x2=x(mark), y1=begin, y2=end, class_=["level"]))
        drawn.append(text(x(mark), end + 15, f"{mark:,g}", anchor="middle"))
    for n, (label, spread) in enumerate(rows):
        at = begin + ROW * n
        drawn.append(text(INSET, at + 13, _cut(label)))
        if spread is not None:
            drawn += _box({key: x(value(number)) for key, number in spread.items()}, kind, at + 18)  # type: ignore[arg-type]  # all numbers
    return drawn, end + 24


def _box(x: Mapping[str, float], kind: str, top: float) -> Elements:
    middle = top + BOX / 2
    return [
        svg.Line(x1=x["least"], x2=x["most"], y1=middle, y2=middle, class_=["line"]),
        rect(x["lower_quartile"], top, max(x["upper_quartile"] - x["lower_quartile"], 1.5), BOX, kind),
        svg.Line(x1=x["median"], x2=x["median"], y1=top - 1, y2=top + BOX + 1, class_=["line"]),
        svg.Line(
            x1=x["nine_of_ten"], x2=x["nine_of_ten"], y1=top - 3, y2=top + BOX + 3, class_=["line", "trigger"]
        ),
    ]  # fmt: skip


def _cut(label: str) -> str:
    most = int((WIDTH - 2 * INSET) / LETTER)
    return label if len(label) <= most else label[: most - 3] + "..."


def _map(vary: Sequence[StudyKey], garden: StudyGarden, top: float) -> tuple[Elements, float]:
    """In how many years each pair of values carries the garden; a pair that is enough is framed."""
    across, down = vary
    columns, lines = across["values"][:MOST_CELLS], down["values"][:MOST_CELLS]
    by_values = {
        (one["values"].get(across["key"]), one["values"].get(down["key"])): one for one in garden["variants"]
    }
    drawn: Elements = [text(INSET, top + 18, "years that are carried", kind="name")]
    drawn.append(text(INSET, top + 18 + LINE_HEIGHT, _cut(f"across {across['key']}, down {down['key']}")))
    begin, left = top + 26 + 2 * LINE_HEIGHT, LEFT + LETTER * 6
    wide = (WIDTH - RIGHT - left) / len(columns)
    drawn += [
        text(left + wide * (c + 0.5), begin - 5, _short(one, wide), anchor="middle")
        for c, one in enumerate(columns)
    ]
    for r, line in enumerate(lines):
        y = begin + ROW * r
        drawn.append(text(left - 5, y + ROW / 2 + 4, _short(line, left), anchor="end"))
        for c, column in enumerate(columns):
            one = by_values.get((column, line))
            if one is not None:
                drawn += _cell(one, left + wide * c, y, wide)
    words = [Entry("known", "carried in 9 years of 10", "patch"), Entry("guessed", "in fewer", "patch")]
    some, end = legend(words, begin + ROW * len(lines))
    return [*drawn, *some], end


def _cell(one: StudyVariant, x: float, y: float, wide: float) -> Elements:
    enough = one["years"] > 0 and 10 * one["carried"] >= 9 * one["years"]
    return [
        rect(x + 1, y + 1, wide - 2, ROW - 8, "guessed"),
        *([rect(x + 1, y + ROW - 9, wide - 2, 5, "known")] if enough else []),
        text(x + wide / 2, y + ROW / 2, f"{one['carried']}/{one['years']}", anchor="middle"),
    ]


def _short(value: str, room: float) -> str:
    most = max(int(room / LETTER), 2)
    return value if len(value) <= most else value[: most - 1] + "~"
