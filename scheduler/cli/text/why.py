"""The working as text: one figure a line, its formula and numbers below it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from scheduler.cli.text.base import Row, table, wrap
from scheduler.phrases.days import weekday
from scheduler.phrases.working import figure
from scheduler.show import Display

if TYPE_CHECKING:
    from scheduler.shapes.working import Line, WhyPage


def why_text(working: WhyPage, *, display: Display, width: int) -> str:
    return "\n".join(_lines(working, display, width))


def _lines(working: WhyPage, display: Display, width: int) -> Iterator[str]:
    yield from wrap(f"{working['zone']}, {weekday(working['date'])} {working['date'][:4]}", width, 2)
    for text in working.get("plain", ()):
        yield from wrap(text, width, 2)
    yield ""
    yield from wrap(f"The working behind {working['date']} (SI units inside)", width, 2)
    for section in working["sections"]:
        yield ""
        yield from wrap(section["title"], width, 2)
        for line in section["lines"]:
            yield from _line(line, display, width)
    if working["history"]:
        apart = any("evaporation_mm" in day for day in working["history"])
        yield ""
        yield from wrap("The last days, mm" + (" (soil: of ETc, what evaporated)" if apart else ""), width, 2)
        cells = (6, 7, 7, 7, 7, 8, 7, 9) if apart else (6, 7, 7, 7, 8, 7, 9)
        yield from table(list(_history(working, apart=apart)), width, label=13, cells=cells)


def _history(working: WhyPage, *, apart: bool) -> Iterator[Row]:
    soil = ["soil"] * apart
    yield "  date", ("ET0", "Kc", "ETc", *soil, "rain", "counts", "given", "deficit")
    for day in working["history"]:
        depths = [day["rain_mm"], day["rain_eff_mm"], day["net_mm"], day["deficit_end_mm"]]
        if apart:
            depths.insert(0, day.get("evaporation_mm", 0.0))
        yield (
            f"  {day['date']}",
            (
                f"{day['et0_mm']:.2f}",
                f"{day['kc']:.3f}",
                f"{day['etc_mm']:.2f}",
                *(f"{mm:.2f}" for mm in depths),
            ),
        )


def _line(line: Line, display: Display, width: int) -> Iterator[str]:
    yield from wrap(f"  {figure(line, display)}", width, 6)
    for text in (line["formula"], line["numbers"]):
        if text:
            yield from wrap(text, width, 8, first=6, cut=False)
