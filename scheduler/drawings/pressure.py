"""The rows of the garden, each shaded by the pressure along it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import svg

from scheduler.drawings.paint import PRESSURES
from scheduler.drawings.parts import RIGHT, WIDTH, Elements, picture, rect, text
from scheduler.shapes.base import Display
from scheduler.shapes.check import RowLine, ZoneFlow
from scheduler.show import KPA_PER_PSI

LEAST_RANGE = 0.9
"""The shades span a tenth of the pressure at least: a harmless drop must not look like a steep one."""
UNITS: Mapping[Display, tuple[str, float, int]] = {"us": ("psi", KPA_PER_PSI, 1), "metric": ("kPa", 1.0, 0)}
"""And its kPa, and the digits shown."""
THICK, APART = 8, 11
EDGE = 8


def pressure(name: str, zones: Mapping[str, ZoneFlow], display: Display) -> str:
    """SVG; zones as in `check --json`. Water enters at the left; "" where no pressure is known."""
    known = {zone: flow for zone, flow in zones.items() if _along(flow["rows"])}
    every = [kpa for flow in known.values() for kpa in _along(flow["rows"])]
    if not every:
        return ""
    low, high = min([*every, LEAST_RANGE * max(every)]), max(every)
    drawn, top = _scale(low, high, display)
    for zone, flow in known.items():
        least, most = _ends(flow["rows"], display)
        drawn.append(text(EDGE, top + 18, zone, kind="name"))
        drawn.append(text(WIDTH - RIGHT, top + 18, f"{least} to {most}", anchor="end"))
        top += 26
        for row in flow["rows"]:
            drawn += _row(row, low, high, top)
            top += APART
    words = "; ".join(
        f"{zone}, {len(flow['rows'])} rows: {' to '.join(_ends(flow['rows'], display))}"
        for zone, flow in known.items()
    )
    return picture(name, top + 6, "Pressure along the rows, from the inlet to the far end", words, drawn)


def _along(rows: Iterable[RowLine]) -> list[float]:
    return [kpa for row in rows for kpa in row["along_kpa"]]


def _ends(rows: Iterable[RowLine], display: Display) -> tuple[str, str]:
    found = _along(rows)
    return _number(min(found), display), f"{_number(max(found), display)} {UNITS[display][0]}"


def _number(kpa: float, display: Display) -> str:
    _, size, digits = UNITS[display]
    return f"{kpa / size:.{digits}f}"


def _row(row: RowLine, low: float, high: float, top: float) -> Elements:
    """Pieces from one step to the next, and the rim around them."""
    steps = row["along_kpa"]
    long = (WIDTH - RIGHT - EDGE) / max(len(steps) - 1, 1)
    found: Elements = []
    for k, (one, after) in enumerate(zip(steps, steps[1:], strict=False)):
        share = ((one + after) / 2 - low) / (high - low or 1.0)
        shade = PRESSURES[min(int(share * len(PRESSURES)), len(PRESSURES) - 1)]
        found.append(
            svg.Rect(
                x=round(EDGE + k * long, 1),
                y=round(top, 1),
                width=round(long + 0.5, 1),
                height=THICK,
                fill=shade,
            )
        )
    return [*found, rect(EDGE, top, WIDTH - RIGHT - EDGE, THICK, "edge")]


def _scale(low: float, high: float, display: Display) -> tuple[Elements, float]:
    """The shades and what they stand for."""
    wide = (WIDTH - RIGHT - EDGE) / len(PRESSURES)
    found: Elements = []
    for k, shade in enumerate(PRESSURES):
        found.append(svg.Rect(x=round(EDGE + k * wide, 1), y=4, width=round(wide, 1), height=10, fill=shade))
        begin = _number((low + (high - low) * k / len(PRESSURES)), display)
        found.append(text(EDGE + k * wide, 30, begin if k else f"{begin} {UNITS[display][0]}"))
    found.append(rect(EDGE, 4, WIDTH - RIGHT - EDGE, 10, "edge"))
    return found, 36
